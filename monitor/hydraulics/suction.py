"""The suction side: what it costs to lift, whether and how soon the pump primes, leak-back.

The suction chamber can only be pulled down to what the gas in it allows (dry) or to the vapour
pressure (wet). Pressures gauge unless the name says abs.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.hydraulics.band import Band
from monitor.hydraulics.flow import fitting_loss_pa, hose_loss_pa, reynolds, velocity_m_s
from monitor.hydraulics.liquid import (
    GRAVITY_M_S2,
    atmosphere_pa,
    column_pa,
    density_kg_m3,
    vapour_pressure_pa,
)
from monitor.hydraulics.pump import dry_rate_bounds_hz
from monitor.site import Line, Pump

MARGIN_M = 1.0
"""Head wanted over the vapour pressure, in m of liquid: chosen, because entrance vortices, a
partly fouled strainer and a low drum each eat some tenths."""
DRY_RATIO = Band(1.5, 3.0)
"""(clearance + displacement)/clearance: computed from the dry lifts that makers publish, 10 to
22 ft of water with an open discharge."""
BALL_CRACK_PA = 1_723.7
"""0.25 psi to lift a ball off its seat: chosen; the weight of a 12 mm plastic or rubber ball is a
tenth of it, sticking to a dry or swollen seat the rest."""
_DUPLEX = 0.2
_LIQUID_STIFFNESS = 1.4


@dataclass(frozen=True, slots=True)
class SuctionState:
    """Where the suction pressure goes at one steady flow. Heads in m of the liquid.

    inlet_pa is gauge and negative under suction; where it would be under the vapour pressure the
    flow is not possible and margin_m is negative.
    """

    atmosphere_pa: float
    vapour_pa: float
    reynolds: float
    static_pa: float
    friction_pa: float
    fittings_pa: float
    foot_valve_pa: float
    inlet_pa: float
    npsh_m: float
    acceleration_m: float

    @property
    def margin_m(self) -> float:
        """Head left over vapour pressure after the peaks of reciprocating flow."""
        return self.npsh_m - self.acceleration_m


def suction_state(pump: Pump, flow_ml_s: float, altitude_m: float) -> SuctionState:
    """The suction side of a pump at a mean flow in mL/s: losses, head left, peak head.

    Head left over vapour pressure (net positive suction head available) after lift, hose friction
    (Darcy-Weisbach), fittings and foot valve, at the site's altitude and the liquid's temperature.
    """
    fluid, line = pump.fluid, pump.suction
    static = column_pa(pump.lift_m, fluid.specific_gravity)
    friction = hose_loss_pa(line, fluid, flow_ml_s)
    fittings = fitting_loss_pa(line.bore_m, fluid, flow_ml_s)
    inlet = -(static + friction + fittings + pump.foot_valve_crack_pa)
    air, vapour = atmosphere_pa(altitude_m), vapour_pressure_pa(fluid.temperature_c)
    return SuctionState(
        atmosphere_pa=air,
        vapour_pa=vapour,
        reynolds=reynolds(flow_ml_s, line.bore_m, fluid),
        static_pa=static,
        friction_pa=friction,
        fittings_pa=fittings,
        foot_valve_pa=pump.foot_valve_crack_pa,
        inlet_pa=inlet,
        npsh_m=(air + inlet - vapour) / (density_kg_m3(fluid) * GRAVITY_M_S2),
        acceleration_m=acceleration_head_m(line, flow_ml_s, pump.displacement_ml),
    )


def acceleration_head_m(line: Line, flow_ml_s: float, displacement_ml: float) -> float:
    """Peak head in m that speeding the column up costs: L·v·N·C/(K·g).

    Reciprocating pump form of ANSI/HI 6.6 (N in cycles a minute, C = 0.2 duplex single acting,
    K = 1.4 for water-like liquids). An estimate: an air-driven pump refills the line after each
    reversal at 1.7 to 4 times the mean flow (computed), so read it as the lower end.
    """
    cycles_per_min = 30.0 * flow_ml_s / displacement_ml
    return (
        line.length_m
        * velocity_m_s(flow_ml_s, line.bore_m)
        * cycles_per_min
        * _DUPLEX
        / (_LIQUID_STIFFNESS * GRAVITY_M_S2)
    )


def theoretical_lift_m(altitude_m: float, temperature_c: float, specific_gravity: float) -> float:
    """Highest static lift in m of a liquid-filled line: (p_atm - p_vapour)/(rho·g)."""
    free = atmosphere_pa(altitude_m) - vapour_pressure_pa(temperature_c)
    return free / column_pa(1.0, specific_gravity)


def dry_lift_m(
    ratio: float,
    specific_gravity: float,
    *,
    discharge_pa: float = 0.0,
    altitude_m: float = 0.0,
    exponent: float = 1.0,
    crack_pa: float = BALL_CRACK_PA,
) -> float:
    """Lift in m of liquid to which a dry pump can pull, 0 where it cannot pull at all.

    Gas left in the clearance expands from the discharge pressure: p_min = (p_d + crack)/r^n, so
    the lift is [p_atm - crack - p_min]/(rho·g) with n from 1 (isothermal) to 1.4 (adiabatic). A
    pressurized discharge destroys self-priming.
    """
    air = atmosphere_pa(altitude_m)
    least: float = (air + discharge_pa + crack_pa) / ratio**exponent
    return max(0.0, (air - least - crack_pa) / column_pa(1.0, specific_gravity))


def airlock_pressure_pa(
    ratio: float, *, exponent: float = 1.2, altitude_m: float = 0.0, crack_pa: float = BALL_CRACK_PA
) -> float:
    """Gauge pressure in Pa above which a chamber full of gas can no longer push it out.

    p_lock = (p_atm - crack)·r^n - crack (abs): a discharge line held above it by its balls keeps
    the gas in the pump, which then strokes fast and delivers nothing until the line is let down.
    """
    air = atmosphere_pa(altitude_m)
    held: float = (air - crack_pa) * ratio**exponent
    return held - air - crack_pa


def line_volume_ml(line: Line) -> float:
    """Inner volume of a hose in mL."""
    return math.pi / 4.0 * line.bore_m**2 * line.length_m * 1e6


def prime_strokes(
    pump: Pump, ratio: float, *, altitude_m: float = 0.0, discharge_pa: float = 0.0
) -> float:
    """Strokes in which a dry pump fills its suction line with liquid; math.inf where it cannot.

    A stroke takes v = V - Vc·(p_d/p - 1) of the line's gas at its pressure p (volumetric
    efficiency of a gas compressor, isothermal). The gas that is left balances the column, n =
    p(x)·(V_line - x) for a filled volume x, so strokes = integral of -dn/(p·v) over x. The line is
    taken to rise straight to the lift and then to run level, the harder way round.
    """
    air = atmosphere_pa(altitude_m)
    volume = line_volume_ml(pump.suction)
    clearance = pump.displacement_ml / (ratio - 1.0)
    rise_m = max(pump.lift_m, 0.0)
    rise_ml = volume * min(rise_m / pump.suction.length_m, 1.0)
    start = air - pump.foot_valve_crack_pa
    end = start - column_pa(rise_m, pump.fluid.specific_gravity)

    def taken(pressure: NDArray[np.float64]) -> NDArray[np.float64]:
        return pump.displacement_ml - clearance * ((air + discharge_pa) / pressure - 1.0)

    if end <= 0 or taken(np.array([end]))[0] <= 0.01 * pump.displacement_ml:
        return math.inf
    # First the foot valve's cracking pressure, at x = 0, then the rise, then the level run.
    crack = np.linspace(start, air, 50)
    strokes = float(np.trapezoid(volume / (crack * taken(crack)), crack))
    if rise_ml > 0:
        x = np.linspace(0.0, rise_ml, 200)
        pressure = start + (end - start) * x / rise_ml
        slope = (end - start) / rise_ml
        moved = (pressure - slope * (volume - x)) / (pressure * taken(pressure))
        strokes += float(np.trapezoid(moved, x))
    return strokes + (volume - rise_ml) / float(taken(np.array([end]))[0])


def strokes_to_prime(pump: Pump, altitude_m: float = 0.0, *, discharge_pa: float = 0.0) -> Band:
    """Strokes from dry to delivering: low for a tight pump, high for a worn one.

    low: the line's volume over the displacement, less one stroke that was half done at the start;
    no pump takes less. high: ratio 1.5, and both pump chambers (displacement and clearance) to be
    filled too; math.inf where a worn pump could not pull that high. Both for a line that is open:
    pressure held in the discharge makes it many times more or keeps it from priming at all. A
    pump that still runs at dry speed after three times the high bound has missed its prime.
    """
    low = line_volume_ml(pump.suction) / pump.displacement_ml - 1.0
    high = prime_strokes(pump, DRY_RATIO.low, altitude_m=altitude_m, discharge_pa=discharge_pa)
    chambers = 2.0 * DRY_RATIO.low / (DRY_RATIO.low - 1.0)
    return Band(max(low, 0.0), high + chambers)


def prime_seconds(pump: Pump, altitude_m: float = 0.0) -> Band:
    """Running time in s that strokes_to_prime takes at dry speed with an open discharge."""
    strokes = strokes_to_prime(pump, altitude_m)
    rate = dry_rate_bounds_hz(pump.displacement_ml, pump.air_set_pa)
    slowest = strokes.high / rate.low if rate.low > 0 else math.inf
    return Band(strokes.low / rate.high, slowest)


def drain_seconds(
    height_m: float,
    bore_m: float,
    hole_m: float,
    *,
    to_share: float = 0.0,
    coefficient: float = 0.62,
) -> float:
    """Time in s in which a vertical column drains back through a leaking foot valve.

    Torricelli with a falling head: t = A/(Cd·a)·√(2h/g)·(1 - √share), to_share of the height
    left. It needs gas coming in above (worn pump balls, a suction joint).
    """
    area_ratio = (bore_m / hole_m) ** 2 / coefficient
    whole = area_ratio * math.sqrt(2.0 * height_m / GRAVITY_M_S2)
    return whole * (1.0 - math.sqrt(to_share))


def drained_ml(idle_s: float, height_m: float, bore_m: float, hole_m: float) -> float:
    """Volume in mL that has run back after an idle time; saturates at the vertical leg."""
    whole_s = drain_seconds(height_m, bore_m, hole_m)
    left = max(0.0, 1.0 - idle_s / whole_s) ** 2
    return math.pi / 4.0 * bore_m**2 * height_m * 1e6 * (1.0 - left)


def leak_back_strokes(idle_s: float, pump: Pump, hole_m: float, prime: float) -> float:
    """Dry strokes at the next draw after an idle time: min(prime, drained/displacement).

    The law that tells a leaking foot valve: the burst grows with the idle time before it and
    stops growing once the line is empty.
    """
    drained = drained_ml(idle_s, max(pump.lift_m, 0.01), pump.suction.bore_m, hole_m)
    return min(prime, drained / pump.displacement_ml)


@dataclass(frozen=True, slots=True)
class LeakBack:
    """A foot valve's leak as fitted to dry bursts.

    leak_ml_min: mean rate while the column empties; empty_s: how long that takes; full_strokes:
    the burst of an emptied line; misfit_strokes: rms. saturated False: no rest was long enough to
    empty the line, so the leak is at most this and empty_s at least that.
    """

    leak_ml_min: float
    empty_s: float
    full_strokes: float
    misfit_strokes: float
    saturated: bool


def fit_leak_back(
    idle_s: Sequence[float], burst_strokes: Sequence[float], column_ml: float
) -> LeakBack | None:
    """Leak-back law fitted to pairs of idle time and dry burst; column_ml can run back.

    burst = full·g(t/T), g growing to 1 at the time T in which the line empties: evenly (a seat that
    weeps) or as 1 - (1 - t/T)² (a hole, Torricelli), whichever fits better. full is fitted too,
    because a dry stroke against some line pressure moves far less than a displacement. None with
    fewer than four pairs, or where bursts do not grow with idle time: then it is not this fault.
    """
    idle, burst = np.asarray(idle_s, float), np.asarray(burst_strokes, float)
    if len(idle) < 4 or column_ml <= 0 or idle.max() <= 0 or burst.std() == 0:
        return None
    if np.corrcoef(np.argsort(np.argsort(idle)), np.argsort(np.argsort(burst)))[0, 1] <= 0:
        return None
    times = np.geomspace(0.5 * idle[idle > 0].min(), 5.0 * idle.max(), 400)
    left = np.clip(1.0 - idle[None, :] / times[:, None], 0.0, 1.0)
    laws = np.concatenate([1.0 - left, 1.0 - left**2])
    full = laws @ burst / np.einsum("ij,ij->i", laws, laws)
    errors = np.sqrt(np.mean((laws * full[:, None] - burst[None, :]) ** 2, axis=1))
    best = int(np.argmin(errors))
    empty_s = float(times[best % len(times)])
    return LeakBack(
        60.0 * column_ml / empty_s,
        empty_s,
        float(full[best]),
        float(errors[best]),
        saturated=empty_s <= float(idle.max()),
    )
