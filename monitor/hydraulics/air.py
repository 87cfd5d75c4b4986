"""Compressed air: flow through small passages, what a stroke uses, what a leak costs.

Flow law: ISO 6358-1 (sonic conductance C, critical ratio b). Volumes always name their reference,
because "standard" cubic feet differ by up to 1.5 % between bodies.
"""

import math
from dataclasses import dataclass

from monitor.units import STANDARD_ATMOSPHERE_PA

AIR_GAS_CONSTANT = 287.055
"""J/(kg K), dry air (US Standard Atmosphere 1976: 8314.32 / 28.9644)."""
GAMMA = 1.4
"""Ratio of specific heats of air."""
LAMINAR_ABOVE = 0.999
"""Pressure ratio above which ISO 6358 flow is taken linear, so that its slope stays finite."""
M3_PER_CUBIC_FOOT = 0.3048**3


@dataclass(frozen=True, slots=True)
class AirReference:
    """The state at which a 'standard' volume is counted."""

    name: str
    pressure_pa: float
    temperature_k: float


ANR = AirReference("ANR, 100 kPa, 20 °C, 65 % RH (ISO 8778)", 100_000.0, 293.15)
"""Litres are counted at this."""
SCFM_US = AirReference("SCFM, 14.7 psia, 68 °F, 36 % RH", 101_352.93, 293.15)
"""Cubic feet are counted at this."""
SCFM_COMPRESSOR = AirReference("SCFM, 14.5 psia, 68 °F, dry", 99_973.98, 293.15)

DENSITY_ANR_KG_M3 = 1.185
"""Air at ANR (ISO 6358-1)."""


def iso6358_flow_kg_s(
    conductance_m3_s_pa: float,
    upstream_abs_pa: float,
    downstream_abs_pa: float,
    *,
    critical_ratio: float = 0.3,
    upstream_k: float = 293.15,
) -> float:
    """Mass flow in kg/s through a passage of sonic conductance C in m³/(s·Pa), both sides absolute.

    1 dm³/(s·bar) is 1e-8 m³/(s·Pa). Choked at and below the critical ratio b, elliptic above,
    linear above 0.999. No flow where downstream is not below upstream. Source: ISO 6358-1.
    b = 0.3 lies in the middle of 0.2 to 0.5, usual for valves (from memory); 0.528 is the ideal
    nozzle.
    """
    if upstream_abs_pa <= 0 or downstream_abs_pa >= upstream_abs_pa:
        return 0.0
    choked = (
        conductance_m3_s_pa * upstream_abs_pa * DENSITY_ANR_KG_M3 * math.sqrt(293.15 / upstream_k)
    )
    return choked * flow_share(downstream_abs_pa / upstream_abs_pa, critical_ratio)


def flow_share(pressure_ratio: float, critical_ratio: float) -> float:
    """Share of the choked flow at a ratio downstream/upstream in absolute pressure (ISO 6358-1)."""
    if pressure_ratio <= critical_ratio:
        return 1.0
    if pressure_ratio >= 1.0:
        return 0.0
    if pressure_ratio > LAMINAR_ABOVE:
        edge = flow_share(LAMINAR_ABOVE, critical_ratio)
        return edge * (1.0 - pressure_ratio) / (1.0 - LAMINAR_ABOVE)
    return math.sqrt(1.0 - ((pressure_ratio - critical_ratio) / (1.0 - critical_ratio)) ** 2)


def hole_conductance_m3_s_pa(hole_m: float, discharge_coefficient: float = 1.0) -> float:
    """Sonic conductance in m³/(s·Pa) of a round hole of that diameter.

    From the choked flow of an ideal nozzle, A·p·√(γ/(R·T))·(2/(γ+1))^((γ+1)/(2(γ-1))), set equal
    to C·p·ρ0: an ideal area of 1 mm² is 0.199 dm³/(s·bar).
    """
    area_m2 = math.pi / 4.0 * hole_m**2 * discharge_coefficient
    choked: float = math.sqrt(GAMMA / (AIR_GAS_CONSTANT * 293.15)) * (2.0 / (GAMMA + 1.0)) ** (
        (GAMMA + 1.0) / (2.0 * (GAMMA - 1.0))
    )
    return area_m2 * choked / DENSITY_ANR_KG_M3


def standard_m3(mass_kg: float, reference: AirReference) -> float:
    """Volume in m³ that a mass of air fills at a reference state (ideal gas)."""
    return mass_kg * AIR_GAS_CONSTANT * reference.temperature_k / reference.pressure_pa


def scfm(mass_kg_s: float, reference: AirReference = SCFM_US) -> float:
    """Cubic feet a minute at the reference for a mass flow in kg/s."""
    return standard_m3(mass_kg_s, reference) / M3_PER_CUBIC_FOOT * 60.0


def stroke_air_kg(
    displacement_ml: float,
    air_pa: float,
    *,
    dead_share: float = 0.42,
    atmosphere_pa: float = STANDARD_ATMOSPHERE_PA,
    temperature_k: float = 293.15,
) -> float:
    """Air in kg that one stroke uses at slow demand, supply pressure gauge.

    The drive chamber (displacement plus the dead volume on the air side) is full at supply pressure
    when it is let off, and started with the dead volume at atmosphere. dead_share 0.42 of the
    displacement is computed: it brings a simulated pump of the 5 US gal/min class to its rated
    flow; take 0 for the ideal pump. An upper bound at fast strokes, where the chamber never
    reaches supply pressure.
    """
    full = (1.0 + dead_share) * (air_pa + atmosphere_pa) - dead_share * atmosphere_pa
    return full * displacement_ml * 1e-6 / (AIR_GAS_CONSTANT * temperature_k)


def stroke_air_l(displacement_ml: float, air_pa: float, *, dead_share: float = 0.42) -> float:
    """Standard litres (ANR) that one stroke uses at slow demand; see stroke_air_kg."""
    return 1000.0 * standard_m3(stroke_air_kg(displacement_ml, air_pa, dead_share=dead_share), ANR)


def air_use_scfm(
    displacement_ml: float, air_pa: float, rate_hz: float, *, dead_share: float = 0.42
) -> float:
    """Cubic feet a minute (14.7 psia, 68 °F) at a stroke rate; see stroke_air_kg."""
    return scfm(stroke_air_kg(displacement_ml, air_pa, dead_share=dead_share) * rate_hz)


def leak_kg_s(
    hole_m: float,
    air_pa: float,
    *,
    discharge_coefficient: float = 0.61,
    atmosphere_pa: float = STANDARD_ATMOSPHERE_PA,
) -> float:
    """Mass flow in kg/s out of a hole in the air line, supply pressure gauge.

    0.61 is a sharp-edged hole, 0.97 a well-rounded one (usual orifice coefficients).
    """
    return iso6358_flow_kg_s(
        hole_conductance_m3_s_pa(hole_m, discharge_coefficient),
        air_pa + atmosphere_pa,
        atmosphere_pa,
        critical_ratio=(2.0 / (GAMMA + 1.0)) ** (GAMMA / (GAMMA - 1.0)),
    )


def compressor_kwh(air_scf: float, kw_per_100_scfm: float = 18.7) -> float:
    """Electrical energy in kWh for standard cubic feet of compressed air.

    18.7 kW for 100 cfm is about 4 cfm a horsepower, the usual rule of thumb (US Department of
    Energy, compressed air tip sheets); poor sets need 25.
    """
    return air_scf / 60.0 * kw_per_100_scfm / 100.0


def air_cost(air_scf: float, price_per_kwh: float, kw_per_100_scfm: float = 18.7) -> float:
    """Cost of standard cubic feet of air, in the currency of the price (see compressor_kwh)."""
    return compressor_kwh(air_scf, kw_per_100_scfm) * price_per_kwh
