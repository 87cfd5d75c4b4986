"""Recordings as files, sensors, families, draws; the kernel with and without numba."""

import csv
import os
import subprocess
import sys
from dataclasses import fields, replace

import numpy as np
import pytest

from edge.virtual import demand
from edge.virtual.run import Fitted, simulate
from edge.virtual.sensing import Sensing
from edge.virtual.spec import PSI, Change, Draw, Fault, PumpSpec, SensorSpec, draw_family
from edge.virtual.trace import write_recording

T0 = 1_700_000_000.0
DRAWS = [Draw(T0 + 3, T0 + 13), Draw(T0 + 30, T0 + 45)]


def rows(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_csv_gives_the_same_samples_back(tmp_path):
    spec = PumpSpec(sensor=SensorSpec(missed_share=0.01))
    trace = simulate(
        spec, DRAWS, t0_ts=T0, duration_s=60.0, seed=1, fitted=Fitted(True, True),
        changes=[Change("counter restart", T0 + 20.0)],
    )  # fmt: skip
    path = tmp_path / "one.csv"
    trace.to_csv(path, "presoak", "psi")
    read = rows(path)
    assert list(read[0]) == ["time", "pump", "pressure_psi", "strokes", "demand", "air_pa"]
    assert len(read) == 1200
    psi = np.array([float(r["pressure_psi"] or "nan") for r in read])
    np.testing.assert_allclose(psi, trace.pressure_pa / PSI, rtol=1e-4, atol=1e-4)
    assert np.isnan(psi).sum() == np.isnan(trace.pressure_pa).sum() > 0
    counts = np.array([int(r["strokes"]) for r in read])
    assert np.sum(np.diff(counts) < 0) == 1
    assert counts[-1] == np.sum(trace.stroke_ts > T0 + 20.0)
    assert {r["demand"] for r in read} == {"0", "1"}
    assert float(read[0]["time"]) == T0


def test_a_silent_stretch_has_no_rows_and_units_are_checked(tmp_path):
    trace = simulate(
        PumpSpec(), DRAWS, [Fault("node silent", T0 + 10, end_ts=T0 + 20)],
        t0_ts=T0, duration_s=60.0,
    )  # fmt: skip
    path = tmp_path / "two.csv"
    write_recording({"a": trace, "b": trace}, path, "bar")
    read = rows(path)
    assert len(read) == 2 * 1000
    assert "pressure_bar" in read[0]
    with pytest.raises(KeyError):
        write_recording({"a": trace}, path, "furlongs")


def test_converter_steps_noise_offset_and_range():
    spec = PumpSpec(sensor=SensorSpec(bits=10, noise_pa=0.2 * PSI, offset_pa=1.5 * PSI, tau_s=0.0))
    sensing = Sensing(spec, [], 1)
    ts = np.arange(20_000.0)
    read = sensing.pressure(np.full(20_000, 40.0 * PSI), ts)
    # 10 bits over 5 V at 0.5 to 4.5 V for 150 psi: 0.183 psi a count (ratiometric sensors).
    assert np.min(np.diff(np.unique(read))) / PSI == pytest.approx(0.183, abs=0.001)
    assert read.mean() / PSI == pytest.approx(41.5, abs=0.02)
    assert read.std() / PSI == pytest.approx(np.hypot(0.2, 0.183 / np.sqrt(12)), rel=0.05)
    high = sensing.pressure(np.full(10, 400.0 * PSI), ts[:10])
    assert high.max() / PSI == pytest.approx(168.75, abs=0.2)


def test_clock_drift_stretches_the_time_axis():
    spec = PumpSpec(sensor=SensorSpec(clock_ppm=200.0))
    fast = simulate(spec, DRAWS, t0_ts=T0, duration_s=3600.0, seed=1)
    true = simulate(PumpSpec(), DRAWS, t0_ts=T0, duration_s=3600.0, seed=1)
    assert fast.end_ts - true.end_ts == pytest.approx(0.72, abs=0.01)
    drift = (fast.stroke_ts - T0) / (true.stroke_ts - T0)
    assert drift == pytest.approx(1.0002, abs=1e-7)


def test_one_pulse_a_cycle_counts_half():
    full = simulate(PumpSpec(), DRAWS, t0_ts=T0, duration_s=60.0, seed=1)
    spec = PumpSpec(sensor=SensorSpec(strokes_per_pulse=2))
    half = simulate(spec, DRAWS, t0_ts=T0, duration_s=60.0, seed=1)
    assert len(half.stroke_ts) == len(full.stroke_ts) // 2


def test_families_differ_in_everything_and_all_pump():
    specs = [draw_family(seed) for seed in range(60)]
    for field in fields(PumpSpec):
        values = {getattr(s, field.name) for s in specs}
        if field.name in ("fluid", "sensor") or len(values) > 1:
            assert len(values) >= 2
    assert {20 * PSI <= s.set_pa <= 100 * PSI for s in specs} == {True}
    assert {30 <= s.displacement_ml <= 120 for s in specs} == {True}
    assert {0 < s.lift_m <= 1.22 and s.suction_length_m <= 4.6 for s in specs} == {True}
    for seed in range(0, 60, 6):
        trace = simulate(
            specs[seed], [Draw(T0 + 5, T0 + 65)], t0_ts=T0, duration_s=120.0, seed=seed
        )
        spec = specs[seed]
        count = spec.usual_flow_m3_s * 60 / (spec.displacement_ml * 1e-6)
        assert len(trace.stroke_ts) == pytest.approx(count, rel=0.25, abs=1.5), seed
        stall = np.nanmedian(trace.pressure_pa[-400:])
        assert stall == pytest.approx(spec.set_pa, rel=0.08, abs=6 * PSI), seed


def test_draw_patterns_know_day_night_and_saturday():
    # T0 falls on a Tuesday, 2023-11-14; span two weeks.
    span = (1_699_833_600.0, 1_699_833_600.0 + 14 * demand.DAY_S)
    for pattern in ("self-serve", "in-bay", "tunnel"):
        days = demand.draws(pattern, ("1",), span, 5)
        hour = np.array([d.start_ts for d in days]) % demand.DAY_S / 3600
        weekday = (np.array([d.start_ts for d in days]) // demand.DAY_S + 3) % 7
        assert np.mean((hour >= 10) & (hour < 17)) > 5 * np.mean(hour < 5)
        per_day = [np.sum(weekday == w) for w in range(7)]
        assert np.argmax(per_day) == 5, pattern
        gaps = np.diff([d.start_ts for d in days])
        assert np.all(gaps > 0)
    assert len(demand.draws("rare", ("1",), span, 5)) < 60
    with pytest.raises(KeyError):
        demand.draws("unheard of", ("1",), span, 5)


def test_without_numba_the_numbers_are_the_same():
    code = (
        "import sys; sys.modules['numba'] = None\n"
        "import hashlib, numpy as np\n"
        "from edge.virtual.jit import compiled\n"
        "from edge.virtual.run import simulate\n"
        "from edge.virtual.spec import Draw, PumpSpec\n"
        "def plain(): pass\n"
        "assert compiled(plain) is plain\n"
        "t = simulate(PumpSpec(), [Draw(1.0, 4.0)], t0_ts=0.0, duration_s=6.0, seed=9)\n"
        "print(repr(t.stroke_ts.tolist()), repr(t.pressure_pa[::10].tolist()))\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True,
        env={**os.environ}, timeout=120,
    )  # fmt: skip
    trace = simulate(PumpSpec(), [Draw(1.0, 4.0)], t0_ts=0.0, duration_s=6.0, seed=9)
    strokes, pressure = done.stdout.strip().split("] [")
    assert np.array(eval(strokes + "]")) == pytest.approx(trace.stroke_ts, abs=0.002)  # noqa: S307 - our own output
    assert np.array(eval("[" + pressure)) == pytest.approx(trace.pressure_pa[::10], abs=500)  # noqa: S307 - our own output


def test_frozen_specs_can_be_replaced():
    assert replace(PumpSpec(), lift_m=1.0).lift_m == 1.0
