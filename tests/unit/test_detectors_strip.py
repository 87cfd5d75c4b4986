"""Strokes of several draws together, pumps of several outlets, and when a verdict ends."""

import numpy as np
import pytest

from monitor.advice.kinds import Kind
from monitor.detectors.context import Context
from monitor.detectors.finding import Finding, Presence
from monitor.detectors.lost_prime import healing
from monitor.detectors.racing import thinned
from monitor.detectors.rank import settled
from monitor.detectors.strip import even_turns, strip
from monitor.detectors.watch import SOUND_DRAWS, PumpWatch
from monitor.signals.scales import Scales
from monitor.signals.types import Episode
from monitor.site import Pump, Site

T0 = 1_750_000_000.0
PUMP = Pump(id="p", displacement_ml=60.0)


def context() -> Context:
    return Context(Site(id="s", pumps=(PUMP,)), PUMP, Scales.of(PUMP))


def draw(start_ts: float, intervals: list[float], **features: float) -> Episode:
    at = start_ts + np.concatenate(([1.0], 1.0 + np.cumsum(intervals)))
    end = float(at[-1]) + 10.0
    return Episode("p", "draw", start_ts, end, False, len(at), dict(features), at)


def healthy(known: Context, interval: float, demand: float, draws: int, start: float = T0) -> float:
    """Feed even draws of one outlet; the time after them."""
    for n in range(draws):
        k = 1.0 / interval / demand**0.5
        event = draw(
            start + 100.0 * n,
            [interval] * 5,
            demand_pa=demand,
            rate_hz=1.0 / interval,
            interval_s=interval,
            interval_cv=0.01,
            conductance=k * (1.0 + 0.004 * (-1) ** n),
            dip_pa=50_000.0 / interval,
            stall_after_pa=400_000.0,
        )
        known.learn(event)
    return start + 100.0 * draws


def test_sides_take_turns_whatever_rests_lie_between():
    """Two draws of three strokes each; the second begins on the other side."""
    known = context()
    known.learn(draw(T0, [4.0, 6.0, 4.0, 6.0]))  # five strokes: the next begins on side two
    last = draw(T0 + 100.0, [6.0, 4.0, 6.0])
    got = strip(last, known)
    assert got.draws == 2
    assert got.asymmetry == pytest.approx(0.2, abs=0.001)  # (6 - 4) / (6 + 4)
    assert got.steady_turns
    wrong = draw(T0 + 100.0, [4.0, 6.0, 4.0])  # the sides have changed over: no alternation
    assert not strip(wrong, known).steady_turns


def test_a_valve_that_closed_for_a_moment_is_no_alternation():
    known = context()
    known.learn(draw(T0, [5.0, 5.0, 5.0]))
    assert not strip(draw(T0 + 100.0, [5.0, 10.0, 5.0]), known).steady_turns
    assert even_turns(np.array([4.0, 6.0, 4.1, 5.9]))
    assert not even_turns(np.array([4.0, 6.0, 7.0, 6.0, 5.0]))


def test_two_outlets_are_not_one_though_one_is_used_more():
    known = context()
    after = healthy(known, 2.0, 380_000.0, 14)
    assert known.one_outlet
    healthy(known, 1.0, 340_000.0, 8, after)
    assert not known.one_outlet  # a median deviation would still say one


def test_a_draw_is_held_against_its_own_outlet():
    known = context()
    after = healthy(known, 2.0, 380_000.0, 14)
    after = healthy(known, 1.0, 340_000.0, 10, after)
    quick = draw(after, [0.8] * 5, demand_pa=340_000.0, interval_s=0.8, rate_hz=1.25)
    shift = known.at_pressure("interval_s", quick)
    assert shift is not None
    assert shift.ratio == pytest.approx(0.8, abs=0.01)
    elsewhere = draw(after, [0.8] * 5, demand_pa=250_000.0, interval_s=0.8)
    assert known.at_pressure("interval_s", elsewhere) is None


def test_draws_in_which_a_fault_shows_itself_do_not_move_the_mark():
    known = context()
    after = healthy(known, 2.0, 380_000.0, 20)
    usual = known.of("interval_s")
    late = draw(after, [1.0] * 5, demand_pa=380_000.0, interval_s=1.0, conductance=0.0016)
    known.learn(late)
    known.standing[Kind.AIRLOCK] = after
    known.learn(late)
    assert known.of("interval_s") == usual
    assert not known.waiting


@pytest.mark.parametrize(
    ("intervals", "heals"),
    [
        ([5.2, 2.4, 2.2, 2.8, 3.9, 4.1], True),
        ([5.4, 1.1, 4.6, 2.4, 5.2], True),  # one side leads
        ([4.0, 2.9, 4.4, 3.1, 2.2, 4.8], False),  # ragged
        ([5.0, 5.0, 5.1, 5.0], False),
        ([5.0, 4.0, 3.0, 2.0], False),  # still quickening
    ],
)
def test_a_line_that_ran_empty_heals_and_a_ragged_one_does_not(intervals, heals):
    assert healing(draw(T0, intervals)) is heals


def test_gas_from_the_suction_comes_stroke_by_stroke_and_trapped_gas_at_once():
    assert thinned(draw(T0, [1.1, 0.94, 0.63, 0.51, 0.39, 0.41, 0.27, 0.29, 0.23]))
    assert not thinned(draw(T0, [0.19, 0.25, 0.2, 0.25, 0.2, 0.29, 0.21, 0.3, 0.22]))


def finding(kind: Kind, presence: Presence = Presence.YES) -> Finding:
    return Finding("p", kind, presence, T0, T0, 0.9, 0.5)


def test_what_a_new_verdict_explains_ends():
    new = [finding(Kind.LOST_PRIME)]
    ended = settled(new, frozenset({Kind.AIR_IN_SUCTION, Kind.UNUSUAL, Kind.HIGH_AIR}))
    assert {f.kind for f in ended} == {Kind.AIR_IN_SUCTION, Kind.UNUSUAL}
    assert all(f.presence is Presence.NO for f in ended)
    assert settled(new, frozenset({Kind.LOST_PRIME, Kind.WORN})) == []  # told before


def test_one_sound_draw_does_not_end_a_pattern_and_a_logged_repair_does():
    watch = PumpWatch(Site(id="s", pumps=(PUMP,)), PUMP)
    watch.context.standing[Kind.ICING] = T0
    sound = finding(Kind.ICING, Presence.NO)
    event = draw(T0, [2.0] * 4)
    for _ in range(SOUND_DRAWS[Kind.ICING] - 1):
        assert watch._settle(event, [sound]) == []
    assert [f.presence for f in watch._settle(event, [sound])] == [Presence.NO]
    watch.context.standing[Kind.ICING] = T0
    watch.note("pump changed", T0)
    assert Kind.ICING not in watch.context.standing
