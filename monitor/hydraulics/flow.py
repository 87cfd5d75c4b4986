"""Liquid in hoses, fittings and tips, and the point where pump and system meet.

Friction factor: Churchill 1977, one formula for all regimes, by the library fluids. Plastic hose
is taken hydraulically smooth.
"""

import math
from dataclasses import dataclass

from fluids.friction import Churchill_1977

from monitor.hydraulics.liquid import column_pa, density_kg_m3
from monitor.hydraulics.pump import PumpCurve, pressure_drop_share
from monitor.site import Fluid, Line

TIP_COEFFICIENT = 0.62
"""Sharp-edged orifice at high Reynolds number (usual handbook value; short tubes near 0.8)."""


def velocity_m_s(flow_ml_s: float, bore_m: float) -> float:
    """Mean velocity in a round bore."""
    return flow_ml_s * 1e-6 / (math.pi / 4.0 * bore_m**2)


def reynolds(flow_ml_s: float, bore_m: float, fluid: Fluid) -> float:
    """Reynolds number in a round bore."""
    return density_kg_m3(fluid) * velocity_m_s(flow_ml_s, bore_m) * bore_m / fluid.viscosity_pa_s


def friction_factor(reynolds_number: float, relative_roughness: float = 0.0) -> float:
    """Darcy friction factor, Churchill 1977 (laminar 64/Re, smooth transition, turbulent)."""
    return float(Churchill_1977(reynolds_number, relative_roughness))


def hose_loss_pa(line: Line, fluid: Fluid, flow_ml_s: float) -> float:
    """Friction loss in Pa of a smooth hose at a steady flow (Darcy-Weisbach)."""
    if flow_ml_s <= 0:
        return 0.0
    factor = friction_factor(reynolds(flow_ml_s, line.bore_m, fluid))
    return factor * line.length_m / line.bore_m * _dynamic_pa(flow_ml_s, line.bore_m, fluid)


def fitting_loss_pa(
    bore_m: float, fluid: Fluid, flow_ml_s: float, loss_coefficient: float = 10.0
) -> float:
    """Loss in Pa of fittings, K·ρv²/2.

    K = 10 in all is chosen: entry, strainer, two couplers and a few bends after Crane TP-410
    tables add up to about that.
    """
    return loss_coefficient * _dynamic_pa(flow_ml_s, bore_m, fluid)


def _dynamic_pa(flow_ml_s: float, bore_m: float, fluid: Fluid) -> float:
    return 0.5 * density_kg_m3(fluid) * velocity_m_s(flow_ml_s, bore_m) ** 2


def tip_flow_ml_s(
    tip_m: float, pressure_pa: float, fluid: Fluid, coefficient: float = TIP_COEFFICIENT
) -> float:
    """Flow in mL/s of a tip into the open: Cd·A·√(2p/ρ), gauge pressure at the tip."""
    if pressure_pa <= 0:
        return 0.0
    jet_m_s = math.sqrt(2.0 * pressure_pa / density_kg_m3(fluid))
    return coefficient * math.pi / 4.0 * tip_m**2 * jet_m_s * 1e6


def tip_pressure_pa(
    tip_m: float, flow_ml_s: float, fluid: Fluid, coefficient: float = TIP_COEFFICIENT
) -> float:
    """Gauge pressure in Pa that a tip needs for a flow; the inverse of tip_flow_ml_s."""
    jet_m_s = flow_ml_s * 1e-6 / (coefficient * math.pi / 4.0 * tip_m**2)
    return 0.5 * density_kg_m3(fluid) * jet_m_s**2


def system_constant(rate_hz: float, displacement_ml: float, mean_root_pressure: float) -> float:
    """K in mL/(s·√Pa) of what hangs on the discharge: f·V / mean(√p), p gauge in Pa.

    Constant for one bay function while air, suction or pump change, so a change of K points to
    the discharge side. Average √p over whole strokes: √(mean p) is off by 1.3 % at 3 mm tips
    (computed).
    """
    if mean_root_pressure <= 0:
        raise ValueError("mean_root_pressure must be above zero: the mean of the root of gauge Pa")
    return rate_hz * displacement_ml / mean_root_pressure


@dataclass(frozen=True, slots=True)
class OperatingPoint:
    """Where pump and system meet: gauge pressure at the pump, strokes a second, flow."""

    pressure_pa: float
    rate_hz: float
    flow_ml_s: float


@dataclass(frozen=True, slots=True)
class Discharge:
    """What hangs on a pump: hose, check valve, height of the outlet over the pump, tip."""

    line: Line
    fluid: Fluid
    tip_m: float
    check_crack_pa: float = 0.0
    rise_m: float = 0.0

    def needed_pa(self, flow_ml_s: float) -> float:
        """Gauge pressure at the pump that drives this flow out of the tip."""
        return (
            tip_pressure_pa(self.tip_m, flow_ml_s, self.fluid)
            + hose_loss_pa(self.line, self.fluid, flow_ml_s)
            + self.check_crack_pa
            + column_pa(self.rise_m, self.fluid.specific_gravity)
        )


def operating_point(
    stall_pa: float,
    air_pa: float,
    displacement_ml: float,
    discharge: Discharge,
    curve: PumpCurve,
) -> OperatingPoint:
    """Pressure, stroke rate and flow expected in a draw, averaged over whole strokes.

    Solves pump curve = system curve by bisection on the flow, which always has exactly one
    answer: the pump's pressure falls with flow and the system's need rises.
    """
    low, high = 0.0, 2_000.0
    for _ in range(60):
        flow_ml_s = 0.5 * (low + high)
        given = stall_pa - air_pa * pressure_drop_share(
            flow_ml_s / displacement_ml, displacement_ml, curve
        )
        if given > discharge.needed_pa(flow_ml_s):
            low = flow_ml_s
        else:
            high = flow_ml_s
    flow_ml_s = 0.5 * (low + high)
    rate_hz = flow_ml_s / displacement_ml
    drop = air_pa * pressure_drop_share(rate_hz, displacement_ml, curve)
    return OperatingPoint(max(stall_pa - drop, 0.0), rate_hz, flow_ml_s)
