"""What people do to a pump in normal life; none of it is a fault.

'set point': new air set pressure (value in Pa). 'air off', 'air on'. 'drum swap': the dip tube was
in the air for a moment (value mL of gas in the suction hose), the drum is full again. 'refit': a
pump put in dry with its line opened. 'counter restart': the node began again at zero.
"""

import math
from collections.abc import Sequence

from edge.virtual import faults
from edge.virtual import kernel as k
from edge.virtual.spec import ML, Change, PumpSpec

KINDS = ("set point", "air off", "air on", "drum swap", "refit", "counter restart")


def happen(change: Change, s: k.Array, p: k.Array) -> None:
    """The mark a change leaves on the pump, once, when its time comes."""
    s[k.PARKED] = 0.0
    if change.kind == "drum swap":
        s[k.SG] = min(p[k.P_VSUC], max(s[k.SG], change.value * ML))
        s[k.TOP] = p[k.P_VSUC]
        s[k.DRUM] = 0.0
    elif change.kind == "refit":
        faults.refit(s, p)


def supply_pa(spec: PumpSpec, done: Sequence[Change]) -> float:
    """Gauge pressure at which the regulator stands after the changes done so far."""
    set_pa, on = spec.set_pa, True
    for change in done:
        if change.kind == "set point":
            set_pa = change.value
        elif change.kind in ("air off", "air on"):
            on = change.kind == "air on"
    return set_pa if on else 0.0


def restarts(changes: Sequence[Change]) -> tuple[float, ...]:
    """Times at which the counter began again."""
    return tuple(c.ts for c in changes if c.kind == "counter restart" and math.isfinite(c.ts))
