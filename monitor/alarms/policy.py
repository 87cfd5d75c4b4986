"""How one kind of alarm behaves: delays, deadband, latching, shelving.

Delays and deadband start from the guidance values for pressure (15 s; ANSI/ISA-18.2 and
EEMUA 191 tables, from memory) and span several strokes of a draw.
"""

from dataclasses import dataclass

from monitor.advice.kinds import Kind, Priority


@dataclass(frozen=True, slots=True)
class AlarmPolicy:
    """The behaviour of one kind.

    raise_confidence: a YES below it holds a standing alarm but raises none; together with NO it
    makes the deadband of a verdict. 0.5, chosen: less likely than not must call nobody.
    rejoin_s: the condition coming back within it is the same alarm with a count (an hour).
    auto_ack: needs no acknowledgement once it has returned to normal.
    """

    priority: Priority
    on_delay_s: float = 15.0
    off_delay_s: float = 15.0
    raise_confidence: float = 0.5
    latching: bool = False
    auto_ack: bool = False
    rejoin_s: float = 3600.0
    max_shelve_s: float = 7 * 86400.0


_ACT_NOW = (
    Kind.MISSED_PRIME, Kind.AIRLOCK, Kind.LOW_AIR, Kind.HIGH_AIR, Kind.DRUM_EMPTY,
    Kind.NO_FLOW, Kind.AIR_VALVE_STALLED,
)  # fmt: skip
_NEXT_VISIT = (Kind.WORN, Kind.UNUSUAL, Kind.BALL_LEAK, Kind.STROKE_COUNTER)


def default_policy(kind: Kind) -> AlarmPolicy:
    """The behaviour of a kind where nothing else is set."""
    if kind in _ACT_NOW:
        return AlarmPolicy(Priority.ACT_NOW)
    if kind in _NEXT_VISIT:
        return AlarmPolicy(Priority.NEXT_VISIT, off_delay_s=60.0, auto_ack=True)
    return AlarmPolicy(Priority.THIS_SHIFT, latching=kind is Kind.DIAPHRAGM)
