"""From a pump's description to the kernel's parameter and state arrays."""

import math

import numpy as np

from edge.virtual import kernel as k
from edge.virtual.spec import ML, PSI, SONIC, STANDARD_ATMOSPHERE_PA, PumpSpec

GRAVITY = 9.80665
RATED_SURGE_PA_S_M3 = 2.8e9
"""rho a / A of a 9.5 mm hose with a = 200 m/s (Joukowsky): 12 psi for stopping 30 mL/s."""


def tip_constant(spec: PumpSpec, tip_m: float) -> float:
    """K of Q = K sqrt(P) (Torricelli with a discharge coefficient), m3/(s sqrt(Pa))."""
    area_m2 = math.pi / 4 * tip_m**2
    return spec.tip_cd * area_m2 * math.sqrt(2.0 / spec.fluid.density_kg_m3)


def viscosity(spec: PumpSpec, temp_c: float) -> float:
    """Pa s at a temperature: exponential fall, the usual short-range form."""
    return spec.fluid.viscosity_pa_s * math.exp(-spec.fluid.visc_per_k * (temp_c - 20.0))


def parameters(spec: PumpSpec, atmosphere_pa: float = STANDARD_ATMOSPHERE_PA) -> k.Array:
    """The healthy pump at 20 °C with its outlet shut."""
    p = np.zeros(k.PARAM_SIZE)
    rho = spec.fluid.density_kg_m3
    _air(spec, p, atmosphere_pa)
    p[k.P_VD] = spec.displacement_ml * ML
    p[k.P_VC] = spec.liquid_clearance_ml * ML
    p[k.P_DPF], p[k.P_DP0] = spec.friction_pa, spec.breakaway_pa
    p[k.P_RBALL] = 0.5 * rho / spec.ball_port_m2**2
    p[k.P_IROD] = spec.rod_inertance_kg_m4
    p[k.P_CH] = spec.line_compliance_ml_psi * ML / PSI
    p[k.P_NG] = spec.gas_exponent
    p[k.P_GTRAP] = spec.line_gas_ml * ML
    p[k.P_VLINE] = spec.line_volume_ml * ML
    p[k.P_CRACK] = spec.check_crack_pa
    p[k.P_NLEAK] = 0.5
    p[k.P_SEEP] = spec.seep_s
    p[k.P_SLIP], p[k.P_JIT] = spec.slip_share, spec.stroke_jitter
    p[k.P_PV] = spec.fluid.vapour_pa
    p[k.P_THAW_S] = 240.0
    p[k.P_TAU], p[k.P_RINGS] = spec.sensor.tau_s, spec.ring_s
    area_m2 = math.pi / 4 * spec.suction_bore_m**2
    p[k.P_VSUC] = spec.suction_volume_ml * ML
    p[k.P_IS] = rho * spec.suction_length_m / area_m2
    # Seven tenths of the hose stand above the drum; a flooded suction cannot fall back.
    p[k.P_DRAINMAX] = 0.7 * p[k.P_VSUC] * min(1.0, max(spec.lift_m, 0.0) / 0.15)
    return p


def _air(spec: PumpSpec, p: k.Array, atmosphere_pa: float) -> None:
    """Air chambers, valve, supply."""
    p[k.P_VA0] = spec.air_clearance_ml * ML
    p[k.P_CIN], p[k.P_CEX] = spec.c_in * SONIC, spec.c_ex * SONIC
    p[k.P_B], p[k.P_TV] = spec.b, spec.valve_shift_s
    p[k.P_CSUP] = min(spec.c_supply * SONIC, 1.0)
    p[k.P_VSUP] = spec.supply_volume_ml * ML
    p[k.P_PATM] = atmosphere_pa
    p[k.P_SET] = atmosphere_pa + spec.set_pa


def suction_terms(spec: PumpSpec, p: k.Array, temp_c: float, drawn_ml: float) -> None:
    """Static lift (deeper as the drum empties) and hose friction at this temperature."""
    deeper_m = 0.0
    if math.isfinite(spec.drum_ml):
        # An emptied drum is swapped at once unless a fault says otherwise: the level starts anew.
        deeper_m = spec.drum_height_m * (max(0.0, drawn_ml / spec.drum_ml) % 1.0)
    rho = spec.fluid.density_kg_m3
    p[k.P_SRC] = -rho * GRAVITY * (spec.lift_m + deeper_m) - spec.foot_crack_pa
    mu = viscosity(spec, temp_c)
    p[k.P_LAMS] = 128 * mu * spec.suction_length_m / (math.pi * spec.suction_bore_m**4)
    area_m2 = math.pi / 4 * spec.suction_bore_m**2
    loss = 10.0 + 0.03 * spec.suction_length_m / spec.suction_bore_m
    p[k.P_RQS] = 0.0 if spec.suction_length_m <= 0 else 0.5 * rho * loss / area_m2**2
    p[k.P_LAMD] = spec.line_laminar_pa_s_m3 * mu / spec.fluid.viscosity_pa_s


def initial_state(spec: PumpSpec, p: k.Array, along: float) -> k.Array:
    """Primed and stalled, the rod parked `along` its stroke (0..1)."""
    s = np.zeros(k.STATE_SIZE)
    s[k.X], s[k.X_END], s[k.STUCK], s[k.PARKED] = along, 1.0, 1.0, 1.0
    s[k.PA] = s[k.PSUP] = p[k.P_SET]
    s[k.PE] = p[k.P_PATM]
    s[k.PL] = max(0.0, p[k.P_SET] - p[k.P_PATM] + p[k.P_SRC] - spec.friction_pa)
    s[k.PCD], s[k.PCS], s[k.FILT] = s[k.PL], p[k.P_SRC], s[k.PL]
    s[k.TOP] = p[k.P_VSUC]
    return s
