"""The discharge line as a spring: hose compliance, gas trapped in it, leaks out of it.

Gas laws use absolute pressures (names say abs); volumes of gas are reported at atmospheric
pressure, because that figure does not depend on the episode it was measured in.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from monitor.hydraulics.band import Band
from monitor.hydraulics.suction import line_volume_ml
from monitor.site import Line
from monitor.units import STANDARD_ATMOSPHERE_PA

GAMMA = 1.4
WATER_BULK_MODULUS_PA = 2.18e9
"""Water near 20 °C (usual handbook value)."""
WALL_M = 0.0015875
"""1/16 in, the usual wall of small chemical tubing (common practice, no published source)."""
STROKE_SIGMA = 1.0 / math.sqrt(6.0)
"""Error (rms, in strokes) of a volume counted in whole strokes when neither the start nor the end
falls on a stroke: difference of two uniform fractions."""
Z_95 = 1.96
"""Two-sided 95 % quantile of the normal law."""

# Young's modulus in Pa and Poisson's ratio of the wall (from memory, wide makers' ranges); the
# band covers grade and temperature.
_WALL: dict[str, tuple[Band, float]] = {
    "PE": (Band(0.15e9, 0.6e9), 0.45),
    "PA12": (Band(0.3e9, 1.1e9), 0.40),
    "PVC": (Band(5e6, 20e6), 0.45),
    "PTFE": (Band(0.3e9, 0.6e9), 0.46),
}
# Reinforced hose: effective stiffness of hose and liquid together in Pa.
_REINFORCED = Band(20e6, 300e6)
_UNKNOWN = Band(15e6, 300e6)


def stiffness_pa(line: Line) -> Band:
    """Effective bulk modulus in Pa of hose and water together, low and high.

    1/B = 1/B_liquid + (2/E)·[(Do² + Di²)/(Do² - Di²) + nu], a thick tube free to stretch (Lamé).
    """
    if line.material not in _WALL:
        return _REINFORCED if line.material == "braided" else _UNKNOWN
    modulus, poisson = _WALL[line.material]
    return Band(
        tube_stiffness_pa(line.bore_m, WALL_M, modulus.low, poisson),
        tube_stiffness_pa(line.bore_m, WALL_M, modulus.high, poisson),
    )


def tube_stiffness_pa(bore_m: float, wall_m: float, modulus_pa: float, poisson: float) -> float:
    """Effective bulk modulus in Pa of one water-filled tube (thick wall, Lamé; see above)."""
    outer, inner = (bore_m + 2.0 * wall_m) ** 2, bore_m**2
    hose = 2.0 / modulus_pa * ((outer + inner) / (outer - inner) + poisson)
    return 1.0 / (hose + 1.0 / WATER_BULK_MODULUS_PA)


def compliance_ml_pa(line: Line) -> Band:
    """Volume in mL that a gas-free line takes up per Pa; a pump's own baseline is better."""
    stiffness, volume = stiffness_pa(line), line_volume_ml(line)
    return Band(volume / stiffness.high, volume / stiffness.low)


def wave_speed_m_s(line: Line, density_kg_m3: float) -> Band:
    """Speed of a pressure wave in the line, √(B/rho): 2L/a is its echo time (Joukowsky)."""
    stiffness = stiffness_pa(line)
    return Band(math.sqrt(stiffness.low / density_kg_m3), math.sqrt(stiffness.high / density_kg_m3))


def hammer_pa(density_kg_m3: float, wave_m_s: float, velocity_m_s: float) -> float:
    """Pressure rise in Pa when a flow is stopped faster than the echo, rho·a·v (Joukowsky 1898)."""
    return density_kg_m3 * wave_m_s * velocity_m_s


@dataclass(frozen=True, slots=True)
class TrappedGas:
    """Gas in a line in mL at atmospheric pressure: slow, fast, and the counting error.

    isothermal_ml is right for slow filling, adiabatic_ml for fast; the truth lies between.
    sigma_ml: one standard deviation from counting whole strokes, on isothermal_ml.
    """

    isothermal_ml: float
    adiabatic_ml: float
    sigma_ml: float

    @property
    def band(self) -> Band:
        """From the slow to the fast reading, widened by two sigma, never below zero."""
        low, high = sorted((self.isothermal_ml, self.adiabatic_ml))
        return Band(max(0.0, low - 2.0 * self.sigma_ml), max(0.0, high + 2.0 * self.sigma_ml))


def gas_from_volume(
    pushed_ml: float,
    start_abs_pa: float,
    end_abs_pa: float,
    *,
    sigma_pushed_ml: float = 0.0,
    atmosphere_pa: float = STANDARD_ATMOSPHERE_PA,
) -> TrappedGas:
    """Gas that took up a pushed-in volume while the pressure rose, outlets closed.

    Isothermal (Boyle): V1 = dV·p2/(p2 - p1). Adiabatic: V1 = dV/(1 - (p1/p2)^(1/gamma)). Both at
    the starting pressure, then carried isothermally to atmospheric pressure, since the gas had
    time to take the room's temperature before.
    """
    if not 0 < start_abs_pa < end_abs_pa:
        raise ValueError(
            "start_abs_pa must be above zero and below end_abs_pa (absolute pressures)"
        )
    to_atmosphere = start_abs_pa / atmosphere_pa
    slow = end_abs_pa / (end_abs_pa - start_abs_pa) * to_atmosphere
    fast = to_atmosphere / (1.0 - (start_abs_pa / end_abs_pa) ** (1.0 / GAMMA))
    pushed = max(pushed_ml, 0.0)
    return TrappedGas(pushed * slow, pushed * fast, sigma_pushed_ml * slow)


@dataclass(frozen=True, slots=True)
class Refill:
    """A line that was filled to stall: strokes, start and end in absolute Pa, what else drew."""

    strokes: float
    start_abs_pa: float
    end_abs_pa: float
    duration_s: float = 0.0
    leak_ml_s: float = 0.0


def gas_from_strokes(
    refill: Refill,
    displacement_ml: float,
    compliance_ml_pa: float,
    *,
    efficiency: float = 1.0,
    atmosphere_pa: float = STANDARD_ATMOSPHERE_PA,
) -> TrappedGas:
    """Trapped gas from the strokes a closed line took to come up to stall.

    Strokes·displacement·efficiency, less what the hose stretched and what leaked meanwhile, went
    into squeezing gas. One stroke is worth 75 mL of gas (60 mL pump, 0 to 60 psi) but 834 mL from
    40 to 60 psi, so use it for a line that starts near zero gauge, and the dip slope else.
    """
    pushed = (
        refill.strokes * efficiency * displacement_ml
        - compliance_ml_pa * (refill.end_abs_pa - refill.start_abs_pa)
        - refill.leak_ml_s * refill.duration_s
    )
    return gas_from_volume(
        pushed,
        refill.start_abs_pa,
        refill.end_abs_pa,
        sigma_pushed_ml=STROKE_SIGMA * displacement_ml,
        atmosphere_pa=atmosphere_pa,
    )


def compliance_from_dip(flow_ml_s: float, fall_pa_s: float) -> float:
    """Line compliance in mL/Pa from how fast pressure falls at a reversal, C = Q/|dp/dt|.

    At the reversal nothing flows in while the outlet still draws Q = f·efficiency·displacement.
    Take the slope over the first 20 ms or so of the dip.
    """
    if fall_pa_s <= 0:
        raise ValueError("fall_pa_s must be above zero: the size of the pressure's fall in Pa/s")
    return flow_ml_s / fall_pa_s


def gas_from_compliance(
    compliance_ml_pa: float,
    gas_free_ml_pa: float,
    pressure_abs_pa: float,
    *,
    share_error: float = 0.1,
    atmosphere_pa: float = STANDARD_ATMOSPHERE_PA,
) -> TrappedGas:
    """Trapped gas from a line that is softer than when it was gas-free.

    V_atm = n·(C - C0)·p²/p_atm with n = 1 slow and 1.4 fast (a gas's dV/dp = V/(n·p)). A dip lasts
    a tenth of a second, between the two. share_error is that of the gas-free compliance, 10 %
    chosen; below some 20 to 30 mL the figure means nothing.
    """
    per = pressure_abs_pa**2 / atmosphere_pa
    soft = max(0.0, compliance_ml_pa - gas_free_ml_pa)
    return TrappedGas(soft * per, GAMMA * soft * per, share_error * gas_free_ml_pa * per)


@dataclass(frozen=True, slots=True)
class IdleLeak:
    """A leak told from strokes while every outlet is closed.

    smallest_ml_min: what this window could have shown at all (three strokes in it).
    """

    leak_ml_min: float
    sigma_ml_min: float
    smallest_ml_min: float

    @property
    def limits(self) -> Band:
        """95 % limits in mL/min: 1.96 sigma about the leak; no stroke at all allows almost one.

        A steady leak strokes at even intervals, so this is no Poisson count.
        """
        if self.leak_ml_min == 0.0:
            return Band(0.0, self.smallest_ml_min / 3.0)
        room = Z_95 * self.sigma_ml_min
        return Band(max(self.leak_ml_min - room, 0.0), self.leak_ml_min + room)

    @property
    def litres_a_day(self) -> float:
        """The same leak as litres a day."""
        return self.leak_ml_min * 1.44


def idle_leak(
    strokes: float,
    window_s: float,
    displacement_ml: float,
    efficiency: float = 1.0,
    *,
    windows: int = 1,
) -> IdleLeak:
    """Leak in mL/min from idle strokes in a window: N·V/T, sigma V/(√6·T), smallest 3·V/T.

    The diaphragm creeps unseen between strokes, so neither end of the window falls on a stroke;
    rest put together from several windows errs at the ends of each (sigma times their root). A
    60 mL pump shows 0.4 mL/min in a night of 8 h, 3 mL/min in an hour, 18 mL/min in 10 min.
    """
    if window_s <= 0:
        raise ValueError("window_s must be above zero seconds")
    one_ml_min = efficiency * displacement_ml / window_s * 60.0
    sigma = STROKE_SIGMA * max(windows, 1) ** 0.5 * one_ml_min
    return IdleLeak(strokes * one_ml_min, sigma, 3.0 * one_ml_min)


def leak_from_interval_ml_min(
    interval_s: float, displacement_ml: float, efficiency: float = 1.0
) -> float:
    """Leak in mL/min from the time between two evenly spaced idle strokes: V/T.

    Sharper than counting in a window: both ends fall on a stroke.
    """
    return efficiency * displacement_ml / interval_s * 60.0


@dataclass(frozen=True, slots=True)
class Decay:
    """A falling pressure judged: leak at the starting pressure, and which law fits better.

    kind: 'hole' (√p falls straight, a weep through an opening) or 'seat' (ln p falls straight, a
    laminar weep past a seat).
    """

    leak_ml_s: float
    kind: str


def decay_time_s(
    start_pa: float, end_pa: float, compliance_ml_pa: float, leak_ml_s: float, kind: str = "hole"
) -> float:
    """Time in s for an isolated line to fall from start to end (gauge), leak as at the start.

    hole (Q ~ √p): 2·C·p0/Q·(1 - √(p1/p0)). seat (Q ~ p): C·p0/Q·ln(p0/p1). From C·dp/dt = -Q.
    """
    scale = compliance_ml_pa * start_pa / leak_ml_s
    if kind == "hole":
        return 2.0 * scale * (1.0 - math.sqrt(end_pa / start_pa))
    return scale * math.log(start_pa / end_pa)


def leak_from_decay(
    time_s: Sequence[float], pressure_pa: Sequence[float], compliance_ml_pa: float
) -> Decay | None:
    """Leak from a closed line's falling pressure (gauge), by straight lines in √p and ln p.

    None with fewer than five points above zero, or where pressure does not fall. A line in the
    sun or at night drifts 1 to 2 psi a kelvin without any leak: compare with the room first.
    """
    t, p = np.asarray(time_s, float), np.asarray(pressure_pa, float)
    good = np.isfinite(p) & (p > 0)
    t, p = t[good], p[good]
    if len(p) < 5 or np.ptp(t) <= 0:
        return None
    fits = {}
    for kind, bent in (("hole", np.sqrt(p)), ("seat", np.log(p))):
        slope, level = np.polyfit(t - t[0], bent, 1)
        fitted = level + slope * (t - t[0])
        back = fitted**2 if kind == "hole" else np.exp(fitted)
        start = float(back[0])
        rate = 2.0 * level * slope if kind == "hole" else start * slope
        fits[kind] = (float(np.mean((back - p) ** 2)), -float(rate))
    kind = min(fits, key=lambda name: fits[name][0])
    if fits[kind][1] <= 0:
        return None
    return Decay(compliance_ml_pa * fits[kind][1], kind)


def leak_exponent(
    leak_high: float, leak_low: float, pressure_high_pa: float, pressure_low_pa: float
) -> float:
    """N1 in leak ~ p^N1 from two set pressures: 0.5 a fixed opening, 1 a seat, 1.5 a crack.

    Water-loss practice (fixed and variable area discharge paths, FAVAD; field range 0.36 to 2.95).
    """
    return math.log(leak_high / leak_low) / math.log(pressure_high_pa / pressure_low_pa)
