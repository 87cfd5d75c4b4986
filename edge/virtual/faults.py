"""What each kind of fault does to the pump, and what 'moderate' (severity 0.5) means.

Every effect is a physical change (a pressure, a conductance, a volume, a leak), never a change of
the trace itself; only sensor faults touch what is measured.
"""

from collections.abc import Callable, Sequence

import numpy as np

from edge.virtual import kernel as k
from edge.virtual.spec import ML, PSI, Fault, PumpSpec

MEANING: dict[str, str] = {
    "running with no demand": "external leak of 60 mL/min at the stall pressure (x = severity/0.5)",
    "missed prime": "re-fitted empty: suction hose full of gas, dip tube out of the liquid",
    "airlock": "0.8 displacements of gas stay over the balls, 6 of gas (1 atm) in the line "
    "(locked: at rest gas fills both chambers and cannot reach the held pressure; slug: line only)",
    "low air": "supply 25 % below set",
    "high air": "supply at 115 psi",
    "air sag": "supply falls to 3/4 of set in the usual draw, 2 L of air behind the restriction",
    "wet air / icing": "about 30 % slower after minutes of running, thaws in 4 min",
    "air valve stalled": "the spool hangs at the next reversal until the fault ends",
    "lost prime": "foot valve empties the suction hose above the drum in 10 min of rest",
    "restricted suction": "half of the available vacuum (7 psi) spent at the usual flow",
    "air in suction": "gas of a quarter of the usual flow is drawn in through a joint",
    "drum empty": "the dip tube draws gas",
    "no flow on demand": "outlet fully blocked although demand is on",
    "leaking check ball": "one inlet ball passes 1/12 of a displacement a second at stall pressure",
    "ruptured diaphragm": "tear passes 0.3 of the usual flow as air at 1 psi",
    "worn pump": "late balls return 15 % of each stroke",
    "pressure sensor fault": "stuck (variants: offset 8 % of scale, range, noise 3 psi)",
    "stroke counter fault": "dead (variants: bounce on 80 % of strokes, missing half)",
    "node silent": "nothing arrives",
}
VARIANTS: dict[str, tuple[str, ...]] = {
    "running with no demand": ("", "internal"),
    "airlock": ("", "locked", "slug"),
    "air sag": ("", "hose"),
    "no flow on demand": ("", "valve"),
    "leaking check ball": ("", "outlet"),
    "pressure sensor fault": ("", "offset", "range", "noise"),
    "stroke counter fault": ("", "bounce", "missing"),
}

Effect = Callable[[PumpSpec, k.Array, float, str], None]


def _leak(spec: PumpSpec, p: k.Array, level: float, variant: str) -> None:
    flow = 2 * level * 1e-6
    if variant == "internal":
        p[k.P_KIN0] = p[k.P_KIN1] = flow / np.sqrt(spec.set_pa)
    else:
        p[k.P_KLEAK] = flow / spec.set_pa ** p[k.P_NLEAK]


def _airlock(spec: PumpSpec, p: k.Array, level: float, variant: str) -> None:
    if variant == "locked":
        # Dry or leaking balls lower the compression until gas cannot reach 0.7 of the air.
        reach = (1.0 + 0.7 * spec.set_pa / p[k.P_PATM]) ** (1.0 / k.AIR_N)
        p[k.P_VC] = max(p[k.P_VC], p[k.P_VD] / (reach - 1.0))
    elif variant != "slug":
        p[k.P_LOCK] = 1.6 * level * p[k.P_VD]
    if variant != "locked":
        p[k.P_GTRAP] += 12 * level * spec.displacement_ml * ML


def _low_air(spec: PumpSpec, p: k.Array, level: float, _variant: str) -> None:
    p[k.P_SET] -= 0.5 * level * spec.set_pa


def _high_air(spec: PumpSpec, p: k.Array, level: float, _variant: str) -> None:
    rise = (115 * PSI - spec.set_pa) * min(1.0, 2 * level) + 15 * PSI * max(0.0, 2 * level - 1)
    p[k.P_SET] += max(0.0, rise)


def _sag(spec: PumpSpec, p: k.Array, level: float, variant: str) -> None:
    """ISO 6358 backwards: the conductance that gives 3/4 of the set pressure at the usual draw."""
    inlet_pa = p[k.P_PATM] + spec.set_pa
    node_pa = p[k.P_PATM] + 0.75 * spec.set_pa
    air = spec.usual_flow_m3_s * (1.0 + p[k.P_VA0] / p[k.P_VD]) * node_pa
    conductance = air / (inlet_pa * k.ANR_PA * k.omega(node_pa / inlet_pa, spec.b))
    p[k.P_CSUP] = min(p[k.P_CSUP], 0.5 * conductance / level)
    if variant != "hose":
        p[k.P_VSUP] = max(p[k.P_VSUP], 2e-3)


def _icing(spec: PumpSpec, p: k.Array, level: float, _variant: str) -> None:
    """Blow-down time constant (Va + Vd) / (n p0 C) grown to 0.9 of a usual stroke's time."""
    strokes_per_s = spec.usual_flow_m3_s / p[k.P_VD]
    left = strokes_per_s * (p[k.P_VA0] + p[k.P_VD]) / (0.9 * k.AIR_N * k.ANR_PA)
    p[k.P_ICE_MAX] = 2 * level * np.log(max(2.0, p[k.P_CEX] / left))
    p[k.P_ICE_S] = 60.0
    p[k.P_HEAVY] = 2.0 * level


def _valve(_spec: PumpSpec, p: k.Array, _level: float, _variant: str) -> None:
    p[k.P_STALL] = 1.0


def _foot(_spec: PumpSpec, p: k.Array, level: float, _variant: str) -> None:
    p[k.P_FOOT] = 2 * level * p[k.P_DRAINMAX] / 600.0


def _restricted(spec: PumpSpec, p: k.Array, level: float, _variant: str) -> None:
    p[k.P_RQS] += 2 * level * 7 * PSI / spec.usual_flow_m3_s**2


def _suck(spec: PumpSpec, p: k.Array, level: float, _variant: str) -> None:
    pull_pa = max(PSI, -p[k.P_SRC])
    p[k.P_KAIR] = 2 * level * 0.25 * spec.usual_flow_m3_s / np.sqrt(pull_pa)


def _empty(_spec: PumpSpec, p: k.Array, _level: float, _variant: str) -> None:
    p[k.P_EMPTY] = 1.0


def _blocked(_spec: PumpSpec, p: k.Array, level: float, _variant: str) -> None:
    p[k.P_K] *= max(0.0, 1.0 - 2 * level)


def _ball(spec: PumpSpec, p: k.Array, level: float, variant: str) -> None:
    slot = k.P_KOUT0 if variant == "outlet" else k.P_KIN0
    p[slot] = 2 * level * spec.displacement_ml / 12 * ML / np.sqrt(spec.set_pa)


def _tear(spec: PumpSpec, p: k.Array, level: float, _variant: str) -> None:
    p[k.P_KRUPT] = 2 * level * 0.3 * spec.usual_flow_m3_s / np.sqrt(PSI)


def _worn(_spec: PumpSpec, p: k.Array, level: float, _variant: str) -> None:
    p[k.P_SLIP] += 0.3 * level


EFFECTS: dict[str, Effect] = {
    "running with no demand": _leak,
    "missed prime": _empty,
    "airlock": _airlock,
    "low air": _low_air,
    "high air": _high_air,
    "air sag": _sag,
    "wet air / icing": _icing,
    "air valve stalled": _valve,
    "lost prime": _foot,
    "restricted suction": _restricted,
    "air in suction": _suck,
    "drum empty": _empty,
    "no flow on demand": _blocked,
    "leaking check ball": _ball,
    "ruptured diaphragm": _tear,
    "worn pump": _worn,
}
GASSY_KINDS = (
    "missed prime", "drum empty", "airlock", "lost prime", "air in suction", "ruptured diaphragm",
)  # fmt: skip
"""Kinds whose repair ends with a prime."""
SENSOR_KINDS = ("pressure sensor fault", "stroke counter fault", "node silent")


def apply(spec: PumpSpec, p: k.Array, faults: Sequence[Fault], ts: float) -> None:
    """Change the parameters for every fault that stands at ts."""
    for fault in faults:
        level = fault.level(ts)
        if level > 0.0 and fault.kind in EFFECTS:
            EFFECTS[fault.kind](spec, p, level, fault.variant)


def begin(fault: Fault, s: k.Array, p: k.Array) -> None:
    """What a fault does once, at its onset: a pump re-fitted dry, with its line opened."""
    s[k.PARKED] = 0.0
    if fault.kind == "missed prime":
        refit(s, p)


def _fill_with_gas(s: k.Array, p: k.Array) -> None:
    """Both liquid chambers hold gas that came in at suction pressure."""
    s[k.WD] = p[k.P_VC] + max(0.0, 1.0 - s[k.X]) * p[k.P_VD]
    s[k.GD] = p[k.P_VC] + p[k.P_VD]
    s[k.GS] = s[k.WS] = p[k.P_VC] + s[k.X] * p[k.P_VD]
    s[k.PCD] = k.gas_pressure(s[k.GD], s[k.WD], p)
    s[k.PCS] = 0.0


def at_rest(faults: Sequence[Fault], ts: float, s: k.Array, p: k.Array) -> None:
    """When the flow stops, a pocket over the balls falls back into the chambers and locks them."""
    for fault in faults:
        if fault.kind == "airlock" and fault.variant == "locked" and fault.level(ts) > 0:
            _fill_with_gas(s, p)
            s[k.PARKED] = 0.0


def opening(faults: Sequence[Fault], ts: float, s: k.Array, p: k.Array) -> None:
    """A solenoid opens on a plugged tip: the hose behind it takes a third of a millilitre."""
    for fault in faults:
        if fault.kind == "no flow on demand" and fault.level(ts) > 0 and fault.variant == "":
            s[k.PL] = max(0.0, s[k.PL] - 0.3e-6 / k.line_compliance(s, p))


def refit(s: k.Array, p: k.Array) -> None:
    """A pump put in dry: gas in hose and chambers, the line opened and partly drained."""
    s[k.SG] = p[k.P_VSUC] + 1e-6
    _fill_with_gas(s, p)
    s[k.GD] = s[k.WD]
    s[k.PL] = s[k.PCD] = 0.0
    s[k.GL] += 0.3 * p[k.P_VLINE]
    s[k.PARKED] = 0.0


def finish(fault: Fault, s: k.Array, p: k.Array) -> None:
    """What is left when a fault ends: a pump that had gas in it was primed with the line open,
    drums are full."""
    s[k.PARKED] = 0.0
    if fault.kind in GASSY_KINDS:
        s[k.SG] = min(s[k.SG], 0.5 * p[k.P_VD])
        s[k.TOP] = p[k.P_VSUC]
        s[k.GD] = s[k.WD] = s[k.GS] = s[k.WS] = 0.0
        s[k.PCD], s[k.PCS] = s[k.PL], p[k.P_SRC]
        s[k.GL] = min(s[k.GL], 0.01 * p[k.P_VLINE])
    if fault.kind == "drum empty":
        s[k.DRUM] = 0.0
