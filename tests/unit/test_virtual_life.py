"""Normal life runs, holds what it says, and stays a healthy pump."""

from dataclasses import replace

import numpy as np
import pytest

from edge.virtual import life
from edge.virtual.life import CASES, FORWARD_TS, SATURDAY_TS
from edge.virtual.spec import PSI


def some_hours(name, seed, begin, end):
    """A scene and its recording between two hours of it, to keep the test quick."""
    whole = CASES[name](seed)
    start_ts = whole.start_ts + begin * 3600.0
    draws = [d for d in whole.draws if d.start_ts >= start_ts + 5.0]
    length_s = (end - begin) * 3600.0
    scene = replace(whole, start_ts=start_ts, duration_s=length_s, draws=draws)
    return scene, life.run(scene, seed)


NAMES = {
    "saturday", "cold morning", "set point", "drum swap", "pump change", "quiet nights",
    "chatter", "network gaps", "clock change", "rare bay",
    "second bay", "high line",
}  # fmt: skip


def test_the_whole_list_is_there():
    assert set(CASES) == NAMES


@pytest.mark.parametrize("name", sorted(NAMES))
@pytest.mark.parametrize("seed", [1, 2])
def test_every_scene_lays_out_without_a_fault(name, seed):
    scene = CASES[name](seed)
    assert len(scene.draws) >= 3
    end_ts = scene.start_ts + scene.duration_s
    assert all(scene.start_ts - 5 <= d.start_ts < d.end_ts <= end_ts + 60 for d in scene.draws)
    assert scene == CASES[name](seed)


def test_a_second_bay_comes_on_the_second_day_with_a_tip_of_its_own():
    scene = CASES["second bay"](1)
    new = [d for d in scene.draws if d.tip_m is not None]
    assert new
    assert min(d.start_ts for d in new) > scene.start_ts + 1.3 * life.DAY_S
    assert {d.tip_m for d in new} != {scene.spec.tip_m}


def test_a_high_line_stays_above_the_air_after_draws():
    scene, trace = some_hours("high line", 2, 5, 9)
    ends = [d.end_ts for d in scene.draws if d.end_ts < trace.end_ts - 5]
    at = [int((ts + 3.0 - trace.t0_ts) / trace.dt_s) for ts in ends]
    assert np.nanmedian(trace.pressure_pa[at]) > scene.spec.set_pa + 2.0 * PSI


def test_saturday_is_busier_than_a_plain_day():
    busy = sum(d.end_ts - d.start_ts for d in CASES["saturday"](2).draws)
    plain = sum(d.end_ts - d.start_ts for d in CASES["network gaps"](2).draws)
    assert busy > 1.5 * plain


def test_set_point_stays_within_20_to_100_psi_and_the_stall_follows():
    for seed in range(20):
        (change,) = CASES["set point"](seed).changes
        assert 20 * PSI < change.value < 100 * PSI
    scene, trace = some_hours("set point", 3, 9, 15)
    (change,) = scene.changes
    last = np.median(trace.pressure_pa[-20 * 600 :])
    assert last == pytest.approx(change.value, rel=0.08, abs=4 * PSI)


@pytest.mark.parametrize("seed", [1, pytest.param(6, marks=pytest.mark.slow)])
def test_a_changed_pump_primes_with_the_line_open_and_then_stalls(seed):
    scene, trace = some_hours("pump change", seed, 9, 13)
    off_ts, refit_ts, _, on_ts = (c.ts for c in scene.changes)
    times, psi = trace.times(), trace.pressure_pa / PSI
    offset = abs(scene.spec.sensor.offset_pa) / PSI + 1.0
    assert np.nanmax(psi[(times > refit_ts + 5) & (times < on_ts - 15)]) < offset
    primed = np.median(psi[(times > on_ts + 90) & (times < on_ts + 110)])
    # The column's swing may leave the line up to 14 psi above the air for minutes.
    assert -5 < primed - scene.spec.set_pa / PSI < 14
    assert np.sum((trace.stroke_ts > off_ts + 1) & (trace.stroke_ts < on_ts - 1)) == 0
    assert trace.restart_ts
    assert trace.totals()[-1] < len(trace.stroke_ts)


@pytest.mark.slow
def test_build_runs_a_whole_scene_by_name():
    scene, trace = life.build("rare bay", 5)
    assert trace.end_ts - trace.t0_ts == pytest.approx(scene.duration_s, rel=1e-3)
    assert trace.truth == ()


def test_gaps_are_left_out_and_the_counter_begins_again():
    scene, trace = life.build("network gaps", 1)
    assert len(scene.silence) == 12
    missing = (~trace.sent()).sum() * trace.dt_s
    assert missing == pytest.approx(sum(b - a for a, b in scene.silence), rel=0.02, abs=5)
    assert np.sum(np.diff(trace.totals()) < 0) == 1


def test_clocks_go_forward_and_the_day_comes_an_hour_sooner():
    scene = CASES["clock change"](2)
    noon_before = [d for d in scene.draws if d.start_ts < FORWARD_TS]
    after = [d for d in scene.draws if d.start_ts >= FORWARD_TS]
    # A tunnel opens at seven on the wall: 07:00 is 24 h less one later.
    first = min(d.start_ts for d in noon_before) - SATURDAY_TS
    second = min(d.start_ts for d in after) - SATURDAY_TS - 86_400
    assert 7 * 3600 <= first < 8.2 * 3600
    assert 6 * 3600 <= second < 7.2 * 3600


def test_cold_makes_the_chemical_thick_but_the_pump_holds():
    _, trace = some_hours("cold morning", 4, 4, 14)
    assert len(trace.stroke_ts) > 100
    gaps = np.diff(trace.stroke_ts)
    assert gaps.min() > 0.3, "nothing races"


@pytest.mark.slow
def test_quiet_nights_drift_with_temperature_and_do_not_stroke():
    scene, trace = some_hours("quiet nights", 3, 0, 29)
    hours = (trace.stroke_ts - scene.start_ts) / 3600 % 24
    assert np.sum((hours > 1) & (hours < 4.5)) == 0
    night = trace.pressure_pa[1_620_000:2_016_000] / PSI
    assert np.ptp(night[::1200]) < 12
