"""Each fault leaves its signature in the trace and nothing else does; two pumps, same draws."""

from dataclasses import dataclass, replace

import numpy as np
import pytest

from edge.virtual.faults import EFFECTS, MEANING, SENSOR_KINDS, VARIANTS
from edge.virtual.run import Fitted, simulate
from edge.virtual.spec import PSI, Draw, Fault, PumpSpec, draw_family

T0 = 1_700_000_000.0
PERIOD_S, LENGTH_S, COUNT = 75.0, 30.0, 7
ONSET = T0 + PERIOD_S
DRAWS = [Draw(T0 + 20 + PERIOD_S * i, T0 + 20 + LENGTH_S + PERIOD_S * i) for i in range(COUNT)]
SPECS = {"default": PumpSpec(lift_m=0.8), "family": draw_family(105)}
KINDS = (
    "running with no demand", "missed prime", "airlock", "low air", "high air", "air sag",
    "wet air / icing", "air valve stalled", "lost prime", "restricted suction", "air in suction",
    "drum empty", "no flow on demand", "leaking check ball", "ruptured diaphragm", "worn pump",
    "pressure sensor fault", "stroke counter fault", "node silent",
)  # fmt: skip


@dataclass(frozen=True)
class Look:
    rate: float
    first_rate: float
    mean_psi: float
    swing_psi: float
    stall_psi: float
    idle_strokes: int
    asymmetry: float


def look(trace, draws):
    """Averages over the given draws and the rests after them."""
    times, psi, strokes = trace.times(), trace.pressure_pa / PSI, trace.stroke_ts
    rates, firsts, means, swings, stalls, uneven, idle = [], [], [], [], [], [], 0
    for draw in draws:
        inside = (times >= draw.start_ts + 4) & (times < draw.end_ts)
        rest = (times >= draw.end_ts + 20) & (times < draw.start_ts + PERIOD_S)
        own = strokes[(strokes >= draw.start_ts) & (strokes < draw.end_ts)]
        rates.append(len(own) / LENGTH_S)
        firsts.append(np.sum(own < draw.start_ts + 5) / 5.0)
        means.append(np.nanmean(psi[inside]))
        swings.append(np.nanmax(psi[inside]) - np.nanmin(psi[inside]))
        stalls.append(np.nanmedian(psi[rest]))
        idle += np.sum((strokes >= draw.end_ts + 2) & (strokes < draw.start_ts + PERIOD_S))
        gaps = np.diff(own)[: len(own[1:]) // 2 * 2]
        if len(gaps):
            a, b = gaps[::2].mean(), gaps[1::2].mean()
            uneven.append(abs(a - b) / (a + b))
    return Look(
        np.mean(rates), np.mean(firsts), np.mean(means), np.mean(swings), np.mean(stalls),
        int(idle), np.mean(uneven) if uneven else 0.0,
    )  # fmt: skip


def run(spec, faults=(), draws=DRAWS, count=COUNT):
    return simulate(
        spec,
        draws,
        faults,
        t0_ts=T0,
        duration_s=PERIOD_S * count,
        seed=4,
        fitted=Fitted(True, True),
    )


@pytest.fixture(scope="module", params=["default", pytest.param("family", marks=pytest.mark.slow)])
def pump(request):
    """A plain pump, and with the slow tests one of a family."""
    spec = SPECS[request.param]
    return spec, look(run(spec), DRAWS[2:])


def with_fault(pump, kind, variant="", severity=0.5):
    spec, healthy = pump
    fault = Fault(kind, ONSET, severity=severity, variant=variant)
    return healthy, look(run(spec, [fault]), DRAWS[2:])


def test_every_kind_is_there_and_says_what_moderate_means():
    assert set(MEANING) == set(KINDS)
    assert set(EFFECTS) | set(SENSOR_KINDS) == set(KINDS)
    assert set(VARIANTS) <= set(KINDS)


def test_before_its_onset_a_fault_changes_nothing():
    onset_ts = T0 + PERIOD_S + 30.0  # in the second draw

    def short(faults):
        return simulate(PumpSpec(), DRAWS, faults, t0_ts=T0, duration_s=107.0, seed=4)

    plain = short([])
    for kind in KINDS:
        for variant in VARIANTS.get(kind, ("",)):
            faulty = short([Fault(kind, onset_ts, variant=variant)])
            until = round((onset_ts - T0) * 20)
            np.testing.assert_allclose(
                faulty.pressure_pa[:until], plain.pressure_pa[:until], atol=1.0, err_msg=kind
            )
            assert faulty.truth[0].kind == kind


def test_level_ramps_and_ends():
    fault = Fault("low air", 100.0, 50.0, 0.8, 200.0)
    assert [fault.level(t) for t in (99.9, 100.0, 125.0, 150.0, 199.9, 200.0)] == [
        0.0, 0.0, 0.4, 0.8, 0.8, 0.0,
    ]  # fmt: skip


def test_leak_strokes_at_rest_with_the_line_at_stall(pump):
    healthy, leaky = with_fault(pump, "running with no demand")
    # 60 mL/min over 5 rests of 43 s is 215 mL.
    assert leaky.idle_strokes == pytest.approx(215 / pump[0].displacement_ml, rel=0.4, abs=2)
    assert healthy.idle_strokes == 0
    assert leaky.stall_psi == pytest.approx(healthy.stall_psi, abs=4)


def test_missed_prime_races_and_never_builds_pressure(pump):
    healthy, dry = with_fault(pump, "missed prime")
    assert dry.rate > 5 * healthy.rate
    assert dry.mean_psi < 0.6 * healthy.mean_psi
    assert dry.idle_strokes > 200


def test_airlock_strokes_more_for_the_same_and_swings_less(pump):
    healthy, locked = with_fault(pump, "airlock")
    assert locked.rate > 1.8 * healthy.rate
    assert locked.swing_psi < 0.5 * healthy.swing_psi
    assert locked.stall_psi == pytest.approx(healthy.stall_psi, abs=3)


def test_locked_airlock_races_at_rest_with_pressure_held(pump):
    _, locked = with_fault(pump, "airlock", "locked")
    assert locked.idle_strokes > 200
    assert locked.stall_psi > 0.8 * pump[0].set_pa / PSI


def test_gas_slug_softens_dips_only(pump):
    healthy, soft = with_fault(pump, "airlock", "slug")
    assert soft.swing_psi < 0.5 * healthy.swing_psi
    assert soft.rate == pytest.approx(healthy.rate, rel=0.05)


def test_low_and_high_air_move_the_stall(pump):
    set_psi = pump[0].set_pa / PSI
    healthy, low = with_fault(pump, "low air")
    assert healthy.stall_psi - low.stall_psi == pytest.approx(0.25 * set_psi, rel=0.25)
    assert low.rate < 0.93 * healthy.rate
    _, high = with_fault(pump, "high air")
    assert high.stall_psi == pytest.approx(114, abs=4)


def test_low_air_hides_behind_the_balls_until_the_next_draw():
    spec = PumpSpec(seep_s=1e9)
    one = [Draw(T0 + 20, T0 + 60), Draw(T0 + 500, T0 + 540)]
    psi = run(spec, [Fault("low air", T0 + 100)], one, 9).pressure_pa / PSI
    assert psi[20 * 490] > 57
    assert np.median(psi[20 * 600 :]) < 50


@pytest.mark.parametrize("variant", ["", "hose"])
def test_sag_takes_the_draw_but_not_the_stall(pump, variant):
    healthy, sag = with_fault(pump, "air sag", variant)
    assert sag.mean_psi < 0.93 * healthy.mean_psi
    assert sag.rate < healthy.rate
    assert sag.stall_psi == pytest.approx(healthy.stall_psi, abs=5)


def test_sag_shows_in_the_air_channel():
    trace = run(PumpSpec(), [Fault("air sag", ONSET)])
    assert trace.air_pa is not None
    assert trace.demand is not None
    after = trace.times() > ONSET + 60
    drawing = after & (trace.demand > 0.5)
    assert np.percentile(trace.air_pa[drawing], 10) < 50 * PSI
    assert np.max(trace.air_pa[after]) == pytest.approx(60 * PSI, rel=0.02)


def test_ice_slows_a_long_run_and_thaws_at_rest():
    spec = SPECS["default"]
    long = [Draw(T0 + 20, T0 + 620), Draw(T0 + 1700, T0 + 1760)]
    trace = simulate(
        spec, long, [Fault("wet air / icing", T0)], t0_ts=T0, duration_s=1800.0, seed=1
    )

    def rate(start_s, end_s):
        hits = (trace.stroke_ts >= T0 + start_s) & (trace.stroke_ts < T0 + end_s)
        return hits.sum() / (end_s - start_s)

    assert rate(500, 620) < 0.85 * rate(20, 60)
    assert rate(1700, 1740) > 0.93 * rate(20, 60)


def test_stalled_air_valve_stops_with_the_line_empty(pump):
    _, stalled = with_fault(pump, "air valve stalled")
    assert stalled.rate == 0
    assert stalled.mean_psi < 4


def test_lost_prime_bursts_more_after_longer_rest():
    spec = SPECS["default"]

    def burst(rest_s):
        draws = [Draw(T0 + 20, T0 + 60), Draw(T0 + 60 + rest_s, T0 + 120 + rest_s)]
        trace = simulate(
            spec, draws, [Fault("lost prime", T0)], t0_ts=T0, duration_s=rest_s + 130.0, seed=2
        )
        start = draws[1].start_ts
        gaps = np.diff(trace.stroke_ts[trace.stroke_ts >= start])
        return np.sum(gaps < 0.6 * np.median(gaps))

    assert burst(60) <= burst(600)
    assert burst(900) >= 2
    assert burst(900) == pytest.approx(burst(3600), abs=2)


def test_restricted_suction_loses_pressure_in_the_draw_only(pump):
    healthy, starved = with_fault(pump, "restricted suction")
    assert healthy.mean_psi - starved.mean_psi > 4
    assert starved.stall_psi == pytest.approx(healthy.stall_psi, abs=5)
    assert starved.idle_strokes == 0


def test_air_in_suction_is_ragged(pump):
    spec, healthy = pump
    trace = run(spec, [Fault("air in suction", ONSET)])
    ragged = look(trace, DRAWS[2:])
    assert ragged.rate > 1.15 * healthy.rate

    def spread(ts):
        gaps = np.diff(ts)
        gaps = gaps[gaps < 20]
        return gaps.std() / gaps.mean()

    assert spread(trace.stroke_ts[trace.stroke_ts > ONSET]) > 2 * spread(
        trace.stroke_ts[trace.stroke_ts < ONSET]
    )


def test_empty_drum_turns_dry_after_what_the_hose_holds(pump):
    spec, healthy = pump
    trace = run(spec, [Fault("drum empty", ONSET)])
    dry = look(trace, DRAWS[-3:])
    assert dry.rate > 5 * healthy.rate
    assert dry.mean_psi < 0.6 * healthy.mean_psi
    later = trace.stroke_ts[trace.stroke_ts > ONSET]
    fast = np.flatnonzero(np.diff(later) < 0.5 / max(healthy.rate, 0.02))
    assert fast[0] >= spec.suction_volume_ml / spec.displacement_ml - 2


def test_blocked_outlet_does_not_stroke_and_only_a_plugged_tip_dips(pump):
    healthy, plugged = with_fault(pump, "no flow on demand")
    _, shut = with_fault(pump, "no flow on demand", "valve")
    for blocked in (plugged, shut):
        assert blocked.rate <= 0.1 * healthy.rate
        assert blocked.stall_psi > 0.85 * pump[0].set_pa / PSI
    assert shut.swing_psi < 1.5


@pytest.mark.parametrize("variant", ["", "outlet"])
def test_one_leaking_ball_alternates(pump, variant):
    healthy, uneven = with_fault(pump, "leaking check ball", variant)
    assert uneven.asymmetry > 0.05
    assert healthy.asymmetry < 0.04
    assert uneven.rate > healthy.rate


def test_torn_diaphragm_alternates_and_soaks_the_line_with_air(pump):
    spec, healthy = pump
    trace = run(spec, [Fault("ruptured diaphragm", ONSET)])
    torn = look(trace, DRAWS[2:])
    assert torn.asymmetry > 0.1
    assert torn.rate > 1.3 * healthy.rate
    assert trace.books["out_gas"] > 1e-5


def test_wear_strokes_more_alike_on_every_draw(pump):
    healthy, worn = with_fault(pump, "worn pump")
    assert worn.rate / healthy.rate == pytest.approx(1 / 0.85, rel=0.06)
    assert worn.asymmetry < 0.05


def test_pressure_sensor_forms():
    plain = run(PumpSpec())
    after = plain.times() > ONSET + 1

    def seen(variant):
        trace = run(PumpSpec(), [Fault("pressure sensor fault", ONSET, variant=variant)])
        np.testing.assert_array_equal(trace.stroke_ts, plain.stroke_ts)
        return trace.pressure_pa[after] / PSI

    assert np.ptp(seen("")) == 0
    assert np.median(seen("offset") - plain.pressure_pa[after] / PSI) == pytest.approx(12, abs=0.2)
    assert seen("range").min() > 155
    assert np.std(np.diff(seen("noise"))) > 20 * 0.05


def test_counter_forms():
    plain = run(PumpSpec())

    def counted(variant):
        trace = run(PumpSpec(), [Fault("stroke counter fault", ONSET, variant=variant)])
        return trace.stroke_ts[trace.stroke_ts > ONSET]

    true = plain.stroke_ts[plain.stroke_ts > ONSET]
    assert len(counted("")) == 0
    bounced = counted("bounce")
    assert 1.6 * len(true) < len(bounced) < 2 * len(true)
    assert np.sum(np.diff(bounced) < 0.040) == len(bounced) - len(true)
    assert 0.3 * len(true) < len(counted("missing")) < 0.7 * len(true)


def test_silent_node_is_marked_and_sends_nothing():
    trace = run(PumpSpec(), [Fault("node silent", ONSET, end_ts=ONSET + 100)])
    assert trace.silence == ((ONSET, ONSET + 100),)
    assert (~trace.sent()).sum() == 2000


def test_faults_heal_when_they_end():
    spec = SPECS["default"]
    healthy = look(run(spec), DRAWS[-2:])
    for kind in ("low air", "restricted suction", "airlock", "missed prime", "drum empty"):
        healed = look(run(spec, [Fault(kind, ONSET, end_ts=ONSET + 100)]), DRAWS[-2:])
        assert healed.rate == pytest.approx(healthy.rate, rel=0.3), kind
        assert healed.stall_psi == pytest.approx(healthy.stall_psi, abs=4), kind


def test_severity_is_monotone_where_it_is_a_size():
    spec = replace(SPECS["default"], seep_s=20.0)
    for kind in ("low air", "restricted suction", "air sag"):
        means = [
            look(run(spec, [Fault(kind, ONSET, severity=s)], count=5), DRAWS[2:5]).mean_psi
            for s in (0.1, 0.5, 1.0)
        ]
        assert means[0] > means[1] > means[2], kind
