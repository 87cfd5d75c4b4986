"""The few numbers physics gives for a pump before anything was recorded of it."""

from dataclasses import dataclass

from monitor.site import Line, Pump
from monitor.units import PA_PER_PSI, STANDARD_ATMOSPHERE_PA

GRAVITY_M_S2 = 9.80665
WATER_KG_M3 = 998.2
FRICTION_PA = 1.4 * PA_PER_PSI
"""Running and breakaway friction of the class, mean of 1.0 and 1.8 psi (assumed; 0.3 to 5)."""
EXHAUST_ML_S = 400.0
"""Free air an exhaust path of 0.4 dm3/(s bar) lets go (ISO 6358 choked flow, upstream 1 bar): the
class of 5 US gal/min. It bounds the stroke rate whatever the supply (computed)."""
VALVE_S = 0.03
"""Shift time of the air valve, 20 to 60 ms (from memory)."""
DEAD_RATIO = 2.0
"""(clearance + displacement) / clearance when pumping gas (from published dry lifts)."""

# Effective bulk modulus of hose and liquid, Pa (computed from wall sizes; E from memory).
BULK_PA = {
    "PE": 40e6,
    "PA12": 49e6,
    "PVC": 1.9e6,
    "braided": 50e6,
    "PTFE": 60e6,
    "unknown": 40e6,
}


def line_ml(line: Line) -> float:
    """Inner volume of a hose."""
    return line.length_m * 3.141592653589793 * line.bore_m**2 / 4 * 1e6


@dataclass(frozen=True, slots=True)
class Scales:
    """Expected scales of one pump, from its site entry alone.

    stall_pa: air set pressure less static lift less friction. dry_rate_hz: strokes a second with
    gas in the pump, 1 / (V_d / exhaust + shift time). line_ml_per_pa: compliance of the discharge
    hose. prime_strokes: strokes that fill the suction line, (line volume / V_d) x 1.2 for the
    pump's clearance. lock_pa: pressure a chamber full of gas reaches at most (gauge).
    """

    displacement_ml: float = 60.0
    air_set_pa: float = 60.0 * PA_PER_PSI
    stall_pa: float = 56.7 * PA_PER_PSI
    dry_rate_hz: float = 5.6
    line_ml_per_pa: float = 0.15 / PA_PER_PSI
    prime_strokes: float = 5.0
    full_scale_pa: float = 150.0 * PA_PER_PSI
    accuracy_pa: float = 1.5 * PA_PER_PSI
    lock_pa: float = 14.2 * PA_PER_PSI

    @classmethod
    def of(cls, pump: Pump) -> "Scales":
        """The scales of a pump as its site entry describes it."""
        head = WATER_KG_M3 * pump.fluid.specific_gravity * GRAVITY_M_S2 * pump.lift_m
        v = pump.displacement_ml
        return cls(
            displacement_ml=v,
            air_set_pa=pump.air_set_pa,
            stall_pa=max(pump.air_set_pa - head - FRICTION_PA, 0.2 * pump.air_set_pa),
            dry_rate_hz=1.0 / (v / EXHAUST_ML_S + VALVE_S),
            line_ml_per_pa=line_ml(pump.discharge) / BULK_PA[pump.discharge.material],
            prime_strokes=max(2.0, 1.2 * line_ml(pump.suction) / v),
            full_scale_pa=pump.sensors.full_scale_pa,
            accuracy_pa=pump.sensors.accuracy_share * pump.sensors.full_scale_pa,
            lock_pa=(STANDARD_ATMOSPHERE_PA - head) * DEAD_RATIO - STANDARD_ATMOSPHERE_PA,
        )
