"""What few strokes or seconds tell plainly, each beside what they do not tell."""

from dataclasses import replace

import numpy as np
import pytest
from draw_kit import (
    DIP_PA,
    FALL_PA_S,
    INTERVAL_S,
    LATER,
    STALL_PA,
    draw,
    known_pump,
    tells,
)
from scipy.stats import binom, studentized_range

from monitor.detectors.air_in_suction import AirInSuction
from monitor.detectors.airlock import Airlock
from monitor.detectors.ball_leak import BallLeak
from monitor.detectors.context import Context
from monitor.detectors.finding import Presence
from monitor.detectors.icing import Icing
from monitor.detectors.lost_prime import LostPrime
from monitor.detectors.missed_prime import MissedPrime
from monitor.detectors.no_demand import NoDemand
from monitor.detectors.pressure_sensor import PressureSensor
from monitor.detectors.undelivered import idle_gas
from monitor.detectors.usual import Usual
from monitor.detectors.watch import PumpWatch
from monitor.detectors.worn import PAIR_95, THREE_95, Worn
from monitor.signals.types import Episode
from monitor.units import PA_PER_PSI


def dry(strokes: int, lasted_s: float, **more: float) -> Episode:
    """A race on a line that was opened: so many strokes in so long."""
    rate = strokes / lasted_s
    features = {
        "race_strokes": float(strokes),
        "race_s": lasted_s,
        "race_rate_hz": rate,
        "last_rate_hz": rate,
        "race_pa": 0.3 * STALL_PA,
        "race_from_pa": 0.02 * STALL_PA,
        "race_before_strokes": 0.0,
        "race_swing_pa": 0.0,
    }
    return draw(LATER, [1.0 / rate] * strokes, **{**features, **more})


@pytest.mark.parametrize(
    ("strokes", "lasted_s", "logged", "told"),
    [
        (100, 13.0, None, False),
        (100, 15.0, None, True),
        (121, 13.0, None, True),
        (121, 13.0, "pump changed", False),
        (88, 15.0, None, False),
        (70, 27.5, None, False),
        (70, 28.5, None, True),
        (70, 28.5, "pump changed", False),
        (200, 91.0, "pump changed", True),
    ],
)
def test_a_prime_is_missed_after_the_strokes_or_the_time_that_no_sound_one_takes(
    known: Context, strokes: int, lasted_s: float, logged: str | None, *, told: bool
):
    """A sound prime with the line open takes one to three times the suction line's strokes, by the
    gas-compressor law: of one that takes 20 to fill, 90 are too many and 120 without doubt."""
    known.scales = replace(known.scales, prime_strokes=20.0)
    if logged:
        known.notes[logged] = LATER
    found = MissedPrime().update(dry(strokes, lasted_s), known)
    assert (found.presence is Presence.YES) is told


@pytest.mark.parametrize(("shut_s", "told"), [(8.0, True), (0.1, False)])
def test_any_race_with_every_valve_shut_is_gas(known: Context, shut_s: float, *, told: bool):
    """Eight strokes may be a line that primes again, unless nothing is drawn."""
    event = dry(8, 2.0, race_from_pa=0.98 * STALL_PA, race_pa=0.97 * STALL_PA, race_shut_s=shut_s)
    assert (Airlock().update(event, known).presence is Presence.YES) is told


@pytest.mark.parametrize(
    ("share", "told"), [(0.05, True), (0.5, False)], ids=["gone in the noise", "half of it"]
)
def test_a_dip_that_is_gone_needs_no_slope(known: Context, share: float, *, told: bool):
    """What falls from sample to sample is noise then: it says as little for a firm line as for a
    soft one. An open valve is known from the demand signal."""
    event = draw(
        LATER,
        [],
        dip_pa=share * DIP_PA,
        dip_max_pa=share * DIP_PA,
        fall_pa_s=None,
        fall_max_pa_s=0.7 * FALL_PA_S,
        demand_s=6.0,
        open_after_s=4.0,
        sample_s=0.05,
    )
    assert (Airlock().update(event, known).presence is Presence.YES) is told


@pytest.mark.parametrize(("sample_s", "told"), [(0.05, True), (0.1, False)])
def test_strokes_in_step_with_the_samples_miss_as_much_of_every_dip(
    known: Context, sample_s: float, *, told: bool
):
    """A dip that falls within one sample is read too shallow by a share that stays for a draw."""
    less = {"dip_pa": 0.77 * DIP_PA, "dip_max_pa": 0.78 * DIP_PA, "sample_s": sample_s}
    slopes = {"fall_pa_s": 0.8 * FALL_PA_S, "fall_max_pa_s": 0.8 * FALL_PA_S}
    event = draw(LATER, [INTERVAL_S] * 6, **less, **slopes)
    assert (Airlock().update(event, known).presence is Presence.YES) is told


@pytest.mark.parametrize(("soft_before", "told"), [(False, True), (True, False)])
def test_after_a_single_soft_stroke_the_gas_may_have_passed(
    known: Context, *, soft_before: bool, told: bool
):
    """One stroke has no time between strokes that would tell of a gulp."""
    dip = (0.4 if soft_before else 1.0) * DIP_PA
    before = draw(LATER, [], dip_pa=dip, dip_max_pa=dip)
    soft = {"dip_pa": 0.4 * DIP_PA, "dip_max_pa": 0.4 * DIP_PA}
    slopes = {"fall_pa_s": 0.4 * FALL_PA_S, "fall_max_pa_s": 0.4 * FALL_PA_S}
    after = draw(LATER + 300.0, [INTERVAL_S] * 2, **soft, **slopes)
    assert tells(Airlock(), [before, after], known) is told


@pytest.mark.parametrize(
    ("rest_s", "before", "strokes", "told"),
    [
        (900.0, 1, 3, False),
        (30.0, 1, 3, True),
        (900.0, 7, 3, True),
        (900.0, 1, 4, True),
    ],
    ids=["first strokes", "a short rest", "the gas would have passed", "strokes enough"],
)
@pytest.mark.parametrize("quick", [1.0, 3.0], ids=["soft", "and quick"])
def test_the_first_strokes_after_a_rest_may_carry_a_drum_changes_gas(
    known: Context, rest_s: float, before: int, strokes: int, quick: float, *, told: bool
):
    soft = {"dip_pa": 0.3 * DIP_PA, "dip_max_pa": 0.3 * DIP_PA}
    slopes = {"fall_pa_s": 0.3 * FALL_PA_S, "fall_max_pa_s": 0.3 * FALL_PA_S}
    first = draw(LATER, [INTERVAL_S] * (before - 1), rest_before_s=rest_s)
    short = [INTERVAL_S / quick] * (strokes - 1)
    event = draw(LATER + 60.0, short, rest_before_s=30.0, **soft, **slopes)
    assert tells(Airlock(), [first, event], known) is told


def more(times: float, strokes: int, k: int, **features: float) -> Episode:
    """A draw that takes so many times the strokes."""
    return draw(LATER + 200.0 * k, [INTERVAL_S / times] * (strokes - 1), **features)


def test_how_far_two_and_three_draws_lie_apart():
    """The studentized range with its spread known (scipy.stats as the reference)."""
    for n, limit in ((2, PAIR_95), (3, THREE_95)):
        assert limit == pytest.approx(studentized_range.ppf(0.95, n, 1e6), abs=0.005)


@pytest.mark.parametrize(
    ("strokes", "times", "told"),
    [
        ((3, 2), (1.17, 1.172), True),
        ((2, 2), (1.17, 1.172), False),
        ((3, 2), (1.17, 1.14), False),
    ],
    ids=["five strokes alike", "four strokes", "not alike"],
)
def test_two_draws_are_enough_for_wear_that_is_plain(
    known: Context, strokes: tuple[int, ...], times: tuple[float, ...], *, told: bool
):
    draws = [more(x, n, k) for k, (x, n) in enumerate(zip(times, strokes, strict=True))]
    assert tells(Worn(), draws, known) is told


def test_a_bay_that_hurries_some_strokes_is_no_wear(known: Context):
    hurried = [INTERVAL_S] * 6 + [INTERVAL_S / 2.0, INTERVAL_S / 1.5]
    draws = [draw(LATER + 200.0 * k, hurried) for k in range(4)]
    flow = known.at_pressure("conductance", draws[0])
    assert flow is not None
    assert flow.ratio > Worn().more_share
    assert not tells(Worn(), draws, known)


@pytest.mark.parametrize(
    ("dip_share", "told"), [(1.0, False), (0.7, True)], ids=["another outlet", "gas"]
)
def test_what_heals_with_firm_dips_was_another_outlet(
    known: Context, dip_share: float, *, told: bool
):
    """Wear does not heal. Afterwards, three such draws may be that outlet again."""
    events = [more(1.15, 4, 0, dip_pa=dip_share * DIP_PA), more(1.0, 4, 1)]
    events += [more(1.15, 4, k) for k in (2, 3, 4)]
    assert tells(Worn(), events, known) is told


@pytest.mark.parametrize(
    ("quick", "strokes", "told"),
    [
        ((0.02, 0.60, 0.40), 10, True),
        ((0.02, 0.60, 0.40), 4, False),
        ((0.02, 0.60, 0.20), 10, False),
    ],
    ids=["a joint", "no more than a drum change brings", "carried off"],
)
def test_more_gas_than_the_suction_line_holds_comes_from_a_joint(
    known: Context, quick: tuple[float, ...], strokes: int, *, told: bool
):
    """Nine strokes of gas in two draws, of a line that four of them fill. Less of it, and
    strokes that are a third less quick than the draw before was are the end of it."""
    assert known.scales.prime_strokes == pytest.approx(4.25, abs=0.01)
    spread = [1.3, 0.7, 1.2, 0.8] * 3
    draws = [
        draw(
            LATER + 200.0 * k,
            [INTERVAL_S * (1.0 - x * y) for y in spread[: strokes - 1]],
            dip_pa=0.6 * DIP_PA,
            asymmetry=0.4,  # not by each draw alone
        )
        for k, x in enumerate(quick)
    ]
    assert tells(AirInSuction(), draws, known) is told


@pytest.mark.parametrize(
    ("between", "told"), [((1.0, 2.7), False), ((0.59, 1.0), True)], ids=["a pause", "a side"]
)
def test_a_pause_within_a_draw_tells_of_no_ball(
    known: Context, between: tuple[float, float], *, told: bool
):
    """Three strokes, two, four: what alternates comes again on the same side."""
    shares = (between, (1.0,), (1.0, 0.59, 1.0))
    strokes = [[x * INTERVAL_S for x in each] for each in shares]
    draws = [draw(LATER + 200.0 * k, each) for k, each in enumerate(strokes)]
    assert tells(BallLeak(), draws, known) is told


@pytest.mark.parametrize(("sound", "told"), [(0, True), (1, True), (9, False)])
def test_shallow_single_strokes_are_a_leak_unless_chance_brings_as_many(
    known: Context, sound: int, *, told: bool
):
    """One draw in twenty ends in the middle of its dip. Three of four, and three of twelve, by the
    binomial law (scipy.stats as the reference)."""
    assert bool(binom.sf(2, 3 + sound, 0.05) < 0.001) is told
    gaps = np.random.default_rng(4).permutation([20.0 * 1.35**k for k in range(3 + sound)])
    dips = [1.0] * sound + [0.3] * 3
    events = [
        replace(draw(LATER + at, [], dip_pa=share * DIP_PA, fell_pa=0.0), what="idle strokes")
        for at, share in zip(np.cumsum(gaps), dips, strict=True)
    ]
    assert tells(NoDemand(), events, known) is told


@pytest.mark.parametrize("moved", [True, False])
def test_a_set_point_is_followed_by_what_single_strokes_show(known: Context, *, moved: bool):
    """A pump whose draws are single strokes learns no stall by them: the jump is seen between two
    of them. What was usual before it no longer counts."""
    known.usual["stall_after_pa"] = Usual()
    known.announce(LATER)
    for k, stall in enumerate((STALL_PA, 0.5 * STALL_PA if moved else 0.98 * STALL_PA)):
        known.hear(draw(LATER + 60.0 * k, [], stall_after_pa=stall))
    assert (known.of("dip_pa") is None) is moved


@pytest.mark.parametrize("strokes", [1, 4])
def test_single_deep_strokes_are_no_ice(known: Context, strokes: int):
    """A wider outlet digs deeper dips; how wide they are takes two strokes to tell."""
    deep = {"dip_pa": 1.6 * DIP_PA, "dip_s": 0.45 if strokes > 1 else None}
    draws = [draw(LATER + 200.0 * k, [INTERVAL_S] * (strokes - 1), **deep) for k in range(3)]
    assert tells(Icing(), draws, known) is (strokes > 1)


@pytest.mark.parametrize(("dip_cv", "told"), [(0.02, True), (0.5, False)])
def test_gas_is_told_only_by_dips_that_are_softer_than_they_vary(dip_cv: float, *, told: bool):
    context = known_pump(dip_cv=dip_cv)
    ragged = [x * INTERVAL_S for x in (0.8, 0.6, 0.75, 0.55, 0.85, 0.65)]
    soft = {"dip_pa": 0.85 * DIP_PA, "dip_max_pa": 0.9 * DIP_PA}
    draws = [draw(LATER + 200.0 * k, ragged, **soft) for k in range(3)]
    assert tells(AirInSuction(), draws, context) is told


@pytest.mark.parametrize(("bore_m", "told"), [(0.0095, True), (0.032, False)])
def test_a_drum_change_may_leave_the_gas_of_a_dip_tubes_foot(bore_m: float, *, told: bool):
    """0.3 m of 32 mm tube holds 241 mL, four strokes of this pump."""
    context = known_pump()
    suction = context.pump.suction.model_copy(update={"bore_m": bore_m})
    context.pump = context.pump.model_copy(update={"suction": suction})
    ragged = [x * INTERVAL_S for x in (0.8, 0.6, 0.75)]
    draws = [draw(LATER + 200.0 * k, ragged, dip_pa=0.6 * DIP_PA) for k in range(3)]
    assert tells(AirInSuction(), draws, context) is told


@pytest.mark.parametrize(
    ("demand_share", "before_share", "told"),
    [(0.98, 1.0, True), (1.4, 1.0, False), (0.98, 0.6, True)],
    ids=["at its stall", "above it", "a line that had seeped down"],
)
def test_strokes_that_lift_the_line_to_more_air_are_not_gas(
    known: Context, demand_share: float, before_share: float, *, told: bool
):
    quick = {"stall_before_pa": before_share * STALL_PA}
    quick |= {"demand_pa": demand_share * STALL_PA, "dip_pa": 0.2 * DIP_PA}
    event = draw(LATER, [INTERVAL_S / 3.0] * 3, dip_max_pa=0.2 * DIP_PA, **quick)
    assert idle_gas(event, known) is told


@pytest.mark.parametrize(
    ("high_pa", "window_s", "told"),
    [(18.0, 60.0, True), (70.0, 8.0, False), (12.0, 1.0, False)],
    ids=["noise", "a step", "one second"],
)
def test_a_line_that_moved_is_not_noisy(
    known: Context, high_pa: float, window_s: float, *, told: bool
):
    """A minute at 20 Hz of normal noise spans 1.7 times what a second does."""
    rest = {
        "level_pa": 400_000.0,
        "low_pa": 400_000.0,
        "high_pa": 400_000.0 + high_pa * PA_PER_PSI,
        "swing_pa": 11.0 * PA_PER_PSI,
        "window_s": window_s,
    }
    event = Episode("p", "dead-head", LATER, LATER + window_s, False, 0, rest)
    assert (PressureSensor().update(event, known).presence is Presence.YES) is told


@pytest.mark.parametrize(
    ("stall_share", "held", "told"),
    [(1.0, False, True), (1.4, False, False), (1.4, True, True)],
    ids=["at its stall", "more air", "a line that always holds a surge"],
)
def test_dips_that_grow_with_the_air_are_no_ice(
    known: Context, stall_share: float, *, held: bool, told: bool
):
    if held:
        known.usual["stall_after_pa"] = Usual()
        for _ in range(20):
            known.usual["stall_after_pa"].add(stall_share * STALL_PA)
        known.scales = replace(known.scales, stall_pa=STALL_PA)
    deep = {"dip_pa": 1.6 * DIP_PA, "dip_s": 0.45, "stall_after_pa": stall_share * STALL_PA}
    draws = [draw(LATER + 200.0 * k, [INTERVAL_S] * 6, **deep) for k in range(3)]
    assert tells(Icing(), draws, known) is told


@pytest.mark.parametrize(("width_s", "told"), [(0.15, False), (0.6, True)])
def test_a_dip_that_grows_by_one_sample_is_no_ice(width_s: float, *, told: bool):
    """Without a history, a width of two samples or three half-way through a run says nothing."""
    site = known_pump()
    new = Context(site.site, site.pump, site.scales)
    grown = {"dip_s": width_s, "trend_dip_s": 1.5, "trend_rate": 0.97, "sample_s": 0.05}
    event = draw(LATER, [INTERVAL_S] * 12, stall_after_pa=new.stall_pa, **grown)
    assert (Icing().update(event, new).presence is Presence.YES) is told


HEALS = [0.5, 0.4, 0.6, 0.65, 0.75, 0.8, 0.9, 0.92] + [1.0, 0.99, 1.01, 0.98, 1.0, 0.99] * 2
RAGGED = [0.5, 0.9, 0.4, 0.95, 0.6, 0.85, 0.45, 0.9] + [1.0, 0.99, 1.01, 0.98, 1.0, 0.99] * 2


@pytest.mark.parametrize(("shares", "told"), [(HEALS, True), (RAGGED, False)])
def test_strokes_that_are_back_to_the_usual_have_healed(
    known: Context, shares: list[float], *, told: bool
):
    """Sound strokes jitter by a percent: that does not undo the burst before them."""
    strokes = [x * INTERVAL_S for x in shares]
    draws = [
        draw(LATER + 1000.0 * k, strokes, dip_pa=0.6 * DIP_PA, rest_before_s=900.0)
        for k in range(2)
    ]
    assert tells(LostPrime(), draws, known) is told


@pytest.mark.parametrize(
    ("rest_s", "dip_share", "told"),
    [(900.0, 0.5, True), (70.0, 0.5, False), (900.0, 1.1, False)],
    ids=["a suction line that ran empty", "a short rest", "two bays at once"],
)
def test_a_draw_that_ended_on_gas_counts_after_a_rest_of_minutes(
    known: Context, rest_s: float, dip_share: float, *, told: bool
):
    strokes = [x * INTERVAL_S for x in (0.45, 0.25, 0.55, 0.3, 0.5, 0.28)]
    soft = {"dip_pa": dip_share * DIP_PA, "rest_before_s": rest_s}
    gas = [draw(LATER + 2000.0 * k, strokes, **soft) for k in range(2)]
    sound = draw(LATER + 1000.0, [INTERVAL_S] * 4, rest_before_s=10.0)
    assert tells(LostPrime(), [gas[0], sound, gas[1]], known) is told


@pytest.mark.parametrize("logged", [False, True])
def test_a_logged_change_of_drum_explains_the_gas_before_it(known: Context, *, logged: bool):
    strokes = [x * INTERVAL_S for x in (0.3, 0.3, 0.3, 0.6, 0.95, 1.0, 1.0)]
    first, second = (
        draw(LATER + 1000.0 * k, strokes, rest_before_s=900.0, dip_pa=0.6 * DIP_PA)
        for k in range(2)
    )
    watch = PumpWatch(known.site, known.pump)
    detector = next(d for d in watch.detectors if isinstance(d, LostPrime))
    assert detector.update(first, known).presence is not Presence.YES
    if logged:
        watch.note("drum changed", second.start_ts - 60.0)
    assert (detector.update(second, known).presence is Presence.YES) is not logged


@pytest.mark.parametrize("logged", [False, True])
def test_after_a_logged_change_of_drum_soft_dips_are_gas_on_its_way(
    known: Context, *, logged: bool
):
    soft = {"dip_pa": 0.4 * DIP_PA, "dip_max_pa": 0.42 * DIP_PA}
    event = draw(LATER, [INTERVAL_S] * 6, fall_max_pa_s=0.4 * FALL_PA_S, **soft)
    detector = Airlock()
    if logged:
        detector.gulped(LATER - 600.0)
    found = detector.update(event, known)
    assert (found.presence is Presence.YES) is not logged


@pytest.mark.parametrize("logged", [False, True])
def test_a_logged_change_of_drum_begins_the_count_of_gassy_draws_anew(
    known: Context, *, logged: bool
):
    ragged = [x * INTERVAL_S for x in (0.8, 0.6, 0.95, 0.55, 0.85, 0.98)]
    firm = {"dip_pa": 0.7 * DIP_PA, "interval_cv": 0.2}
    first, second = (draw(LATER + 200.0 * k, ragged, **firm) for k in range(2))
    detector = AirInSuction(soft_share=0.5)  # by the draws, not by their strokes end to end
    assert detector.update(first, known).presence is not Presence.YES
    known.learn(first)
    if logged:
        detector.gulped(second.start_ts)
    assert (detector.update(second, known).presence is Presence.YES) is not logged
