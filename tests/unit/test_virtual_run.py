from dataclasses import replace

import numpy as np
import pytest

from edge.virtual import kernel as k
from edge.virtual.demand import draws
from edge.virtual.run import Fitted, PumpRun, simulate
from edge.virtual.spec import PSI, Draw, Fault, PumpSpec, draw_family, ideal_bench

T0 = 1_700_000_000.0


def some_draws(count=6, every_s=30.0, length_s=9.3):
    return [Draw(T0 + 5 + i * every_s, T0 + 5 + i * every_s + length_s) for i in range(count)]


def test_same_seed_same_trace_other_seed_other_trace():
    def run(seed):
        return simulate(PumpSpec(), some_draws(), [], t0_ts=T0, duration_s=200.0, seed=seed)

    first, again, other = run(3), run(3), run(4)
    np.testing.assert_array_equal(first.pressure_pa, again.pressure_pa)
    np.testing.assert_array_equal(first.stroke_ts, again.stroke_ts)
    assert not np.array_equal(first.pressure_pa, other.pressure_pa)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_chunks_equal_one_run(seed):
    spec = draw_family(seed)
    faults = [Fault("low air", T0 + 60, 40.0), Fault("air in suction", T0 + 80)]
    fitted = Fitted(demand=True, air=True)

    def start():
        return PumpRun(spec, some_draws(), faults, t0_ts=T0, seed=seed, fitted=fitted)

    whole = start().advance(T0 + 200.0)
    run = start()
    parts = [run.advance(T0 + 200.0 * i / 137) for i in range(1, 138)]
    for name in ("pressure_pa", "stroke_ts", "demand"):
        joined = np.concatenate([getattr(part, name) for part in parts])
        np.testing.assert_allclose(joined, getattr(whole, name), rtol=0, atol=1e-6, err_msg=name)


def test_liquid_is_conserved():
    trace = simulate(ideal_bench(), some_draws(20), [], t0_ts=T0, duration_s=620.0, seed=1)
    books = trace.books
    # What left the drum went through the tip; the line ends as full as it began, to one stroke.
    assert books["taken"] == pytest.approx(books["out"], abs=1e-6)
    assert books["taken"] == pytest.approx(books["strokes"] * 60e-6, abs=60e-6)


@pytest.mark.parametrize("seed", range(40, 52))
def test_liquid_is_conserved_in_every_family(seed):
    spec = draw_family(seed)
    run = PumpRun(spec, some_draws(8), [], t0_ts=T0, seed=seed)
    run.advance(T0 + 2.0)
    start, first_pa, first_x = run.books(), run.state[k.PL], run.state[k.X]
    run.advance(T0 + 260.0)
    moved = {name: value - start[name] for name, value in run.books().items()}
    atm, last_pa = 101_325.0, run.state[k.PL]
    gas = spec.line_gas_ml * 1e-6 * atm / spec.gas_exponent
    stored = spec.line_compliance_ml_psi * 1e-6 / PSI * (last_pa - first_pa)
    stored += gas * (1 / (first_pa + atm) - 1 / (last_pa + atm))
    assert moved["taken"] == pytest.approx(moved["out"] + moved["back"] + stored, rel=0.005)
    # The rod's travel is the same volume once more; each stroke's length varies by its jitter.
    rod = (moved["strokes"] + run.state[k.X] - first_x) * spec.displacement_ml * 1e-6
    assert rod == pytest.approx(moved["taken"], rel=0.03)


def test_each_stroke_leaves_one_dip():
    trace = simulate(
        ideal_bench(), [Draw(T0 + 5, T0 + 65)], t0_ts=T0, duration_s=70.0, rate_hz=250.0, seed=1
    )
    psi = trace.pressure_pa / PSI
    low = psi[: 250 * 65] < 52.0
    dips = np.sum(np.diff(low.astype(int)) == 1)
    assert dips == np.sum(trace.stroke_ts < T0 + 65) > 25


@pytest.mark.parametrize("gas_ml", [0.0, 25.0, 75.0, 200.0, 500.0])
def test_dip_slope_tells_the_gas_by_boyles_law(gas_ml):
    # At a reversal nothing flows in: dP/dt = -Q / C with C = C_hose + V_atm P_atm / (n P^2).
    spec = replace(ideal_bench(), line_gas_ml=gas_ml)
    run = PumpRun(spec, [Draw(T0 + 1, T0 + 41)], [], t0_ts=T0, rate_hz=1000.0, seed=1)
    chunk = run.advance(T0 + 41.0)
    ends = np.round((chunk.stroke_ts[3:] - T0) * 1000).astype(int)
    fall = np.array([chunk.pressure_pa[i + 1] - chunk.pressure_pa[i + 9] for i in ends]) / 0.008
    level = np.array([chunk.pressure_pa[i + 5] for i in ends]).mean()
    flow = spec.usual_flow_m3_s * np.sqrt(level / (0.9 * spec.set_pa))
    hose = 0.15e-6 / PSI
    gas = gas_ml * 1e-6 * 101_325.0 / (1.2 * (level + 101_325.0) ** 2)
    assert flow / fall.mean() == pytest.approx(hose + gas, rel=0.03)


def test_idle_pump_stalls_at_air_less_losses_and_keeps_still():
    trace = simulate(PumpSpec(), some_draws(1), [], t0_ts=T0, duration_s=3600.0, seed=5)
    quiet = trace.pressure_pa[-20 * 600 :] / PSI
    assert 58.0 < np.median(quiet) < 60.0
    assert trace.stroke_ts[-1] < T0 + 16


def test_draws_keep_to_their_length_and_order():
    day = draws("self-serve", ("1", "2"), (T0, T0 + 86_400.0), 1)
    assert len(day) > 50
    assert all(3.0 <= d.end_ts - d.start_ts <= 90.0 for d in day)
    assert day == sorted(day, key=lambda d: d.start_ts)
