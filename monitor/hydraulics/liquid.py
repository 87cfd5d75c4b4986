"""The liquid: density, column weight, vapour pressure, and the weight of the air above it."""

import math

from fluids.atmosphere import ATMOSPHERE_1976

from monitor.site import Fluid
from monitor.units import KELVIN_OFFSET

WATER_DENSITY_KG_M3 = 998.2
"""Water at 20 °C and 1 atm (IAPWS-95, as CoolProp gives it); specific gravity is against this."""
GRAVITY_M_S2 = 9.80665
"""Standard gravity (ISO 80000-3)."""

# Coefficients n1 to n10 of region 4 of IAPWS-IF97 (R7-97, table 34).
_IF97_REGION_4 = (
    0.11670521452767e4,
    -0.72421316703206e6,
    -0.17073846940092e2,
    0.12020824702470e5,
    -0.32325550322333e7,
    0.14915108613530e2,
    -0.48232657361591e4,
    0.40511340542057e6,
    -0.23855557567849,
    0.65017534844798e3,
)


def density_kg_m3(fluid: Fluid) -> float:
    """Density in kg/m³ from the specific gravity."""
    return fluid.specific_gravity * WATER_DENSITY_KG_M3


def column_pa(height_m: float, specific_gravity: float) -> float:
    """Pressure in Pa of a liquid column, rho·g·h; negative for a negative height."""
    return specific_gravity * WATER_DENSITY_KG_M3 * GRAVITY_M_S2 * height_m


def vapour_pressure_pa(temperature_c: float) -> float:
    """Saturation pressure of water in Pa, 0 to 90 °C (IAPWS-IF97, region 4, equation 30).

    A dilute chemical boils at nearly this; one with a volatile solvent boils sooner, so treat the
    margin from this as an upper bound then. Below 0 °C the curve is continued, which is on the
    safe side of ice.
    """
    n = _IF97_REGION_4
    kelvin = temperature_c + KELVIN_OFFSET
    theta = kelvin + n[8] / (kelvin - n[9])
    a = theta**2 + n[0] * theta + n[1]
    b = n[2] * theta**2 + n[3] * theta + n[4]
    c = n[5] * theta**2 + n[6] * theta + n[7]
    return float((2.0 * c / (-b + math.sqrt(b * b - 4.0 * a * c))) ** 4 * 1e6)


def atmosphere_pa(altitude_m: float) -> float:
    """Air pressure in Pa at an altitude (US Standard Atmosphere 1976; weather moves it by 3 %)."""
    return float(ATMOSPHERE_1976(altitude_m).P)
