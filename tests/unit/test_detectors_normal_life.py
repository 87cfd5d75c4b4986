"""What looks like a fault for a draw or two and is none: each with the fault it looks like."""

from dataclasses import replace

import numpy as np
import pytest
from draw_kit import (
    DEMAND_PA,
    DIP_PA,
    FALL_PA_S,
    INTERVAL_S,
    LATER,
    PUMP,
    SAW_S,
    STALL_PA,
    draw,
    known_pump,
    lives,
)
from scipy.integrate import quad
from scipy.stats import norm

from monitor.advice.kinds import Kind
from monitor.detectors.air_in_suction import AirInSuction
from monitor.detectors.airlock import Airlock
from monitor.detectors.ball_leak import BallLeak
from monitor.detectors.baseline import MANY_STROKES, Baseline
from monitor.detectors.context import Context
from monitor.detectors.drum_empty import DrumEmpty
from monitor.detectors.finding import Finding, Presence
from monitor.detectors.high_air import HighAir
from monitor.detectors.icing import Icing
from monitor.detectors.lost_prime import LostPrime
from monitor.detectors.racing import race
from monitor.detectors.stroke_counter import StrokeCounter
from monitor.detectors.undelivered import RANGE_TO_SIGMA, idle_gas
from monitor.detectors.watch import SOUND_DRAWS, PumpWatch
from monitor.detectors.worn import Worn
from monitor.signals.types import Episode
from monitor.site import Site
from monitor.units import PA_PER_PSI

SOFT = {"dip_pa": 0.5 * DIP_PA, "dip_max_pa": 0.55 * DIP_PA}
RAGGED = (1.0, 0.75, 1.2, 0.85, 1.1)


# ---------------------------------------------------------------- gas of a drum change


@pytest.mark.parametrize(
    ("shares", "told"),
    [((0.7, 0.7, 0.7), True), ((0.65, 0.85, 0.93), False)],
    ids=["gas that keeps coming", "gas that is carried off"],
)
def test_gas_that_fades_from_draw_to_draw_was_left_by_a_drum_change(
    known: Context, shares: tuple[float, ...], *, told: bool
):
    """Each draw carries a share of it off; a joint goes on letting air in."""
    draws = [
        draw(LATER + 100.0 * k, [share * x * INTERVAL_S for x in RAGGED], **SOFT)
        for k, share in enumerate(shares)
    ]
    assert (Presence.YES in lives(AirInSuction(), draws, known)) is told


def test_four_quick_strokes_alike_are_a_second_bay_though_gas_is_left(known: Context):
    """Two outlets halve every stroke's time; gas that comes in does it unevenly."""
    gas = draw(LATER, [0.6 * x * INTERVAL_S for x in RAGGED], **SOFT)
    bay = [0.9, 0.97, 0.5, 0.502, 0.498, 0.501, 0.5, 0.95]
    two = draw(LATER + 100.0, [x * INTERVAL_S for x in bay], **SOFT)
    assert Presence.YES not in lives(AirInSuction(), [gas, two], known)


def burst(ts: float, rest_s: float) -> Episode:
    """A draw whose first four strokes moved gas, the rest liquid."""
    strokes = [0.15, 0.15, 0.2, 0.3, 0.9, 1.0, 1.0, 1.0]
    return draw(ts, [x * INTERVAL_S for x in strokes], rest_before_s=rest_s)


def sound(ts: float, rest_s: float) -> Episode:
    return draw(ts, [INTERVAL_S] * 6, rest_before_s=rest_s)


@pytest.mark.parametrize(
    ("between_s", "told"), [(600.0, True), (2500.0, False)], ids=["shorter rest", "longer rest"]
)
def test_a_sound_draw_after_as_long_a_rest_takes_a_burst_back(
    known: Context, between_s: float, *, told: bool
):
    """The longer the rest, the more of the line a foot valve lets run empty."""
    draws = [burst(LATER, 2000.0), sound(LATER + 5e3, between_s), burst(LATER + 3e4, 9000.0)]
    assert (lives(LostPrime(), draws, known)[-1] is Presence.YES) is told


@pytest.mark.parametrize(
    ("rest_s", "told"), [(90.0, False), (900.0, True)], ids=["soon after", "after a long rest"]
)
def test_what_a_draw_had_not_cleared_is_no_second_burst(
    known: Context, rest_s: float, *, told: bool
):
    """The first ended on gas: what comes a minute later is the rest of it."""
    thinning = [x * INTERVAL_S for x in (0.8, 0.6, 0.4, 0.3, 0.2, 0.2, 0.2)]
    first = draw(LATER, thinning, rest_before_s=2000.0, **SOFT)
    assert (Presence.YES in lives(LostPrime(), [first, burst(LATER + 1e3, rest_s)], known)) is told


def test_sides_that_differ_while_dips_are_soft_are_gas_and_no_ball(known: Context):
    strokes = [1.0 * INTERVAL_S, 0.86 * INTERVAL_S] * 4
    leak = [draw(LATER + 100.0 * k, strokes) for k in range(3)]
    gone = {"dip_pa": 0.4 * DIP_PA, "dip_max_pa": 0.5 * DIP_PA}
    gas = [draw(LATER + 100.0 * k, strokes, **gone) for k in range(3)]
    assert Presence.YES in lives(BallLeak(), leak, known_pump())
    assert Presence.YES not in lives(BallLeak(), gas, known)


# ---------------------------------------------------------------- gas in the line


@pytest.mark.parametrize(
    ("saw", "dip", "strokes", "told"),
    [
        (1.9, 0.8, [1.0] * 2, True),
        (1.1, 0.8, [1.0] * 2, False),
        (1.9, 1.0, [1.0] * 2, False),
        (1.9, 0.8, [0.96] * 30, False),
        (1.9, 0.8, [1.06, 1.0], False),
    ],
    ids=["slower", "as ever", "every second tooth", "the strokes brought gas along", "starved"],
)
def test_a_slower_saw_tells_of_gas_that_is_at_rest_in_the_line(
    known: Context, saw: float, dip: float, strokes: list[float], *, told: bool
):
    """Dips are nearly as ever in a hose that is soft already; the saw is not. A pump that is
    starved moves down its outlet's curve: slower strokes, less pressure."""
    event = draw(
        LATER,
        [x * INTERVAL_S for x in strokes],
        saw_s=saw * SAW_S,
        demand_pa=(0.9 if max(strokes) > 1.0 else 1.0) * DEMAND_PA,
        dip_pa=dip * DIP_PA,
        dip_max_pa=1.05 * dip * DIP_PA,
    )
    assert (Airlock().update(event, known).presence is Presence.YES) is told


@pytest.mark.parametrize(
    ("strokes", "told"),
    [((0.5, 0.51), True), ((0.46, 0.21), False), ((0.49, 0.49, 0.7), False)],
    ids=["alike", "one of each", "the last one slower"],
)
def test_two_or_three_quick_strokes_are_gas_at_rest_only_if_alike(
    known: Context, strokes: tuple[float, ...], *, told: bool
):
    """A median deviation of three, two of them alike, is nothing; the range tells."""
    gone = {"dip_pa": 0.1 * DIP_PA, "dip_max_pa": 0.1 * DIP_PA, "fall_max_pa_s": 0.1 * FALL_PA_S}
    event = draw(LATER, [x * INTERVAL_S for x in strokes], **gone)
    assert idle_gas(event, known) is told


@pytest.mark.parametrize(("n", "d2"), list(enumerate(RANGE_TO_SIGMA, start=2)))
def test_the_expected_range_is_that_of_order_statistics(n: int, d2: float):
    """E[range] of n normal values = integral of 1 - F^n - (1 - F)^n (L. Tippett, Biometrika 17,
    1925), integrated by scipy."""
    whole, _ = quad(lambda x: 1.0 - norm.cdf(x) ** n - norm.sf(x) ** n, -9.0, 9.0)
    assert d2 == pytest.approx(whole, abs=1e-3)


def race_of(**more: float) -> Episode:
    """Twelve racing strokes at full pressure, after five whole ones."""
    strokes = [INTERVAL_S] * 5 + [0.25] * 12
    return draw(
        LATER,
        strokes,
        race_strokes=12.0,
        race_rate_hz=4.0,
        race_pa=0.9 * STALL_PA,
        race_swing_pa=0.0,
        race_from_pa=0.97 * STALL_PA,
        race_before_strokes=5.0,
        race_s=3.0,
        **more,
    )


@pytest.mark.parametrize(
    ("shut_s", "from_share", "kind"),
    [
        (None, 0.93, Kind.DRUM_EMPTY),
        (0.1, 0.93, Kind.DRUM_EMPTY),
        (8.0, 0.93, Kind.AIRLOCK),
        (8.0, 0.05, Kind.MISSED_PRIME),
    ],
    ids=["no signal", "a valve was open", "all shut, line full", "all shut, line opened"],
)
def test_a_race_that_begins_with_every_valve_shut_drew_nothing_in(
    known: Context, shut_s: float | None, from_share: float, kind: Kind
):
    signal = {} if shut_s is None else {"race_shut_s": shut_s}
    event = race_of(**signal)
    event.features["race_from_pa"] = from_share * STALL_PA
    found = race(event, known)
    assert found is not None
    assert found.kind is kind


def test_a_rate_that_turns_with_every_valve_shut_is_no_drum(known: Context):
    """Fewer racing strokes than make a race, but the rate has turned within the draw."""
    turned = {
        "race_strokes": 6.0,
        "split_rate_ratio": 32.0,
        "split_before_strokes": 5.0,
        "split_before_pa": DEMAND_PA,
        "split_after_pa": DEMAND_PA,
        "early_rate_hz": 0.25,
        "late_rate_hz": 8.0,
        "asymmetry": 0.0,
    }
    open_, shut = (
        draw(LATER, [INTERVAL_S] * 5 + [0.125] * 6, **turned, race_shut_s=x) for x in (0.1, 8.0)
    )
    assert DrumEmpty().update(open_, known).presence is Presence.YES
    assert DrumEmpty().update(shut, known).presence is not Presence.YES


@pytest.mark.parametrize(
    ("raced", "kind"), [(False, Kind.DRUM_EMPTY), (True, Kind.AIRLOCK)], ids=["softened", "raced"]
)
def test_a_race_that_thins_out_renames_only_what_had_not_raced(
    known: Context, kind: Kind, *, raced: bool
):
    """Gas from the suction softens the line before it is all gas; gas over the balls races first,
    and goes on to race in ways that look like a drum."""
    known.standing[Kind.AIRLOCK] = LATER
    strokes = [INTERVAL_S] * 5 + ([0.25] * 12 if raced else [])
    known.learn(draw(LATER, strokes, race_strokes=12.0 if raced else 0.0))
    thin = [0.8 * INTERVAL_S, 0.5 * INTERVAL_S, 0.4 * INTERVAL_S, 0.8, 0.5, 0.3] + [0.25] * 10
    event = replace(race_of(), stroke_ts=draw(LATER + 300.0, thin).stroke_ts)
    event.features["race_before_strokes"] = 0.0
    found = race(replace(event, start_ts=LATER + 300.0, strokes=len(thin) + 1), known)
    assert found is not None
    assert found.kind is kind


# ---------------------------------------------------------------- bays, valves, held lines


@pytest.mark.parametrize("shows", [True, False], ids=["dips without counts", "a pause"])
def test_strokes_that_are_left_out_leave_their_dips(known: Context, *, shows: bool):
    """Two draws close together seem to lack strokes, three times as long between as usual."""
    detector, said = StrokeCounter(), []
    for k in range(4):
        strokes = [INTERVAL_S, 3.0 * INTERVAL_S, INTERVAL_S, INTERVAL_S, 2.0 * INTERVAL_S]
        dips = {"dips": 9.0 if shows else 6.0, "dip_cv": 0.02}
        event = draw(LATER + 200.0 * k, strokes, **dips)
        said.append(detector.update(event, known).presence)
    assert (Presence.YES in said) is shows


@pytest.mark.parametrize(
    ("demand_psi", "told"), [(97.0, True), (55.1, False)], ids=["air", "a line that holds a surge"]
)
def test_stalls_over_the_limit_are_air_only_if_draws_rise_with_them(demand_psi, *, told: bool):
    """100 psi is the most a pump of the class may have (common practice, no published source). So
    quick a pump loses so much by its curve that air over the limit could leave 55 psi."""
    context, detector, said = known_pump(interval_s=0.25), HighAir(), []
    for k in range(4):
        event = draw(
            LATER + 200.0 * k,
            [0.25] * 8,
            stall_after_pa=112.0 * PA_PER_PSI,
            demand_pa=demand_psi * PA_PER_PSI,
        )
        said.append(detector.update(event, context).presence)
    assert (Presence.YES in said) is told


@pytest.mark.parametrize(
    ("times", "told"),
    [
        ((1.17, 1.172, 1.171), True),
        ((1.4, 1.4, 1.4), False),
        ((1.25, 1.17, 1.11), False),
        ((1.14, 1.105, 1.03), False),
    ],
    ids=["wear", "another outlet", "gas that is carried off", "two alike by chance"],
)
def test_wear_is_the_same_on_every_draw_and_not_a_quarter_at_once(
    known: Context, times: tuple[float, ...], *, told: bool
):
    draws = [draw(LATER + 100.0 * k, [INTERVAL_S / x] * 5) for k, x in enumerate(times)]
    assert (Presence.YES in lives(Worn(), draws, known)) is told


@pytest.mark.parametrize(
    ("pressure_cv", "told"), [(0.001, True), (0.01, False)], ids=["sunk", "as it varies"]
)
def test_dips_that_widen_are_ice_only_where_the_pressure_has_sunk(pressure_cv, *, told: bool):
    """A saw as high as half a dip makes widths jump; ice takes pressure as well."""
    context = known_pump(pressure_cv=pressure_cv)
    draws = [
        draw(LATER + 200.0 * k, [INTERVAL_S] * 5, dip_s=wide, demand_pa=0.975 * DEMAND_PA)
        for k, wide in enumerate((0.5, 0.5, 1.3))
    ]
    assert (lives(Icing(), draws, context)[-1] is Presence.YES) is told


def episode(n: int, strokes: int, **features: float) -> Episode:
    """A draw for the baseline, which looks at features only."""
    event = draw(LATER + 300.0 * n, [INTERVAL_S] * (strokes - 1))
    return replace(event, features={**event.features, **features})


@pytest.mark.parametrize(
    ("strokes", "told"), [(6, False), (MANY_STROKES, True)], ids=["few strokes", "many"]
)
@pytest.mark.parametrize("name", ["ragged", "asymmetry"])
def test_few_strokes_of_overlapping_bays_are_not_ragged(name: str, strokes: int, *, told: bool):
    """A bay that comes and goes makes odd differences; over few strokes they are the median."""
    baseline, rng, said = Baseline("p"), np.random.default_rng(5), []
    for n in range(160):
        odd = abs(rng.normal(0.02, 0.005)) + (0.6 if n >= 120 else 0.0)
        said.append(baseline.update(episode(n, strokes, **{name: odd})))
    assert any(f.presence is Presence.YES for f in said) is told


def test_unusual_stands_until_as_many_draws_deny_it_as_told_it():
    """One alarm of the catch-all, not one for every second bay's draw."""
    watch = PumpWatch(Site(id="s", pumps=(PUMP,)), PUMP)
    watch.context.standing[Kind.UNUSUAL] = LATER
    no = Finding("p", Kind.UNUSUAL, Presence.NO, LATER, LATER)
    passed = [watch._lasts(no) for _ in range(SOUND_DRAWS[Kind.UNUSUAL])]
    assert passed == [False] * (SOUND_DRAWS[Kind.UNUSUAL] - 1) + [True]
