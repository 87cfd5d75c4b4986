"""What was put into a virtual pump comes back out through the hydraulics; bias and spread printed.

The virtual pump is a time-stepped two-chamber simulation written apart from the formulas here, so
each check compares two computations, not a formula with itself. `-s` shows the figures; `--all`
repeats each with more pumps.
"""

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from edge.virtual import faults
from edge.virtual import kernel as k
from edge.virtual.params import parameters
from edge.virtual.run import PumpRun, simulate
from edge.virtual.spec import Draw, Fault, PumpSpec, draw_family, ideal_bench
from edge.virtual.trace import Trace
from monitor.hydraulics import air, flow, line, pump, suction
from monitor.site import Fluid, Line, Pump
from monitor.units import PA_PER_PSI, STANDARD_ATMOSPHERE_PA

Array = NDArray[np.float64]
WATER = 998.2


@dataclass(frozen=True)
class Recovery:
    """Estimates over truths: bias and spread of the ratio."""

    name: str
    ratio: Array

    @property
    def bias(self) -> float:
        return float(np.median(self.ratio) - 1.0)

    @property
    def spread(self) -> float:
        """Half of the range that holds the middle 80 %."""
        low, high = np.percentile(self.ratio, [10, 90])
        return float(high - low) / 2.0

    def tell(self) -> "Recovery":
        print(  # noqa: T201 - the figures are what this file is for
            f"\n{self.name}: {len(self.ratio)} pumps, bias {100 * self.bias:+.1f} %, "
            f"middle 80 % within ±{100 * self.spread:.1f} %"
        )
        return self


def few_or_many(few: int, many: int) -> pytest.MarkDecorator:
    """A quick run by default, a thorough one with --all."""
    return pytest.mark.parametrize("count", [few, pytest.param(many, marks=pytest.mark.slow)])


def starts(count: int) -> Iterator[tuple[int, np.random.Generator]]:
    """Run numbers with a generator each."""
    for number in range(count):
        yield number, np.random.default_rng([1662, number])


def a_bench(rng: np.random.Generator, **changes: float) -> PumpSpec:
    """A noiseless pump of random size, air and tip."""
    values = {
        "displacement_ml": float(rng.uniform(30.0, 120.0)),
        "set_pa": float(rng.uniform(30.0, 90.0)) * PA_PER_PSI,
        "tip_m": float(rng.uniform(0.0009, 0.0016)),
    }
    return ideal_bench(**(values | changes))


def after(trace: Trace, start: float, end: float) -> Array:
    """Stroke times inside a stretch."""
    return trace.stroke_ts[(trace.stroke_ts > start) & (trace.stroke_ts < end)]


def site_pump(spec: PumpSpec) -> Pump:
    """The site file's view of a virtual pump."""
    return Pump(
        id="p1",
        displacement_ml=spec.displacement_ml,
        air_set_pa=spec.set_pa,
        lift_m=spec.lift_m,
        foot_valve_crack_pa=spec.foot_crack_pa,
        suction=Line(length_m=spec.suction_length_m, bore_m=spec.suction_bore_m),
        fluid=Fluid(specific_gravity=spec.fluid.density_kg_m3 / WATER),
    )


@few_or_many(3, 40)
def test_leak_from_idle_strokes_and_from_their_beat(count: int) -> None:
    window_s, counted, beaten, off = 1800.0, [], [], []
    for number, rng in starts(count):
        spec = draw_family(number)
        leak = Fault("running with no demand", 0.0, severity=float(rng.uniform(0.1, 0.5)))
        trace = simulate(spec, [], [leak], t0_ts=0.0, duration_s=window_s, seed=number)
        true_ml_min = trace.books["leaked"] * 1e6 / window_s * 60.0
        found = line.idle_leak(len(trace.stroke_ts), window_s, spec.displacement_ml)
        off.append((found.leak_ml_min - true_ml_min) / found.sigma_ml_min)
        counted.append(found.leak_ml_min / true_ml_min)
        beat = float(np.median(np.diff(trace.stroke_ts)))
        told = line.leak_from_interval_ml_min(beat, spec.displacement_ml)
        beaten.append(told / true_ml_min)
    Recovery("leak by count in half an hour", np.array(counted)).tell()
    by_beat = Recovery("leak by beat", np.array(beaten)).tell()
    # At most one stroke is miscounted, √6 = 2.45 sigma; the beat has no such error.
    assert max(np.abs(off)) < 2.5
    assert abs(by_beat.bias) < 0.03
    assert by_beat.spread < 0.05


def refill(spec: PumpSpec, seed: int) -> tuple[int, float]:
    """Let a vented line come up to stall: strokes, and the gauge pressure reached."""
    run = PumpRun(spec, [], [], t0_ts=0.0, seed=seed)
    run.state[[k.PL, k.PCD, k.FILT]] = 0.0
    run.state[k.PARKED] = 0.0
    chunk = run.advance(60.0)
    return len(chunk.stroke_ts), float(np.median(chunk.pressure_pa[-100:]))


@few_or_many(60, 400)
def test_trapped_gas_from_the_strokes_of_a_refill(count: int) -> None:
    # Slow filling, so the simulated gas is isothermal; the error left is that of counting whole
    # strokes: one is worth up to 0.4 of the least gas here.
    ratio, sigmas = [], []
    for number, rng in starts(count):
        gas_ml = float(rng.uniform(300.0, 1500.0))
        spec = a_bench(rng, line_gas_ml=gas_ml, gas_exponent=1.0)
        strokes, end_pa = refill(spec, number)
        filled = line.Refill(strokes, STANDARD_ATMOSPHERE_PA, STANDARD_ATMOSPHERE_PA + end_pa)
        stiffness = spec.line_compliance_ml_psi / PA_PER_PSI
        gas = line.gas_from_strokes(filled, spec.displacement_ml, stiffness)
        ratio.append(gas.isothermal_ml / gas_ml)
        sigmas.append((gas.isothermal_ml - gas_ml) / gas.sigma_ml)
    told = Recovery("trapped gas by strokes from zero", np.array(ratio)).tell()
    assert abs(told.bias) < 0.05
    assert np.std(sigmas) < 1.2
    assert np.percentile(np.abs(sigmas), 95) < 2.5


def dip_slope_pa_s(trace: Trace, at_ts: float) -> float:
    """Steepest fall over 20 ms within 50 ms after a reversal."""
    first = int((at_ts - trace.t0_ts) / trace.dt_s) + 1
    part = trace.pressure_pa[first : first + round(0.05 / trace.dt_s)]
    steps = round(0.02 / trace.dt_s)
    return float(((part[:-steps] - part[steps:]) / (steps * trace.dt_s)).max())


def dip_compliance(spec: PumpSpec, seed: int) -> tuple[float, float]:
    """Line compliance in mL/Pa from the dips of one draw, and the pressure at them."""
    trace = simulate(spec, [Draw(1.0, 61.0)], t0_ts=0.0, duration_s=61.0, seed=seed, rate_hz=250.0)
    strokes = after(trace, 5.0, 60.0)
    rate_hz = (len(strokes) - 1) / (strokes[-1] - strokes[0])
    slope = float(np.median([dip_slope_pa_s(trace, ts) for ts in strokes[:-1]]))
    at_pa = float(np.median([trace.pressure_pa[int(ts / trace.dt_s)] for ts in strokes[:-1]]))
    return line.compliance_from_dip(rate_hz * spec.displacement_ml, slope), at_pa


@few_or_many(4, 60)
def test_trapped_gas_from_the_slope_of_dips(count: int) -> None:
    middle, inside = [], 0
    for number, rng in starts(count):
        gas_ml, exponent = float(rng.uniform(75.0, 400.0)), float(rng.uniform(1.0, 1.4))
        spec = a_bench(rng, gas_exponent=exponent)
        shape = {
            "displacement_ml": spec.displacement_ml,
            "set_pa": spec.set_pa,
            "tip_m": spec.tip_m,
            "gas_exponent": exponent,
        }
        base, _ = dip_compliance(spec, number)
        soft, at_pa = dip_compliance(ideal_bench(line_gas_ml=gas_ml, **shape), number)
        gas = line.gas_from_compliance(soft, base, at_pa + STANDARD_ATMOSPHERE_PA)
        inside += gas.band.holds(gas_ml)
        middle.append(0.5 * (gas.isothermal_ml + gas.adiabatic_ml) / gas_ml)
    told = Recovery("trapped gas by dips, middle of the band", np.array(middle)).tell()
    assert inside >= 0.9 * count
    assert abs(told.bias) < 0.2


@few_or_many(4, 60)
def test_ball_leak_from_uneven_strokes(count: int) -> None:
    ratio = []
    for number, rng in starts(count):
        spec = a_bench(rng)
        fault = Fault("leaking check ball", 0.0, severity=float(rng.uniform(0.1, 0.8)))
        trace = simulate(
            spec, [Draw(1.0, 121.0)], [fault], t0_ts=0.0, duration_s=121.0, seed=number
        )
        uneven = pump.stroke_asymmetry(np.diff(after(trace, 5.0, 120.0)).tolist())
        assert uneven is not None
        found = pump.ball_leak_ml_s(trace.books["out"] * 1e6 / 120.0, uneven)
        # The fault passes 2·severity/12 of a displacement a second at set pressure, by √p.
        mean_pa = float(np.mean(trace.pressure_pa[100:-20]))
        true = fault.severity * spec.displacement_ml / 6.0 * math.sqrt(mean_pa / spec.set_pa)
        ratio.append(found / true)
    told = Recovery("ball leak by unevenness", np.array(ratio)).tell()
    assert abs(told.bias) < 0.1
    assert told.spread < 0.1


@few_or_many(5, 60)
def test_stall_pressure_lies_in_its_band(count: int) -> None:
    for number, rng in starts(count):
        lift_m = float(rng.uniform(-0.5, 1.2))
        spec = a_bench(rng, lift_m=lift_m)
        trace = simulate(spec, [Draw(1.0, 20.0)], t0_ts=0.0, duration_s=40.0, seed=number)
        stall_pa = float(np.median(trace.pressure_pa[-100:]))
        band = pump.stall_band_pa(spec.set_pa, lift_m, spec.fluid.density_kg_m3 / WATER)
        # It may creep 150 Pa over the stop before the simulation parks it.
        assert band.low - 50.0 < stall_pa < band.high + 500.0


@few_or_many(3, 60)
def test_dry_rate_lies_in_its_bounds(count: int) -> None:
    ratio = []
    for number, _ in starts(count):
        spec = draw_family(number)
        draw, empty = Draw(5.0, 300.0), Fault("drum empty", 6.0)
        trace = simulate(spec, [draw], [empty], t0_ts=0.0, duration_s=300.0, seed=number)
        rate_hz = len(after(trace, 260.0, 300.0)) / 40.0
        band = pump.dry_rate_bounds_hz(spec.displacement_ml, spec.set_pa)
        # A few run a little slower: their line is still under some pressure from the gas in it.
        assert 0.9 * band.low < rate_hz < band.high
        ratio.append(rate_hz / band.low)
    Recovery("dry rate over its low bound", np.array(ratio)).tell()


@few_or_many(4, 60)
def test_strokes_to_prime_lie_in_their_band(count: int) -> None:
    # Re-fitted dry at a function that is wide open; counted until the last gas left the hose.
    ratio = []
    for number, rng in starts(count):
        clearance = float(rng.uniform(0.55, 1.6))
        spec = a_bench(
            rng,
            suction_length_m=float(rng.uniform(2.0, 4.5)),
            suction_bore_m=float(rng.choice([0.0095, 0.0127])),
            lift_m=float(rng.uniform(0.2, 1.2)),
            line_volume_ml=300.0,
        )
        spec = ideal_bench(
            **{
                name: getattr(spec, name)
                for name in ("displacement_ml", "set_pa", "suction_length_m", "suction_bore_m")
            },
            lift_m=spec.lift_m,
            line_volume_ml=300.0,
            liquid_clearance_ml=clearance * spec.displacement_ml,
        )
        run = PumpRun(spec, [Draw(1.0, 90.0, tip_m=0.008)], [], t0_ts=0.0, seed=number)
        run.advance(5.0)
        faults.refit(run.state, parameters(spec))
        before = run.state[k.N]
        for step in range(1, 1400):
            run.advance(5.0 + 0.05 * step)
            if run.state[k.SG] <= 0.0:
                break
        strokes = float(run.state[k.N] - before)
        one = site_pump(spec)
        assert suction.strokes_to_prime(one).holds(strokes)
        ratio.append(suction.prime_strokes(one, 1.0 + 1.0 / clearance) / max(strokes, 1.0))
    told = Recovery("strokes to prime, clearance known", np.array(ratio)).tell()
    assert abs(told.bias) < 0.2


@few_or_many(1, 12)
def test_leak_back_time_from_bursts(count: int) -> None:
    ratio = []
    for number, rng in starts(count):
        spec = ideal_bench(
            displacement_ml=float(rng.uniform(30.0, 60.0)),
            suction_length_m=4.0,
            suction_bore_m=0.0127,
            lift_m=1.0,
        )
        severity = float(rng.uniform(0.3, 0.8))
        idle_s = rng.permutation([60.0, 120.0, 200.0, 300.0, 450.0, 600.0, 900.0, 1500.0])
        draws, now = [], 5.0
        for rest in idle_s:
            draws.append(Draw(now + rest, now + rest + 60.0))
            now += rest + 60.0
        trace = simulate(
            spec,
            [Draw(1.0, 5.0), *draws],
            [Fault("lost prime", 5.0, severity=severity)],
            t0_ts=0.0,
            duration_s=now + 1.0,
            seed=number,
        )
        slowest = 0.5 * pump.dry_rate_bounds_hz(spec.displacement_ml, spec.set_pa).low
        burst = [
            float((np.diff(after(trace, d.start_ts, d.end_ts)) < 1.0 / slowest).sum())
            for d in draws
        ]
        column_ml = 0.7 * spec.suction_volume_ml
        found = suction.fit_leak_back(idle_s.tolist(), burst, column_ml)
        assert found is not None
        # Moderate (0.5) empties the hose in 600 s of rest.
        ratio.append(found.empty_s / (300.0 / severity))
    told = Recovery("time to run back, from bursts", np.array(ratio)).tell()
    assert -0.3 < told.bias < 0.6


@few_or_many(3, 30)
def test_air_a_stroke(count: int) -> None:
    ratio, counts = [], []
    for number, rng in starts(count):
        spec = a_bench(rng, tip_m=float(rng.uniform(0.0007, 0.0012)))
        trace = simulate(spec, [Draw(1.0, 181.0)], t0_ts=0.0, duration_s=182.0, seed=number)
        counts.append(trace.books["strokes"])
        used_l = trace.books["air"] * 1000.0 / trace.books["strokes"]
        dead = spec.air_clearance_ml / spec.displacement_ml
        ratio.append(used_l / air.stroke_air_l(spec.displacement_ml, spec.set_pa, dead_share=dead))
    told = Recovery("air a stroke over its upper bound", np.array(ratio)).tell()
    # An upper bound: the drive chamber ends a stroke under supply pressure by the losses. The air
    # of the stroke under way at the end is counted, the stroke is not.
    assert max(np.array(ratio) - 1.0 / np.array(counts)) < 1.0
    assert told.bias > -0.1


@few_or_many(5, 60)
def test_pressure_and_rate_expected_of_a_draw(count: int) -> None:
    rates, pressures = [], []
    for number, rng in starts(count):
        spec = a_bench(rng, tip_m=float(rng.uniform(0.0010, 0.0025)))
        trace = simulate(spec, [Draw(1.0, 91.0)], t0_ts=0.0, duration_s=91.0, seed=number)
        strokes = after(trace, 5.0, 90.0)
        rate_hz = (len(strokes) - 1) / (strokes[-1] - strokes[0])
        whole = slice(round(strokes[0] / trace.dt_s), round(strokes[-1] / trace.dt_s))
        stall = pump.stall_pressure_pa(spec.set_pa, 0.0, 1.0)
        hung = flow.Discharge(Line(length_m=0.1, bore_m=0.02), Fluid(), spec.tip_m)
        point = flow.operating_point(
            stall, spec.set_pa, spec.displacement_ml, hung, pump.DEFAULT_CURVE
        )
        rates.append(point.rate_hz / rate_hz)
        pressures.append(point.pressure_pa / float(np.mean(trace.pressure_pa[whole])))
    rate = Recovery("stroke rate expected of a draw", np.array(rates)).tell()
    pressure = Recovery("pressure expected of a draw", np.array(pressures)).tell()
    assert abs(rate.bias) < 0.1
    assert abs(pressure.bias) < 0.1
    assert max(np.abs(np.array(rates) - 1.0)) < 0.25
