"""The pump itself: stall pressure, pump curve, how fast it can stroke, what uneven strokes mean.

A stroke is one diaphragm delivering once; a cycle is two strokes. Pressures gauge unless the
name says abs.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from monitor.hydraulics.air import flow_share
from monitor.hydraulics.band import Band
from monitor.hydraulics.liquid import column_pa
from monitor.units import PA_PER_PSI, STANDARD_ATMOSPHERE_PA

RATED_FLOW_ML_S = 315.4509
"""5 US gal/min, the pump class (common practice, no published source)."""
AIR_MIN_PA = 20.0 * PA_PER_PSI
"""Least air for the pilot valve (common practice, no published source)."""
AIR_MAX_PA = 100.0 * PA_PER_PSI
"""Most air (common practice, no published source)."""
FRICTION_PA = Band(1.0 * PA_PER_PSI, 1.8 * PA_PER_PSI)
"""Running and breakaway friction of diaphragms and rod, as pressure: chosen, because the few
published stall figures lie 1 to 2 psi under air pressure; learn it per pump."""

_REFERENCE_DISPLACEMENT_ML = 60.0
VALVE_S = Band(0.02, 0.08)
"""Time in s that a small air valve takes to shift, new and aged (from memory)."""
WIDEST_EXHAUST_ML_S = 2000.0
FASTEST_HZ = 25.0
"""Shorter intervals than 40 ms are contact bounce (chosen: no small diaphragm turns faster)."""


def stall_band_pa(air_pa: float, lift_m: float, specific_gravity: float) -> Band:
    """Gauge pressure in Pa between which the pump stalls and restarts with every outlet closed.

    Force balance at rest, equal areas (1:1): air pressure less the suction lift less friction.
    The low end is where it strokes again, the high end where it stops. After a draw's surge the
    balls may hold the line above it, 2 to 14 psi for minutes, and then near the air pressure.
    """
    lift_pa = column_pa(lift_m, specific_gravity)
    return Band(air_pa - lift_pa - FRICTION_PA.high, air_pa - lift_pa - FRICTION_PA.low)


def stall_pressure_pa(air_pa: float, lift_m: float, specific_gravity: float) -> float:
    """Middle of stall_band_pa: what the line is expected to hold when idle."""
    return stall_band_pa(air_pa, lift_m, specific_gravity).middle


def air_from_stall_pa(stall_pa: float, lift_m: float, specific_gravity: float) -> Band:
    """Air supply (gauge Pa) that a stall pressure implies; the inverse of stall_band_pa."""
    lift_pa = column_pa(lift_m, specific_gravity)
    return Band(stall_pa + lift_pa + FRICTION_PA.low, stall_pa + lift_pa + FRICTION_PA.high)


@dataclass(frozen=True, slots=True)
class PumpCurve:
    """(stall - pressure)/air = a·f^m with f in strokes/s of a 60 mL pump.

    a = 0.105 and m = 1.60 are computed: one simulated pump of the class at 30, 60 and 100 psi
    follows them within -8 to +6 % for tips up to 3 mm; other pumps within 18 %. Learn a and m per
    pump, average over whole strokes, do not extrapolate beyond the learned rates.
    """

    a: float = 0.105
    m: float = 1.60


DEFAULT_CURVE = PumpCurve()


def pressure_drop_share(
    rate_hz: float,
    displacement_ml: float = _REFERENCE_DISPLACEMENT_ML,
    curve: PumpCurve = DEFAULT_CURVE,
) -> float:
    """Share of the air pressure that is lost at a stroke rate.

    Losses sit in the air paths and ball ports and so follow volume flow: another displacement is
    carried over by equal flow.
    """
    if rate_hz <= 0:
        return 0.0
    equal_flow_hz = rate_hz * displacement_ml / _REFERENCE_DISPLACEMENT_ML
    return float(curve.a * equal_flow_hz**curve.m)


def fit_pump_curve(rate_hz: Sequence[float], drop_share: Sequence[float]) -> PumpCurve | None:
    """a and m by least squares of logarithms, rates as of a 60 mL pump.

    None where fewer than three usable points, or where the rates span less than 1.3 : 1, because
    the exponent is then noise.
    """
    points = [
        (math.log(f), math.log(s))
        for f, s in zip(rate_hz, drop_share, strict=True)
        if f > 0 and s > 0
    ]
    if len(points) < 3:
        return None
    mean_x = sum(x for x, _ in points) / len(points)
    mean_y = sum(y for _, y in points) / len(points)
    spread = sum((x - mean_x) ** 2 for x, _ in points)
    if max(x for x, _ in points) - min(x for x, _ in points) < math.log(1.3):
        return None
    slope = sum((x - mean_x) * (y - mean_y) for x, y in points) / spread
    return PumpCurve(math.exp(mean_y - slope * mean_x), slope)


def air_limited_rate_hz(
    displacement_ml: float, exhaust_conductance_ml_s: float, valve_s: float
) -> float:
    """Upper end in strokes/s that the exhaust sets, nearly whatever the supply pressure.

    A chamber cannot be pushed out faster than its choked exhaust passes: dV/dt <= C·p0, here
    given as C·p0 in mL/s with p0 = 1 bar (ISO 6358: 0.4 dm³/(s·bar) is 400 mL/s), plus the time
    the air valve needs to shift.
    """
    return 1.0 / (displacement_ml / exhaust_conductance_ml_s + valve_s)


def dry_speed_share(
    air_pa: float, path_ratio: float = 0.5, atmosphere_pa: float = STANDARD_ATMOSPHERE_PA
) -> float:
    """Speed of an unloaded pump as a share of its choked-exhaust ceiling, 0 to 1.

    With gas on the liquid side both air chambers sit at one pressure p, fed through the inlet path
    and let off through the exhaust: C_in·(p1/p)·w(p/p1) = C_ex·w(p_atm/p), w the share of the
    choked flow of ISO 6358 with b = 0.3. path_ratio is C_in/C_ex; 0.5 is chosen at the tight end of
    what brings the class to its rated flow (0.75, computed), because a supply hose and coupler
    sit before it. Solved by bisection; the left side falls with p and the right side rises, so
    the answer is single.
    """
    if air_pa <= 0:
        return 0.0
    supply = air_pa + atmosphere_pa
    low, high = atmosphere_pa, supply
    for _ in range(50):
        chamber = 0.5 * (low + high)
        fed = path_ratio * supply / chamber * flow_share(chamber / supply, 0.3)
        if fed > flow_share(atmosphere_pa / chamber, 0.3):
            low = chamber
        else:
            high = chamber
    return flow_share(atmosphere_pa / (0.5 * (low + high)), 0.3)


def dry_rate_bounds_hz(
    displacement_ml: float, air_pa: float, rated_flow_ml_s: float = RATED_FLOW_ML_S
) -> Band:
    """Strokes/s between which a sound pump runs when it moves gas with the discharge open.

    Each stroke pushes out the other air chamber through the choked exhaust, C·p0 at most, and
    waits for the valve: rate = share/(V/(C·p0) + t), share from dry_speed_share.
    low: a pump that delivers its rated flow must pass at least that through its exhaust; 0.7 of
    it, because ratings are open-flow figures not every pump reaches, and an aged 80 ms valve.
    high: exhaust of 2 dm³/(s·bar), the top of 1/8 in valves (from memory), and a 20 ms valve;
    never over 25 a second. Faster is no pump but a counter bouncing.
    An ordinary chemical draw uses a tenth of low or less and a sound dry pump one to five times
    low, so half of low lies well between. Racing against a pressurized line (airlock) is 0.65 to
    0.95 of the dry rate (computed). The rate once seen with the dip tube lifted in air is better
    than both bounds; use it where known. low is 0 without air.
    """
    share = dry_speed_share(air_pa)
    low = share * air_limited_rate_hz(displacement_ml, 0.7 * rated_flow_ml_s, VALVE_S.high)
    high = air_limited_rate_hz(displacement_ml, WIDEST_EXHAUST_ML_S, VALVE_S.low)
    return Band(low, max(min(high, FASTEST_HZ), low))


def stroke_asymmetry(interval_s: Sequence[float]) -> float | None:
    """A = (T_a - T_b)/(T_a + T_b) of the two sides' median stroke times, 0 (even) to 1.

    interval_s are the times between successive strokes of one unbroken run; the sides alternate.
    None with fewer than three pairs. Medians, so that one draw's start or end does not count.
    """
    if len(interval_s) < 6:
        return None
    first = _median(interval_s[0::2])
    second = _median(interval_s[1::2])
    if first + second <= 0:
        return None
    return abs(first - second) / (first + second)


def _median(values: Sequence[float]) -> float:
    ordered = sorted(values)
    half = len(ordered) // 2
    return ordered[half] if len(ordered) % 2 else 0.5 * (ordered[half - 1] + ordered[half])


def ball_leak_ml_s(flow_ml_s: float, asymmetry: float) -> float:
    """Leak in mL/s past one side's check ball from the unevenness of strokes in a draw.

    While the bad side drives, the rod moves at Q + q instead of Q, so A = q/(2Q + q) and
    q = 2·Q·A/(1 - A), Q being the delivered flow (volume balance, derived). Most sensitive at
    the smallest draw.
    """
    if not 0 <= asymmetry < 1:
        raise ValueError("asymmetry must lie in 0 <= A < 1: (T_long - T_short)/(T_long + T_short)")
    return 2.0 * flow_ml_s * asymmetry / (1.0 - asymmetry)


def ball_leak_from_rate_ml_s(rate_hz: float, displacement_ml: float, asymmetry: float) -> float:
    """The same leak where only the stroke rate is known, not the delivered flow.

    The leaking side is stroked in vain for part of its travel, so what is delivered is
    f·V/(1 + A), and q = 2·f·V·A/(1 - A²).
    """
    return ball_leak_ml_s(rate_hz * displacement_ml / (1.0 + asymmetry), asymmetry)


def delivered_share(flow_ml_s: float, ball_leak_ml_s: float) -> float:
    """Share of the swept volume that is delivered with one side leaking: (2Q + q)/(2Q + 2q)."""
    return (2.0 * flow_ml_s + ball_leak_ml_s) / (2.0 * (flow_ml_s + ball_leak_ml_s))
