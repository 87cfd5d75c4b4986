"""Hydraulics against numbers published elsewhere; each check names its source and tolerance."""

import math

import iapws
import pytest
from scipy.optimize import brentq

from monitor.hydraulics import air, flow, line, liquid, suction
from monitor.site import Fluid, Line
from monitor.units import M_PER_FT, M_PER_IN, PA_PER_PSI, STANDARD_ATMOSPHERE_PA

US_GPM_ML_S = 3785.411784 / 60.0


def long_line(length_m: float, bore_m: float) -> Line:
    """A line outside the sizes a wash has, for handbook examples."""
    return Line.model_construct(length_m=length_m, bore_m=bore_m, material="unknown")


def test_crane_7_1_smooth_pipe() -> None:
    # Crane TP-410M example 7-1: water 30 °C, 200 L/min in 50 mm plastic: Re 100 600, f 0.0179.
    water = Fluid(specific_gravity=995.65 / liquid.WATER_DENSITY_KG_M3, viscosity_pa_s=797.7e-6)
    number = flow.reynolds(200e3 / 60.0, 0.05251, water)
    assert number == pytest.approx(100_600, rel=0.01)
    assert flow.friction_factor(number) == pytest.approx(0.0179, rel=0.01)


def test_crane_7_9_laminar_oil() -> None:
    # Crane TP-410 example 7-9: SAE 30 oil (0.87, 130 cP), 400 gal/min, 300 ft of 5 in schedule
    # 40, 50 ft rise, gate + angle valve + elbow of K = 178·0.01544. Solved in the notebook 7.9 of
    # the open library fluids: Re 1675.6, f 0.03819, 26.064 psi.
    oil = Fluid(
        specific_gravity=0.87 * 62.364 * 16.018463 / liquid.WATER_DENSITY_KG_M3,
        viscosity_pa_s=0.130,
    )
    bore_m, flow_ml_s = 0.1281938, 400 * US_GPM_ML_S
    pipe = long_line(300 * M_PER_FT, bore_m)
    assert flow.reynolds(flow_ml_s, bore_m, oil) == pytest.approx(1675.6, rel=1e-3)
    assert flow.friction_factor(1675.6) == pytest.approx(0.03819, rel=1e-3)
    total = (
        flow.hose_loss_pa(pipe, oil, flow_ml_s)
        + flow.fitting_loss_pa(bore_m, oil, flow_ml_s, 178 * 0.01543941)
        + liquid.column_pa(50 * M_PER_FT, oil.specific_gravity)
    )
    assert total / PA_PER_PSI == pytest.approx(26.064, rel=1e-3)


def test_crane_7_32_head_left_at_the_pump() -> None:
    # Crane TP-410 example 7-32: tank at 5 psig, 60 °F water, 25 ft below, 6 ft of losses: 13.887 ft
    # (notebook 7.32 of the open library fluids, vapour pressure 0.256 psi).
    gravity = 62.364 * 16.018463 / liquid.WATER_DENSITY_KG_M3
    vapour = liquid.vapour_pressure_pa((60 - 32) / 1.8)
    assert vapour / PA_PER_PSI == pytest.approx(0.256, rel=0.005)
    free = 5 * PA_PER_PSI + STANDARD_ATMOSPHERE_PA - vapour
    head_ft = free / liquid.column_pa(1.0, gravity) / M_PER_FT - 25 - 6
    assert head_ft == pytest.approx(13.887, abs=0.01)


def test_hagen_poiseuille() -> None:
    # Exact law 128·µ·L·Q/(π·D⁴), valid for laminar flow.
    thick = Fluid(viscosity_pa_s=0.05)
    loss = flow.hose_loss_pa(Line(length_m=1.0, bore_m=0.00635), thick, 0.1 * US_GPM_ML_S)
    exact = 128 * 0.05 * 0.1 * US_GPM_ML_S * 1e-6 / (math.pi * 0.00635**4)
    assert loss == pytest.approx(exact, rel=1e-4)


@pytest.mark.parametrize(
    ("number", "published"), [(1e4, 0.0309), (1e5, 0.0180), (1e6, 0.0116), (1e7, 0.0081)]
)
def test_prandtl_smooth_pipe_law(number: float, published: float) -> None:
    # F. M. White, Fluid Mechanics, table beside the smooth-wall law (from memory); Churchill lies
    # within 2 % of it.
    assert flow.friction_factor(number) == pytest.approx(published, rel=0.02)


@pytest.mark.parametrize(
    ("number", "roughness", "published"),
    [
        (5e3, 0.001, 0.0385),
        (1e4, 0.001, 0.0324),
        (1e5, 0.001, 0.0222),
        (1e6, 0.001, 0.0199),
        (1e4, 0.01, 0.0431),
    ],
)
def test_churchill_against_colebrook(number: float, roughness: float, published: float) -> None:
    # Colebrook-White 1939 solved here independently; the figures are those of public test suites
    # of the same equation. Churchill 1977 is an explicit fit, good to 3 %.
    def equation(factor: float) -> float:
        root = math.sqrt(factor)
        return 1 / root + 2 * math.log10(roughness / 3.7 + 2.51 / (number * root))

    solved = brentq(equation, 0.005, 0.1)
    assert solved == pytest.approx(published, abs=6e-5)
    assert flow.friction_factor(number, roughness) == pytest.approx(solved, rel=0.03)


@pytest.mark.parametrize(
    ("altitude_m", "published_pa"),
    [(0, 101_325), (1000, 89_876), (2000, 79_501), (3000, 70_121), (5000, 54_048)],
)
def test_us_standard_atmosphere(altitude_m: float, published_pa: float) -> None:
    # US Standard Atmosphere 1976, NOAA-S/T 76-1562, table I (geometric altitude).
    assert liquid.atmosphere_pa(altitude_m) == pytest.approx(published_pa, rel=1e-4)


@pytest.mark.parametrize(("kelvin", "published_pa"), [(300.0, 3536.58941), (500.0, 2_638_897.76)])
def test_vapour_pressure_verification_points(kelvin: float, published_pa: float) -> None:
    # IAPWS R7-97(2012), table 35.
    assert liquid.vapour_pressure_pa(kelvin - 273.15) == pytest.approx(published_pa, rel=1e-8)


@pytest.mark.parametrize("celsius", range(1, 90, 8))
def test_vapour_pressure_against_the_iapws_library(celsius: int) -> None:
    reference = iapws.IAPWS97(T=celsius + 273.15, x=0).P * 1e6
    assert liquid.vapour_pressure_pa(celsius) == pytest.approx(reference, rel=1e-6)


@pytest.mark.slow
def test_water_and_air_density_against_coolprop() -> None:
    # Imported here: the library takes four seconds to load.
    from CoolProp.CoolProp import PropsSI
    from CoolProp.HumidAirProp import HAPropsSI

    water = PropsSI("D", "T", 293.15, "P", 101_325, "Water")
    assert pytest.approx(water, rel=1e-4) == liquid.WATER_DENSITY_KG_M3
    # Moist air volume at 100 kPa, 20 °C, 65 % RH per kg of dry air; add the water's mass.
    volume = HAPropsSI("V", "T", 293.15, "P", 100_000, "R", 0.65)
    moisture = HAPropsSI("W", "T", 293.15, "P", 100_000, "R", 0.65)
    assert pytest.approx((1 + moisture) / volume, rel=0.004) == air.DENSITY_ANR_KG_M3
    modulus = PropsSI("ISOTHERMAL_COMPRESSIBILITY", "T", 293.15, "P", 101_325, "Water")
    assert pytest.approx(1 / modulus, rel=0.01) == line.WATER_BULK_MODULUS_PA


@pytest.mark.parametrize(
    ("inches", "psig", "published_cfm"),
    [(1 / 16, 60, 4.23), (1 / 16, 80, 5.36), (1 / 16, 100, 6.49), (1 / 64, 100, 0.406)],
)
def test_choked_orifice_table(inches: float, psig: float, published_cfm: float) -> None:
    # Handbook table "Discharge of air through an orifice", coefficient 1.0, 70 °F, 14.7 psia
    # (S. A. Moss's formula); we count at 68 °F, 0.4 % off.
    mass = air.leak_kg_s(inches * M_PER_IN, psig * PA_PER_PSI, discharge_coefficient=1.0)
    assert air.scfm(mass) == pytest.approx(published_cfm, rel=0.01)


@pytest.mark.parametrize(
    ("inches", "psig", "published_cfm"),
    [(1 / 32, 90, 1.46), (1 / 16, 90, 5.72), (1 / 8, 80, 20.76), (1 / 4, 100, 100.9)],
)
def test_leak_table_of_the_department_of_energy(
    inches: float, psig: float, published_cfm: float
) -> None:
    # US Department of Energy, Compressed Air Tip Sheet 3 (from memory), leakage rates; the table
    # itself strays by some 4 % from the choked formula.
    mass = air.leak_kg_s(inches * M_PER_IN, psig * PA_PER_PSI, discharge_coefficient=1.0)
    assert air.scfm(mass) == pytest.approx(published_cfm, rel=0.05)


def test_cost_example_of_the_department_of_energy() -> None:
    # Same tip sheet's example (from memory): 100 leaks of 1/32 in, 1.46 cfm·0.61 each, 0.18
    # kW/cfm, 7000 h, $0.05/kWh make $5,611 a year.
    cubic_feet = 100 * 1.46 * 0.61 * 60 * 7000
    assert air.air_cost(cubic_feet, 0.05, kw_per_100_scfm=18.0) == pytest.approx(5611, rel=0.001)


def test_ideal_air_use_of_a_one_to_one_pump() -> None:
    # Boyle: moving 1 gal at 60 psig takes 1 gal of air at 74.7 psia = 0.13368·74.7/14.7 cubic feet.
    rate_hz = US_GPM_ML_S / 60.0
    used = air.air_use_scfm(60.0, 60 * PA_PER_PSI, rate_hz, dead_share=0.0)
    assert used == pytest.approx(0.13368 * 74.696 / 14.7, rel=1e-3)


@pytest.mark.parametrize(
    ("upstream_psig", "downstream_psig", "ratio", "grams"),
    [(60, 0, 0.3, 6.103), (60, 40, 0.3, 4.800), (60, 40, 0.528, 5.503), (20, 10, 0.3, 2.292)],
)
def test_iso_6358_flow(
    upstream_psig: float, downstream_psig: float, ratio: float, grams: float
) -> None:
    # ISO 6358-1 equations, computed separately for C = 1 dm³/(s·bar) at 20 °C.
    mass = air.iso6358_flow_kg_s(
        1e-8,
        upstream_psig * PA_PER_PSI + STANDARD_ATMOSPHERE_PA,
        downstream_psig * PA_PER_PSI + STANDARD_ATMOSPHERE_PA,
        critical_ratio=ratio,
    )
    assert mass * 1000 == pytest.approx(grams, rel=1e-3)


def test_iso_6358_flow_starts_gently() -> None:
    # ISO 6358 leaves the ellipse near equal pressures, where its slope is infinite: halving a
    # small difference must halve the flow, and there is none at equal pressures.
    assert air.flow_share(1.0, 0.3) == 0.0
    assert air.flow_share(0.9995, 0.3) == pytest.approx(air.flow_share(0.999, 0.3) / 2, rel=1e-6)


@pytest.mark.parametrize("psig", [5, 10, 14])
def test_leak_below_choking_against_the_isentropic_nozzle(psig: float) -> None:
    # Saint-Venant and Wantzel's nozzle formula, exact for an ideal gas; ISO 6358's ellipse is
    # within 1 % of it.
    upstream = psig * PA_PER_PSI + STANDARD_ATMOSPHERE_PA
    ratio = STANDARD_ATMOSPHERE_PA / upstream
    exact = (
        0.61
        * math.pi
        / 4
        * 0.001**2
        * upstream
        * math.sqrt(
            2 * 1.4 / 0.4 / (287.055 * 293.15) * (ratio ** (2 / 1.4) - ratio ** (2.4 / 1.4))
        )
    )
    assert air.leak_kg_s(0.001, psig * PA_PER_PSI) == pytest.approx(exact, rel=0.01)


def test_air_of_one_stroke() -> None:
    # 60 mL at 58 psig without dead volume: Boyle to 100 kPa, 0.06·(58·6.8948 + 101.3)/100 L.
    litres = air.stroke_air_l(60.0, 58 * PA_PER_PSI, dead_share=0.0)
    assert litres == pytest.approx(0.3007, rel=0.001)
    more = air.stroke_air_l(60.0, 58 * PA_PER_PSI, dead_share=0.42)
    assert more - litres == pytest.approx(0.42 * 0.06 * 58 * PA_PER_PSI / 1e5, rel=0.001)


# Boyle 1662, "A Table of the Condensation of the Air": volume (scale marks) and pressure (inches
# of mercury, sixteenths), from memory.
BOYLE = [
    (48, 29 + 2 / 16),
    (44, 31 + 15 / 16),
    (40, 35 + 5 / 16),
    (36, 39 + 5 / 16),
    (32, 44 + 3 / 16),
    (28, 50 + 5 / 16),
    (24, 58 + 13 / 16),
    (20, 70 + 11 / 16),
    (16, 87 + 14 / 16),
    (12, 117 + 9 / 16),
]


@pytest.mark.parametrize(("marks", "inches"), BOYLE[1:])
def test_boyles_own_table(marks: int, inches: float) -> None:
    # The gas we compute from the volume pushed in must be the 48 marks Boyle started with. His
    # p·V scatters by 1.2 %, which a small push magnifies by p1/(p2 - p1).
    start = BOYLE[0][1]
    gas = line.gas_from_volume(48 - marks, start, inches, atmosphere_pa=start)
    assert gas.isothermal_ml == pytest.approx(48, rel=0.013 * start / (inches - start))
    assert gas.adiabatic_ml > gas.isothermal_ml


def test_reinforced_hose_stiffness_holds_a_textbook_value() -> None:
    # A hydraulics textbook gives 7000 psi for a 1/2 in hydraulic hose.
    hose = Line(length_m=1.0, bore_m=0.0127, material="braided")
    assert line.stiffness_pa(hose).holds(7000 * PA_PER_PSI)


def test_a_stiff_wall_leaves_the_speed_of_sound_in_water() -> None:
    # 1482 m/s at 20 °C (CRC Handbook).
    stiff = line.tube_stiffness_pa(0.01, 0.005, 1e15, 0.3)
    assert math.sqrt(stiff / 998.2) == pytest.approx(1482, rel=0.01)


def test_joukowsky_water_hammer() -> None:
    # Joukowsky 1898: about 4 atm for 1 ft/s in iron mains (a near 1300 m/s).
    assert line.hammer_pa(998.2, 1300, M_PER_FT) / STANDARD_ATMOSPHERE_PA == pytest.approx(
        4, rel=0.05
    )


def test_torricelli_jet_and_drain() -> None:
    # Torricelli: speed √(2gh); and a tank drains in 2V/Q0 when the head falls to nothing.
    fluid = Fluid()
    area = math.pi / 4 * 0.001**2
    jet = flow.tip_flow_ml_s(0.001, liquid.column_pa(1.0, 1.0), fluid, 1.0) * 1e-6 / area
    assert jet == pytest.approx(math.sqrt(2 * 9.80665), rel=1e-6)
    first = 0.62 * area * math.sqrt(2 * 9.80665 * 1.2)
    volume = math.pi / 4 * 0.0095**2 * 1.2
    assert suction.drain_seconds(1.2, 0.0095, 0.001) == pytest.approx(2 * volume / first, rel=1e-9)


def test_ten_metres_of_water_is_all_the_sky_can_lift() -> None:
    # Common physics: 10.3 m of cold water at sea level, a fifth less at a mile (83.4 kPa).
    assert suction.theoretical_lift_m(0, 4, 1.0) == pytest.approx(10.3, abs=0.05)
    assert suction.theoretical_lift_m(1609.3, 4, 1.0) / 10.3 == pytest.approx(0.82, abs=0.01)


def test_leak_exponent_of_an_orifice() -> None:
    # Orifice law Q ~ √p: 60 to 40 psi cuts a leak to √(2/3) = 0.816.
    assert line.leak_exponent(1.0, math.sqrt(2 / 3), 60, 40) == pytest.approx(0.5)
