"""Hydraulics against independent computations: golden cases, slow twins, simulated recoveries."""

import math

import numpy as np
import pytest
from scipy.optimize import brentq

from monitor.hydraulics import flow, line, pump, suction
from monitor.hydraulics.band import Band
from monitor.site import Fluid, Line, Pump
from monitor.units import M_PER_FT, M_PER_IN, PA_PER_PSI

HALF_GPM = 0.5 * 63.0902


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(1662)


def a_pump(**changes: object) -> Pump:
    """60 mL, 4 ft lift, 15 ft of 3/8 in suction, 0.5 psi foot valve unless said otherwise."""
    values: dict[str, object] = {
        "id": "p1",
        "displacement_ml": 60.0,
        "lift_m": 4 * M_PER_FT,
        "suction": Line(length_m=15 * M_PER_FT, bore_m=0.375 * M_PER_IN),
        "foot_valve_crack_pa": 0.5 * PA_PER_PSI,
    }
    return Pump.model_validate(values | changes)


@pytest.mark.parametrize(
    ("altitude_m", "gravity", "viscosity", "bore_in", "foot_psi", "inlet_psi", "npsh", "margin"),
    [
        (0, 1.0, 0.00089, 0.375, 0.5, -2.64, 8.17, 7.71),
        (1500, 1.1, 0.005, 0.375, 0.5, -3.08, 5.59, 5.12),
        (1500, 1.1, 0.050, 0.375, 0.5, -7.74, 2.60, 2.14),
        (1500, 1.1, 0.050, 0.250, 2.0, None, -12.2, -13.3),
    ],
)
def test_suction_cases_computed_separately(
    altitude_m: float,
    gravity: float,
    viscosity: float,
    bore_in: float,
    foot_psi: float,
    inlet_psi: float | None,
    npsh: float,
    margin: float,
) -> None:
    # 0.5 US gal/min at 25 °C; computed with the libraries fluids and iapws alone.
    fluid = Fluid(specific_gravity=gravity, viscosity_pa_s=viscosity, temperature_c=25.0)
    one = a_pump(
        fluid=fluid,
        suction=Line(length_m=15 * M_PER_FT, bore_m=bore_in * M_PER_IN),
        foot_valve_crack_pa=foot_psi * PA_PER_PSI,
    )
    state = suction.suction_state(one, HALF_GPM, altitude_m)
    assert state.npsh_m == pytest.approx(npsh, abs=0.05)
    assert state.margin_m == pytest.approx(margin, abs=0.05)
    if inlet_psi is not None:
        assert state.inlet_pa / PA_PER_PSI == pytest.approx(inlet_psi, abs=0.01)


def discrete_prime(line_ml: float, displacement_ml: float, ratio: float, rise: float) -> int:
    """Slow twin: stroke by stroke, gas of line and chamber expanding together, isothermal."""
    air, crack = 101_325.0, 0.5 * PA_PER_PSI
    clearance = displacement_ml / (ratio - 1)
    head = 998.2 * 9.80665 * 4 * M_PER_FT

    def pressure(filled: float) -> float:
        return air - crack - head * min(filled / (rise * line_ml), 1.0)

    filled, strokes, amount = 0.0, 0, air * line_ml
    while strokes < 1000:
        whole = amount + air * clearance

        def excess(x: float, whole: float = whole) -> float:
            return pressure(x) * (line_ml - x + clearance + displacement_ml) - whole

        strokes += 1
        if excess(line_ml) > 0:
            return strokes
        # Before the column moves the foot valve stays shut and only the gas thins.
        if excess(0.0) <= 0:
            amount = whole * line_ml / (line_ml + clearance + displacement_ml)
            continue
        filled = brentq(excess, filled, line_ml)
        amount = pressure(filled) * (line_ml - filled)
    return strokes


@pytest.mark.parametrize("displacement_ml", [30.0, 60.0, 120.0])
@pytest.mark.parametrize("ratio", [1.5, 2.0, 3.0])
@pytest.mark.parametrize("bore_in", [0.25, 0.375, 0.5, 0.75])
def test_prime_strokes_against_the_slow_twin(
    displacement_ml: float, ratio: float, bore_in: float
) -> None:
    one = a_pump(
        displacement_ml=displacement_ml,
        suction=Line(length_m=15 * M_PER_FT, bore_m=bore_in * M_PER_IN),
    )
    volume = suction.line_volume_ml(one.suction)
    twin = discrete_prime(volume, displacement_ml, ratio, 4 / 15)
    assert suction.prime_strokes(one, ratio) == pytest.approx(twin, rel=0.02, abs=1.6)


@pytest.mark.parametrize(
    ("bore_in", "displacement_ml", "ratio", "strokes"),
    [(0.375, 60, 1.5, 9.3), (0.375, 30, 2, 14.8), (0.75, 30, 1.5, 72), (0.75, 60, 3, 27)],
)
def test_prime_strokes_computed_before(
    bore_in: float, displacement_ml: float, ratio: float, strokes: float
) -> None:
    # 4 ft rise and 11 ft run, isothermal, 0.5 psi crack; an earlier computation stroke by stroke.
    one = a_pump(
        displacement_ml=displacement_ml,
        suction=Line(length_m=15 * M_PER_FT, bore_m=bore_in * M_PER_IN),
    )
    assert suction.prime_strokes(one, ratio) == pytest.approx(strokes, rel=0.01, abs=0.5)


def test_prime_bounds_hold_the_tight_and_the_worn_pump_and_say_never() -> None:
    band = suction.strokes_to_prime(a_pump())
    assert band.low < suction.prime_strokes(a_pump(), 2.0) < band.high
    assert math.isinf(suction.strokes_to_prime(a_pump(lift_m=6.0)).high)
    held = suction.strokes_to_prime(a_pump(), discharge_pa=60 * PA_PER_PSI)
    assert math.isinf(held.high), "a pressurized discharge keeps a dry pump from priming"
    assert suction.strokes_to_prime(a_pump(lift_m=-1.0)).low >= 0


@pytest.mark.parametrize(
    ("ratio", "discharge_psi", "exponent", "feet"),
    [
        (1.5, 0, 1.0, 10.4),
        (2, 5, 1.4, 15.9),
        (3, 10, 1.0, 14.2),
        (5, 60, 1.4, 15.2),
        (2, 60, 1.0, 0),
    ],
)
def test_dry_lift(ratio: float, discharge_psi: float, exponent: float, feet: float) -> None:
    # Feet of water with 0.5 psi of crack, computed from the expansion of the clearance gas.
    lift = suction.dry_lift_m(
        ratio, 1.0, discharge_pa=discharge_psi * PA_PER_PSI, exponent=exponent
    )
    assert lift / M_PER_FT == pytest.approx(feet, abs=0.1)


@pytest.mark.parametrize(
    ("ratio", "exponent", "psig"), [(2, 1.0, 13.95), (3, 1.2, 39.04), (5, 1.4, 122.6)]
)
def test_airlock_pressure(ratio: float, exponent: float, psig: float) -> None:
    # (14.696 - 0.25)·r^n - 14.696 - 0.25 psi by hand.
    held = suction.airlock_pressure_pa(ratio, exponent=exponent)
    assert held / PA_PER_PSI == pytest.approx(psig, rel=0.002)


@pytest.mark.parametrize(
    ("tip_mm", "rate_hz", "pressure_psi"),
    [(1.0, 0.230, 58.5), (1.5, 0.511, 56.9), (2.0, 0.883, 53.8), (3.0, 1.76, 43.3)],
)
def test_operating_point_against_the_time_stepped_pump(
    tip_mm: float, rate_hz: float, pressure_psi: float
) -> None:
    # Means over whole strokes of a time-stepped two-chamber simulation at 60 psig air.
    hung = flow.Discharge(Line(length_m=0.5, bore_m=0.0095), Fluid(), tip_mm / 1000)
    point = flow.operating_point(59 * PA_PER_PSI, 60 * PA_PER_PSI, 60.0, hung, pump.DEFAULT_CURVE)
    assert point.rate_hz == pytest.approx(rate_hz, rel=0.05)
    assert point.pressure_pa / PA_PER_PSI == pytest.approx(pressure_psi, rel=0.05)


@pytest.mark.parametrize(
    ("air_psi", "rate_hz", "pressure_psi"),
    [
        (20, 0.293, 18.7),
        (30, 0.361, 28.3),
        (40, 0.418, 38.0),
        (80, 0.589, 75.4),
        (100, 0.656, 94.0),
    ],
)
def test_operating_point_over_air(air_psi: float, rate_hz: float, pressure_psi: float) -> None:
    # The same simulation with a 1.5 mm tip.
    hung = flow.Discharge(Line(length_m=0.5, bore_m=0.0095), Fluid(), 0.0015)
    point = flow.operating_point(
        (air_psi - 1) * PA_PER_PSI, air_psi * PA_PER_PSI, 60.0, hung, pump.DEFAULT_CURVE
    )
    assert point.rate_hz == pytest.approx(rate_hz, rel=0.03)
    assert point.pressure_pa / PA_PER_PSI == pytest.approx(pressure_psi, rel=0.03)


@pytest.mark.parametrize(
    ("displacement_ml", "simulated"),
    [
        (30, {20: 8.3, 40: 9.8, 60: 10.4, 80: 10.8, 100: 11.0}),
        (60, {20: 4.5, 40: 5.3, 60: 5.6, 80: 5.8, 100: 5.9}),
        (120, {20: 2.4, 40: 2.8, 60: 2.9, 80: 3.0, 100: 3.0}),
    ],
)
def test_dry_rate_bounds_hold_the_time_stepped_pump(
    displacement_ml: float, simulated: dict[int, float]
) -> None:
    for air_psi, rate_hz in simulated.items():
        band = pump.dry_rate_bounds_hz(displacement_ml, air_psi * PA_PER_PSI)
        assert band.holds(rate_hz)
        assert band.low > 0.3 * rate_hz, "a bound too far off tells nothing"


def test_dry_rate_bounds_without_air() -> None:
    assert pump.dry_rate_bounds_hz(60.0, 0.0).low == 0.0


def test_dry_rate_bounds_grow_with_air() -> None:
    lows = [pump.dry_rate_bounds_hz(60.0, a * PA_PER_PSI).low for a in range(5, 101, 5)]
    assert lows == sorted(lows)


def test_exhaust_limited_rate() -> None:
    # 1/(60 mL / 400 mL/s + 30 ms) by hand.
    assert pump.air_limited_rate_hz(60, 400, 0.03) == pytest.approx(5.56, abs=0.01)


def test_stall_falls_by_the_lift() -> None:
    # 4 ft at 1.1 weigh 1.90 psi: column of 1.219 m, 998.2·1.1 kg/m³.
    level = pump.stall_pressure_pa(60 * PA_PER_PSI, 0.0, 1.1)
    lifted = pump.stall_pressure_pa(60 * PA_PER_PSI, 4 * M_PER_FT, 1.1)
    assert (level - lifted) / PA_PER_PSI == pytest.approx(1.90, abs=0.01)
    assert pump.air_from_stall_pa(lifted, 4 * M_PER_FT, 1.1).holds(60 * PA_PER_PSI)


def test_ball_leak_from_uneven_strokes() -> None:
    # Volume balance: while the bad side drives the rod moves at Q + q.
    for leak in (0.5, 2.0, 10.0):
        fast, slow = 60 / (30.6 + leak), 60 / 30.6
        uneven = pump.stroke_asymmetry([slow, fast] * 6)
        assert uneven is not None
        assert pump.ball_leak_ml_s(30.6, uneven) == pytest.approx(leak, rel=1e-9)
        delivered = 30.6 * (fast + slow) / 120
        told = pump.ball_leak_from_rate_ml_s(2 / (fast + slow), 60.0, uneven)
        assert told == pytest.approx(leak, rel=1e-9)
        assert pump.delivered_share(30.6, leak) == pytest.approx(delivered, rel=1e-9)


def test_too_few_strokes_for_unevenness() -> None:
    assert pump.stroke_asymmetry([1.0, 1.1, 1.0]) is None


def test_unevenness_forgets_one_odd_stroke() -> None:
    intervals = [1.0, 1.0] * 10
    intervals[3] = 4.0
    assert pump.stroke_asymmetry(intervals) == 0.0


def test_pump_curve_comes_back() -> None:
    rates = [0.3, 0.6, 1.2, 1.8]
    shares = [pump.pressure_drop_share(f) for f in rates]
    curve = pump.fit_pump_curve(rates, shares)
    assert curve is not None
    assert (curve.a, curve.m) == pytest.approx((0.105, 1.60), rel=1e-6)
    assert pump.fit_pump_curve([0.5, 0.51, 0.52], [0.03, 0.03, 0.03]) is None
    assert pump.fit_pump_curve([0.5], [0.03]) is None


@pytest.mark.parametrize(
    ("start_psig", "end_psig", "slow", "fast"),
    [(0, 60, 1.245, 1.456), (0, 100, 1.147, 1.299), (20, 60, 4.41, 5.60), (55, 60, 70.9, 98.2)],
)
def test_gas_for_a_millilitre_pushed_in(
    start_psig: float, end_psig: float, slow: float, fast: float
) -> None:
    # Boyle and Poisson, worked by hand.
    gas = line.gas_from_volume(
        1.0, start_psig * PA_PER_PSI + 101_325, end_psig * PA_PER_PSI + 101_325
    )
    assert gas.isothermal_ml == pytest.approx(slow, rel=0.002)
    assert gas.adiabatic_ml == pytest.approx(fast, rel=0.002)


def test_seven_strokes_worked_by_hand() -> None:
    # 7·60 mL less 0.15 mL/psi·58 psi is 411.3 mL; times 72.7/58 is 515.5 mL.
    refill = line.Refill(7, 101_325, 101_325 + 58 * PA_PER_PSI)
    gas = line.gas_from_strokes(refill, 60.0, 0.15 / PA_PER_PSI)
    assert gas.isothermal_ml == pytest.approx(515.5, abs=0.3)
    assert gas.adiabatic_ml == pytest.approx(604, abs=1.5)
    assert gas.band.low < 515 < 604 < gas.band.high


def test_gas_from_whole_strokes_over_random_starts(rng: np.random.Generator) -> None:
    # A line with known gas, diaphragm anywhere at the start: unbiased, error as stated.
    start, end, stiff = 101_325.0, 101_325.0 + 58 * PA_PER_PSI, 0.15 / PA_PER_PSI
    for true_ml in (150.0, 300.0, 600.0):
        pushed = true_ml * (1 - start / end) + stiff * (end - start)
        found = np.array(
            [
                line.gas_from_strokes(
                    line.Refill(math.floor(pushed / 60 + begun), start, end), 60.0, stiff
                ).isothermal_ml
                for begun in rng.uniform(size=2000)
            ]
        )
        sigma = line.gas_from_strokes(line.Refill(9, start, end), 60.0, stiff).sigma_ml
        assert abs(found.mean() - true_ml) < 4 * found.std() / math.sqrt(2000)
        # 1/√6 is the mean over all fractions; one volume has between 0 and 1/2 a stroke.
        assert found.std() < 1.3 * sigma


def test_idle_leak_error_is_as_stated(rng: np.random.Generator) -> None:
    leaks = rng.uniform(1.0, 3.0, 4000)
    counts = np.floor(leaks * 480 / 60 + rng.uniform(size=4000))
    found = [line.idle_leak(int(n), 480 * 60, 60.0) for n in counts]
    errors = np.array([f.leak_ml_min for f in found]) - leaks
    assert abs(errors.mean()) < 0.003
    assert errors.std() == pytest.approx(found[0].sigma_ml_min, rel=0.05)
    assert found[0].smallest_ml_min == pytest.approx(0.375)
    inside = [f.limits.holds(leak) for f, leak in zip(found, leaks, strict=True)]
    assert 0.93 < np.mean(inside) < 0.99
    assert line.idle_leak(0, 3600.0, 60.0).limits.high == 1.0
    halves = line.idle_leak(8, 480 * 60, 60.0, windows=4)
    assert halves.sigma_ml_min == pytest.approx(2.0 * found[0].sigma_ml_min)


def test_leak_a_day_and_from_one_interval() -> None:
    assert line.IdleLeak(1.0, 0.1, 0.4).litres_a_day == pytest.approx(1.44)
    assert line.leak_from_interval_ml_min(360, 60.0) == pytest.approx(10.0)


def test_gas_from_a_softer_line() -> None:
    # 0.01 mL/psi at 58 psig is 3.6 mL of gas at the atmosphere, slow (Boyle, by hand).
    gas = line.gas_from_compliance(0.16 / PA_PER_PSI, 0.15 / PA_PER_PSI, 101_325 + 58 * PA_PER_PSI)
    assert gas.isothermal_ml == pytest.approx(3.6, abs=0.03)
    assert gas.adiabatic_ml == pytest.approx(1.4 * gas.isothermal_ml)
    assert line.compliance_from_dip(30.0, 15.0) == 2.0


@pytest.mark.parametrize(("kind", "seconds"), [("hole", 94), ("seat", 98)])
def test_decay_there_and_back(kind: str, seconds: float) -> None:
    # 60 to 50 psi with 0.15 mL/psi and 1 mL/min, by hand from C·dp/dt = -Q.
    stiff, start, leak = 0.15 / PA_PER_PSI, 60 * PA_PER_PSI, 1 / 60
    time = line.decay_time_s(start, 50 * PA_PER_PSI, stiff, leak, kind)
    assert time == pytest.approx(seconds, abs=1)
    pressures = [60.0, 55, 50, 45, 40, 35, 30, 25]
    times = [line.decay_time_s(start, p * PA_PER_PSI, stiff, leak, kind) for p in pressures]
    found = line.leak_from_decay(times, [p * PA_PER_PSI for p in pressures], stiff)
    assert found is not None
    assert found.kind == kind
    assert found.leak_ml_s == pytest.approx(leak, rel=1e-3)


def test_decay_that_does_not_fall() -> None:
    assert line.leak_from_decay([0, 1, 2, 3, 4, 5], [10, 11, 12, 13, 14, 15], 1.0) is None
    assert line.leak_from_decay([0, 1], [10, 9], 1.0) is None


def test_leak_back_comes_back_from_noisy_bursts(rng: np.random.Generator) -> None:
    one = a_pump()
    prime = suction.prime_strokes(one, 2.0)
    column = math.pi / 4 * one.suction.bore_m**2 * one.lift_m * 1e6
    idle = rng.uniform(60, 4 * 3600, 40)
    burst = [suction.leak_back_strokes(t, one, 0.0002, prime) for t in idle]
    noisy = np.clip(np.array(burst) + rng.normal(0, 0.1, 40), 0, None)
    found = suction.fit_leak_back(idle, noisy, column)
    assert found is not None
    # Hole of 0.2 mm under 4 ft: 30 min to empty 87 mL (Torricelli, by hand).
    assert found.empty_s == pytest.approx(1830, rel=0.25)
    assert found.leak_ml_min == pytest.approx(87 / 30.5, rel=0.25)
    assert found.saturated


def test_leak_back_that_never_emptied_says_so() -> None:
    found = suction.fit_leak_back([60, 120, 240, 300], [1, 2, 4, 5], 100.0)
    assert found is not None
    assert not found.saturated


def test_leak_back_needs_bursts_that_grow() -> None:
    idle = [60.0, 600, 3600, 7200]
    assert suction.fit_leak_back(idle, [3, 2, 1, 0], 100.0) is None
    assert suction.fit_leak_back(idle, [2, 2, 2, 2], 100.0) is None
    assert suction.fit_leak_back(idle[:2], [1, 2], 100.0) is None


def test_stiffness_by_material() -> None:
    # 15 m of 3/8 x 1/2 in polyethylene, E 0.3 GPa: 37 MPa and 0.20 mL/psi (Lamé, by hand).
    stiff = line.tube_stiffness_pa(0.375 * M_PER_IN, 0.0625 * M_PER_IN, 0.3e9, 0.45)
    assert stiff == pytest.approx(37e6, rel=0.02)
    hose = Line(length_m=15, bore_m=0.375 * M_PER_IN, material="PE")
    assert line.compliance_ml_pa(hose).holds(0.20 / PA_PER_PSI)
    assert line.stiffness_pa(Line(length_m=15, bore_m=0.0095)).low > 0


def test_band() -> None:
    assert Band(1.0, 3.0).middle == 2.0
    assert Band(1.0, 3.0).holds(3.0)
    assert not Band(1.0, 3.0).holds(3.1)


@pytest.mark.parametrize(
    ("rate_hz", "pressure_psi"), [(1.76, 43.2), (1.23, 20.8), (1.21, 20.5), (0.80, 8.9)]
)
def test_air_and_suction_faults_leave_the_system_constant(
    rate_hz: float, pressure_psi: float
) -> None:
    # 3 mm tip, time-stepped simulation: healthy, sagging air, two starved suctions; within 2 % of
    # Cd·A·√(2/rho) by hand although the pressure falls to a fifth.
    constant = flow.system_constant(rate_hz, 60.0, math.sqrt(pressure_psi * PA_PER_PSI))
    outlet = 0.62 * math.pi / 4 * 0.003**2 * math.sqrt(2 / 998.2) * 1e6
    assert constant == pytest.approx(outlet, rel=0.02)


def test_what_cannot_be_worked_out_is_refused() -> None:
    with pytest.raises(ValueError, match="mean_root_pressure"):
        flow.system_constant(1.0, 60.0, 0.0)
    with pytest.raises(ValueError, match="asymmetry"):
        pump.ball_leak_ml_s(30.0, 1.0)
    with pytest.raises(ValueError, match="absolute"):
        line.gas_from_volume(1.0, 2.0, 1.0)
    with pytest.raises(ValueError, match="fall_pa_s"):
        line.compliance_from_dip(30.0, 0.0)
    with pytest.raises(ValueError, match="window_s"):
        line.idle_leak(3, 0.0, 60.0)


def test_nothing_flows_without_pressure_or_flow() -> None:
    hose = Line(length_m=1.0, bore_m=0.01)
    assert flow.hose_loss_pa(hose, Fluid(), 0.0) == 0.0
    assert flow.tip_flow_ml_s(0.001, 0.0, Fluid()) == 0.0
    assert pump.pressure_drop_share(0.0) == 0.0
    assert pump.stroke_asymmetry([0.0] * 6) is None


def test_a_line_primes_in_seconds() -> None:
    # 7 to 16 strokes at about 3 to 20 a second.
    band = suction.prime_seconds(a_pump(air_set_pa=60 * PA_PER_PSI))
    assert 0.1 < band.low < band.high < 10
    assert math.isinf(suction.prime_seconds(a_pump(air_set_pa=0.0)).high)


def test_the_gas_band_is_two_sigma_wide_and_never_negative() -> None:
    gas = line.TrappedGas(100.0, 130.0, 20.0)
    assert (gas.band.low, gas.band.high) == (60.0, 170.0)
    assert line.TrappedGas(10.0, 13.0, 20.0).band.low == 0.0


def test_a_worn_pump_pushes_less() -> None:
    # 10 strokes of 60 mL at 80 % are 480 mL, less 0.15 mL/psi·60 psi = 9 mL, times 1.245 (Boyle).
    filled = line.Refill(10, 101_325, 101_325 + 60 * PA_PER_PSI)
    gas = line.gas_from_strokes(filled, 60.0, 0.15 / PA_PER_PSI, efficiency=0.8)
    assert gas.isothermal_ml == pytest.approx(471 * 1.245, rel=0.001)


def test_a_leak_meanwhile_pushes_nothing() -> None:
    filled = line.Refill(10, 101_325, 101_325 + 60 * PA_PER_PSI, duration_s=30.0, leak_ml_s=2.0)
    gas = line.gas_from_strokes(filled, 60.0, 0.0)
    assert gas.isothermal_ml == pytest.approx((600 - 60) * 1.245, rel=0.001)


def test_a_column_drains_its_own_volume_at_most() -> None:
    # 4 ft of 3/8 in hold 86.9 mL; half the time drains three quarters (falling head).
    whole = suction.drain_seconds(4 * M_PER_FT, 0.375 * M_PER_IN, 0.0002)
    drained = [
        suction.drained_ml(t, 4 * M_PER_FT, 0.375 * M_PER_IN, 0.0002) for t in (whole / 2, 1e6)
    ]
    assert drained == pytest.approx([0.75 * 86.9, 86.9], rel=0.001)
