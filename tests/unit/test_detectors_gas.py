"""Gas at rest in the line, gas on its way through, and what only looks like either."""

import numpy as np
import pytest
from draw_kit import (
    DEMAND_PA,
    DIP_PA,
    FALL_PA_S,
    INTERVAL_S,
    LATER,
    STALL_PA,
    draw,
)

from monitor.advice.kinds import Kind
from monitor.detectors.airlock import Airlock
from monitor.detectors.ball_leak import BallLeak
from monitor.detectors.context import Context
from monitor.detectors.finding import Presence
from monitor.detectors.lost_prime import burst
from monitor.detectors.racing import race, thinned
from monitor.detectors.strip import before, joined
from monitor.detectors.worn import Worn
from monitor.signals.features import _bounded
from monitor.signals.types import Episode


def said(detector: Airlock | BallLeak | Worn, event: Episode, context: Context) -> Presence:
    return detector.update(event, context).presence


def test_dips_that_are_all_soft_at_the_same_flow_tell_of_gas_in_the_line(known: Context):
    """Compliance up by two thirds; the flow as ever."""
    soft = draw(LATER, [INTERVAL_S] * 6, dip_pa=0.6 * DIP_PA, dip_max_pa=0.63 * DIP_PA)
    assert said(Airlock(), soft, known) is Presence.YES


@pytest.mark.parametrize(
    ("share", "rate_share", "told"),
    [(0.5, 1.0, True), (0.95, 1.0, False), (0.5, 0.5, False)],
    ids=["twice the compliance", "as ever", "half the flow"],
)
def test_a_slope_that_is_gone_tells_of_gas_where_the_dips_are_as_deep(
    known: Context, share: float, rate_share: float, *, told: bool
):
    """Compliance is flow over slope: half the slope at the same flow is twice the compliance, but
    at half the flow it is the same."""
    event = draw(
        LATER,
        [INTERVAL_S / rate_share] * 6,
        dip_pa=0.95 * DIP_PA,
        fall_pa_s=share * FALL_PA_S,
        fall_max_pa_s=1.02 * share * FALL_PA_S,
    )
    assert (said(Airlock(), event, known) is Presence.YES) is told


@pytest.mark.parametrize(
    ("demand", "told"),
    [
        ({}, False),
        ({"demand_s": 5.0, "open_after_s": 2.0}, True),
        ({"demand_s": 5.0, "open_after_s": 0.1}, False),
        ({"demand_s": 30.0, "open_after_s": 25.0}, False),
    ],
    ids=["no signal", "open through the dip", "closed in the dip", "too long for this flow"],
)
def test_a_single_stroke_is_believed_only_with_a_valve_known_to_be_open(
    known: Context, demand: dict[str, float], *, told: bool
):
    """A stroke into a leak, or into a valve that closes, dips as little as one into gas."""
    event = draw(
        LATER,
        [],
        rate_hz=None,
        dip_pa=0.2 * DIP_PA,
        dip_max_pa=0.2 * DIP_PA,
        fall_pa_s=None,
        fall_max_pa_s=0.2 * FALL_PA_S,
        **demand,
    )
    assert (said(Airlock(), event, known) is Presence.YES) is told


def refitted(from_pa: float) -> Episode:
    """Ten quick strokes into a line that was opened before the first of them."""
    return draw(
        LATER,
        [0.4] * 9,
        opened_s=0.5,
        opened_from_pa=from_pa,
        demand_pa=0.5 * STALL_PA,
        dip_pa=0.0,
        dip_max_pa=0.0,
    )


@pytest.mark.parametrize(
    ("from_pa", "second", "told"),
    [
        (STALL_PA, [0.5] * 30, True),
        (DEMAND_PA, [0.5] * 30, False),
        (STALL_PA, [0.5, 0.6, INTERVAL_S, INTERVAL_S, INTERVAL_S], False),
    ],
    ids=["never a whole stroke", "fell in a draw", "primed"],
)
def test_a_pump_put_in_dry_is_told_though_it_holds_the_line_with_gas(
    known: Context, from_pa: float, second: list[float], *, told: bool
):
    """Air set low: a dry chamber reaches P_suction r^n, up to 50 psi for the class (computed)."""
    known.learn(refitted(from_pa))
    event = draw(LATER + 40.0, second, demand_pa=0.9 * STALL_PA, dip_pa=0.0, dip_max_pa=0.0)
    now = race(event, known)
    assert (now is not None and now.kind is Kind.MISSED_PRIME) is told
    if told:
        assert now is not None
        assert now.strokes == 41
        assert said(Airlock(), event, known) is Presence.CANNOT_TELL


def test_a_draw_of_which_some_dips_are_firm_has_gas_on_its_way_through(known: Context):
    passing = draw(LATER, [INTERVAL_S] * 6, dip_pa=0.5 * DIP_PA, dip_max_pa=0.95 * DIP_PA)
    assert said(Airlock(), passing, known) is Presence.CANNOT_TELL


def test_a_line_that_has_not_filled_after_the_draw_is_no_lower_air(known: Context):
    """The pressure after the draw still lies under that in it: the stall before stands for it."""
    soft = draw(
        LATER,
        [INTERVAL_S] * 6,
        dip_pa=0.4 * DIP_PA,
        dip_max_pa=0.42 * DIP_PA,
        stall_after_pa=0.9 * DEMAND_PA,
    )
    assert said(Airlock(), soft, known) is Presence.YES


@pytest.mark.parametrize(
    ("demand_pa", "dip_share", "told"),
    [(DEMAND_PA, 1.0, True), (0.93 * DEMAND_PA, 1.6, False)],
    ids=["strokes that deliver nothing", "a second bay"],
)
def test_more_strokes_that_cost_no_pressure_move_gas(known, demand_pa, dip_share, told):
    """Two bays at once follow the pump's curve and dig deeper dips (dead time x flow / C)."""
    event = draw(
        LATER,
        [INTERVAL_S / 2.5] * 8,
        demand_pa=demand_pa,
        dip_pa=dip_share * DIP_PA,
        dip_max_pa=1.05 * dip_share * DIP_PA,
    )
    assert (said(Airlock(), event, known) is Presence.YES) is told


def test_one_quick_stroke_of_two_with_firm_dips_is_a_bay_that_came_in_between(known: Context):
    event = draw(LATER, [INTERVAL_S / 2.0], dip_pa=0.65 * DIP_PA, dip_max_pa=1.2 * DIP_PA)
    assert said(Airlock(), event, known) is not Presence.YES


def test_a_whole_stroke_or_two_may_come_before_the_gas(known: Context):
    quick = [INTERVAL_S, 0.6, 0.5, 0.5, 0.5, 1.0, 3.5, 3.9, 4.0]
    fast, healed = burst(draw(LATER, quick), known) or (0, False)
    assert fast == 5
    assert healed


def test_either_side_may_thin_out():
    one_side = [0.16, 0.53, 0.15, 0.3, 0.15, 0.22, 0.15, 0.18, 0.15, 0.16]
    assert thinned(draw(LATER, one_side))
    limping = [0.25, 2.4, 0.25, 2.3, 0.25, 2.4, 0.25, 2.35, 0.25, 2.4]
    assert not thinned(draw(LATER, limping))  # neither side quickens


def test_one_side_on_gas_is_no_race(known: Context):
    """Two to one and more, stroke by stroke: a race has gas on both sides."""
    racing = {"race_strokes": 12.0, "race_rate_hz": 3.3, "race_pa": 370_000.0}
    racing |= {"race_swing_pa": 5_000.0, "race_from_pa": 380_000.0, "race_before_strokes": 0.0}
    even = draw(LATER, [0.3] * 14, **racing)
    limping = draw(LATER, [0.15, 0.45] * 7, **racing)
    told = race(even, known)
    assert told is not None
    assert told.kind is Kind.AIRLOCK
    assert race(limping, known) is None


def test_a_race_that_began_slowly_is_told_by_its_last_strokes(known: Context):
    slow_at_first = {"race_strokes": 12.0, "race_rate_hz": 0.4, "race_pa": 370_000.0}
    slow_at_first |= {"race_swing_pa": 5_000.0, "race_from_pa": 380_000.0}
    event = draw(LATER, [0.3] * 14, **slow_at_first)
    assert event.features["last_rate_hz"] == pytest.approx(1 / 0.3)
    assert race(event, known) is not None


def test_a_race_that_goes_on_keeps_the_name_of_its_beginning(known: Context):
    """It began on an open line: the pump never had liquid; no gas was over the balls."""
    racing = {"race_strokes": 12.0, "race_rate_hz": 3.3, "race_pa": 170_000.0}
    racing |= {"race_swing_pa": 5_000.0, "race_before_strokes": 0.0}
    opened = draw(LATER, [0.3] * 12, **racing, race_from_pa=20_000.0)
    later = draw(float(opened.end_ts) + 2.0, [0.3] * 12, **racing, race_from_pa=170_000.0)
    alone = race(later, known)
    assert alone is not None
    assert alone.kind is Kind.AIRLOCK
    known.learn(opened)
    now = race(later, known)
    assert now is not None
    assert now.kind is Kind.MISSED_PRIME


def test_a_ball_is_told_from_two_draws_of_few_strokes(known: Context):
    """A = (T_R - T_L) / (T_R + T_L) = 0.3; the sound side keeps the usual time."""
    quick = INTERVAL_S * 0.7 / 1.3
    detector = BallLeak()
    first = draw(LATER, [quick, INTERVAL_S, quick, INTERVAL_S, quick])
    assert said(detector, first, known) is Presence.CANNOT_TELL
    known.learn(first)
    second = draw(LATER + 100.0, [quick, INTERVAL_S, quick])
    assert said(detector, second, known) is Presence.YES


def test_pauses_of_a_valve_in_several_draws_are_no_ball(known: Context):
    """Every other interval is longer than this pump's: the slower side is not sound."""
    detector = BallLeak()
    for n in range(3):
        paused = draw(LATER + 100.0 * n, [INTERVAL_S, 1.8 * INTERVAL_S, INTERVAL_S])
        assert said(detector, paused, known) is not Presence.YES
        known.learn(paused)


@pytest.mark.parametrize(
    ("deeper", "draws"), [(1.0, 2), (1.18, 3)], ids=["slip", "as a wider outlet would"]
)
def test_slip_leaves_the_dips_and_a_wider_outlet_deepens_them(known, deeper, draws):
    """Strokes alone need a draw more than strokes that dig no deeper dips."""
    detector, told = Worn(), []
    for n in range(3):
        event = draw(LATER + 100.0 * n, [INTERVAL_S / 1.18] * 6, dip_pa=deeper * DIP_PA)
        told.append(said(detector, event, known) is Presence.YES)
    assert told.index(True) + 1 == draws


def test_the_first_draws_of_one_cold_morning_are_no_mark_for_wear(known: Context):
    """They count once days and nights have gone by."""
    for n in range(60):
        known.learn(draw(LATER + 100.0 * n, [INTERVAL_S] * 5))
    event = draw(LATER + 7_000.0, [INTERVAL_S] * 5)
    assert known.first_at_pressure("conductance", event) is None
    later = draw(LATER + 4 * 86_400.0, [INTERVAL_S] * 5)
    assert known.first_at_pressure("conductance", later) is not None


def test_draws_before_the_last_keep_the_sides_apart(known: Context):
    assert before(known, 12, 2) is not None
    assert before(known, 12, 40) is None
    past = before(known, 12, 2)
    assert past is not None
    assert past.asymmetry == pytest.approx(0.0, abs=0.01)


def test_runs_without_a_pause_are_one(known: Context):
    """The segmenter took one draw for two: the time between them is a stroke's."""
    first = draw(LATER, [0.3])
    known.learn(first)
    second = draw(float(first.stroke_ts[-1]) + INTERVAL_S - 1.0, [0.3])
    assert joined(second, known) == pytest.approx([0.3, INTERVAL_S, 0.3])
    far = draw(float(first.stroke_ts[-1]) + 3.0 * INTERVAL_S, [0.3])
    assert joined(far, known) == pytest.approx([0.3])


def test_a_creep_that_saws_between_two_limits_is_no_noise():
    """Stick-slip: falls to the restart pressure, jumps back to the stall."""
    t = np.arange(60) * 0.05
    saw = 1000.0 * ((-t * 5.7) % 1.0)
    assert _bounded(saw)
    assert not _bounded(np.random.default_rng(3).standard_normal(60))
