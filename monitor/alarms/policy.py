"""How one kind of alarm behaves: delays, deadband, latching, shelving.

Delays, latching and priority come from the kind's rationalization record, which gives their
reasons; what is common to all kinds stands here.
"""

from dataclasses import dataclass

from monitor.advice.kinds import Kind, Priority
from monitor.advice.records import record

SEVERE = 0.7
"""From this severity on the time to respond is the short one of the record."""


@dataclass(frozen=True, slots=True)
class AlarmPolicy:
    """The behaviour of one kind.

    severe: the priority from a severity of 0.7 on; None = the same.
    raise_confidence: a YES below it holds a standing alarm but raises none; together with NO it
    makes the deadband of a verdict. 0.5, chosen: less likely than not must call nobody.
    rejoin_s: the condition coming back within it is the same alarm with a count (an hour).
    auto_ack: needs no acknowledgement once it has returned to normal.
    max_shelve_s: a week, chosen: longer is not waiting but giving up.
    """

    priority: Priority
    on_delay_s: float = 15.0
    off_delay_s: float = 15.0
    raise_confidence: float = 0.5
    latching: bool = False
    auto_ack: bool = False
    rejoin_s: float = 3600.0
    max_shelve_s: float = 7 * 86400.0
    severe: Priority | None = None

    def priority_at(self, severity: float) -> Priority:
        """How soon somebody must act, at a severity from 0 to 1."""
        return self.severe if self.severe is not None and severity >= SEVERE else self.priority


def _policy(kind: Kind) -> AlarmPolicy:
    one = record(kind)
    ordinary = one.priority(0.0)
    return AlarmPolicy(
        ordinary,
        on_delay_s=one.behaviour.on_delay_s,
        off_delay_s=one.behaviour.off_delay_s,
        latching=one.behaviour.latching,
        # What can wait for the next visit needs no button once it has gone by itself.
        auto_ack=ordinary is Priority.NEXT_VISIT or kind is Kind.NODE_SILENT,
        severe=one.priority(1.0),
    )


_POLICIES = {kind: _policy(kind) for kind in Kind}


def default_policy(kind: Kind) -> AlarmPolicy:
    """The behaviour of a kind by its record."""
    return _POLICIES[kind]
