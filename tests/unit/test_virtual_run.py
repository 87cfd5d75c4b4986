import numpy as np
import pytest

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
