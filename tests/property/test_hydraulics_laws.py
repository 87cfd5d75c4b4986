"""Laws that hold for every pump, line and liquid of the class, whatever the numbers."""

import math

from hypothesis import given
from hypothesis import strategies as st

from monitor.hydraulics import air, flow, line, liquid, pump, suction
from monitor.site import Fluid, Line, Pump
from monitor.units import PA_PER_PSI, STANDARD_ATMOSPHERE_PA

GAUGE = st.floats(1 * PA_PER_PSI, 100 * PA_PER_PSI)
ABSOLUTE = st.floats(20_000.0, 900_000.0)
DISPLACEMENT = st.floats(20.0, 150.0)
FLOW = st.floats(0.5, 400.0)
HOSES = st.builds(Line, length_m=st.floats(0.3, 30.0), bore_m=st.floats(0.004, 0.025))
FLUIDS = st.builds(
    Fluid,
    specific_gravity=st.floats(0.8, 1.5),
    viscosity_pa_s=st.floats(0.0005, 0.5),
    temperature_c=st.floats(1.0, 60.0),
)
PUMPS = st.builds(
    Pump,
    id=st.just("p1"),
    displacement_ml=DISPLACEMENT,
    lift_m=st.floats(-2.0, 4.0),
    suction=HOSES,
    fluid=FLUIDS,
    foot_valve_crack_pa=st.floats(0.0, 10_000.0),
)


@given(GAUGE, st.floats(-2, 4), st.floats(0.8, 1.5))
def test_air_from_stall_undoes_stall_from_air(air_pa: float, lift_m: float, gravity: float) -> None:
    stall = pump.stall_pressure_pa(air_pa, lift_m, gravity)
    assert pump.air_from_stall_pa(stall, lift_m, gravity).holds(air_pa)


@given(ABSOLUTE, st.floats(1.02, 8.0), st.floats(1.0, 2000.0))
def test_gas_squeezed_is_gas_found(start: float, ratio: float, gas_ml: float) -> None:
    # Boyle forwards: the same gas at two pressures; the difference is what was pushed in.
    end = start * ratio
    at_start = gas_ml * STANDARD_ATMOSPHERE_PA / start
    at_end = gas_ml * STANDARD_ATMOSPHERE_PA / end
    found = line.gas_from_volume(at_start - at_end, start, end)
    assert math.isclose(found.isothermal_ml, gas_ml, rel_tol=1e-6)
    assert found.isothermal_ml < found.adiabatic_ml <= line.GAMMA * found.isothermal_ml * 1.0001


@given(FLOW, st.floats(0.0, 0.6))
def test_ball_leak_undoes_unevenness(flow_ml_s: float, uneven: float) -> None:
    leak = pump.ball_leak_ml_s(flow_ml_s, uneven)
    assert math.isclose(leak / (2 * flow_ml_s + leak), uneven, abs_tol=1e-12)
    assert 0.5 <= pump.delivered_share(flow_ml_s, leak) <= 1.0


@given(st.integers(0, 500), st.floats(60.0, 90_000.0), DISPLACEMENT)
def test_leak_is_the_same_however_it_is_told(strokes: int, window_s: float, v: float) -> None:
    found = line.idle_leak(strokes, window_s, v)
    assert math.isclose(found.litres_a_day, strokes * v / window_s * 86.4, abs_tol=1e-9)
    assert found.sigma_ml_min > 0
    if strokes:
        told = line.leak_from_interval_ml_min(window_s / strokes, v)
        assert math.isclose(told, found.leak_ml_min, rel_tol=1e-9)


@given(GAUGE, st.floats(0.05, 0.95), st.floats(1e-6, 1e-3), st.floats(1e-4, 1.0))
def test_a_seat_takes_longer_than_a_hole(p: float, share: float, c: float, leak: float) -> None:
    # Both leak alike at first; the seat's flow falls faster with pressure.
    hole = line.decay_time_s(p, share * p, c, leak, "hole")
    seat = line.decay_time_s(p, share * p, c, leak, "seat")
    assert hole <= seat * 1.0001


@given(HOSES, FLUIDS, FLOW, st.floats(1.05, 3.0))
def test_more_flow_costs_more(hose: Line, fluid: Fluid, flow_ml_s: float, times: float) -> None:
    less = flow.hose_loss_pa(hose, fluid, flow_ml_s)
    more = flow.hose_loss_pa(hose, fluid, flow_ml_s * times)
    assert more > less > 0


@given(st.floats(0.0005, 0.005), GAUGE, FLUIDS)
def test_tip_pressure_undoes_tip_flow(tip_m: float, p: float, fluid: Fluid) -> None:
    through = flow.tip_flow_ml_s(tip_m, p, fluid)
    assert math.isclose(flow.tip_pressure_pa(tip_m, through, fluid), p, rel_tol=1e-9)


@given(GAUGE, DISPLACEMENT, HOSES, FLUIDS, st.floats(0.0006, 0.004))
def test_a_draw_lies_on_both_curves(
    air_pa: float, v: float, hose: Line, fluid: Fluid, tip_m: float
) -> None:
    stall = 0.97 * air_pa
    hung = flow.Discharge(hose, fluid, tip_m)
    point = flow.operating_point(stall, air_pa, v, hung, pump.DEFAULT_CURVE)
    assert 0.0 <= point.pressure_pa <= stall
    assert math.isclose(point.rate_hz * v, point.flow_ml_s, rel_tol=1e-9)
    assert math.isclose(
        hung.needed_pa(point.flow_ml_s), point.pressure_pa, rel_tol=1e-3, abs_tol=50
    )


@given(DISPLACEMENT, GAUGE, GAUGE)
def test_dry_rate_grows_with_air_and_stays_in_order(v: float, one: float, other: float) -> None:
    low, high = sorted((one, other))
    less, more = pump.dry_rate_bounds_hz(v, low), pump.dry_rate_bounds_hz(v, high)
    assert 0 < less.low <= more.low * 1.000001
    assert more.low <= more.high <= pump.FASTEST_HZ


@given(PUMPS)
def test_a_worn_pump_never_primes_sooner(one: Pump) -> None:
    strokes = [suction.prime_strokes(one, ratio) for ratio in (1.3, 1.5, 2.0, 3.0)]
    assert strokes == sorted(strokes, reverse=True)
    band = suction.strokes_to_prime(one)
    assert 0 <= band.low <= band.high


@given(PUMPS, FLOW, st.floats(0.0, 4000.0))
def test_altitude_and_flow_only_cost(one: Pump, flow_ml_s: float, altitude_m: float) -> None:
    sea = suction.suction_state(one, flow_ml_s, 0.0)
    assert suction.suction_state(one, flow_ml_s, altitude_m).margin_m <= sea.margin_m
    assert suction.suction_state(one, 1.1 * flow_ml_s, 0.0).margin_m <= sea.margin_m


@given(st.floats(0.0, 7200.0), st.floats(0.0, 7200.0), PUMPS)
def test_a_longer_rest_never_drains_less(one_s: float, other_s: float, one: Pump) -> None:
    short, long = sorted((one_s, other_s))
    least = suction.leak_back_strokes(short, one, 0.0003, 8.0)
    most = suction.leak_back_strokes(long, one, 0.0003, 8.0)
    assert 0 <= least <= most <= 8.0


@given(ABSOLUTE, ABSOLUTE, st.floats(0.1, 0.6))
def test_air_never_flows_uphill(one: float, other: float, ratio: float) -> None:
    low, high = sorted((one, other))
    assert air.iso6358_flow_kg_s(1e-8, low, high, critical_ratio=ratio) == 0.0
    flowing = air.iso6358_flow_kg_s(1e-8, high, low, critical_ratio=ratio)
    choked = air.iso6358_flow_kg_s(1e-8, high, 0.0, critical_ratio=ratio)
    assert 0.0 <= flowing <= choked


@given(st.floats(1.0, 89.0), st.floats(0.1, 10.0))
def test_warmer_boils_sooner(celsius: float, more: float) -> None:
    assert liquid.vapour_pressure_pa(celsius + more) > liquid.vapour_pressure_pa(celsius)


@given(HOSES, st.sampled_from(["PE", "PA12", "PVC", "braided", "PTFE", "unknown"]))
def test_every_hose_has_a_compliance(hose: Line, material: str) -> None:
    band = line.compliance_ml_pa(hose.model_copy(update={"material": material}))
    assert 0 < band.low < band.high
