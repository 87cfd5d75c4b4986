"""What the alarm room gives: an alarm as it stands, and each change it went through.

State words after ANSI/ISA-18.2 and IEC 62682; the two facts "active" and "acknowledged" are
kept apart and the state follows from them (OPC UA Part 9 models it the same way).
"""

from dataclasses import dataclass
from enum import StrEnum

from monitor.advice.kinds import SIDE, Kind, Priority, Side
from monitor.detectors.finding import Evidence
from monitor.errors import StrokewiseError


class AlarmRefused(StrokewiseError):
    """The alarm cannot be changed like this; nothing was changed."""


class State(StrEnum):
    """The state of an alarm, as shown; letters of the standard's state diagram in brackets."""

    NORMAL = "normal"  # (A)
    NOT_ACKNOWLEDGED = "not acknowledged"  # (B)
    ACKNOWLEDGED = "acknowledged"  # (C)
    RETURNED = "returned to normal, not acknowledged"  # (D)
    LATCHED = "latched, not acknowledged"  # (E)
    LATCHED_ACKNOWLEDGED = "latched, acknowledged"  # (F)
    SHELVED = "shelved"  # (G)
    SUPPRESSED = "suppressed by design"  # (H)
    OUT_OF_SERVICE = "out of service"  # (I)


ANNUNCIATED = frozenset({State.NOT_ACKNOWLEDGED, State.ACKNOWLEDGED})
"""The states in which the condition stands in front of a person."""

UNACKNOWLEDGED = frozenset({State.NOT_ACKNOWLEDGED, State.RETURNED, State.LATCHED})
"""The states that wait for somebody's acknowledgement."""


class What(StrEnum):
    """What happened to an alarm."""

    RAISED = "raised"
    REPEATED = "repeated"
    CLEARED = "condition returned to normal"
    ACKNOWLEDGED = "acknowledged"
    RESET = "reset"
    URGENT = "priority raised"
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    SHELF_ENDED = "shelving ended by itself"
    SUPPRESSED = "suppressed by design"
    RELEASED = "released from suppression"
    OUT_OF_SERVICE = "taken out of service"
    IN_SERVICE = "returned to service"


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm as it stands; times in Unix seconds, None = has not happened.

    id is the same for the same occurrence however often it is computed. count: how many times
    the condition came within this occurrence. members: subjects whose alarms stand under this
    one; cause: id of the alarm this one stands under.
    """

    id: str
    site: str
    subject: str
    kind: Kind
    priority: Priority
    state: State
    active: bool
    acked: bool
    since_ts: float
    raised_ts: float | None
    last_raised_ts: float | None
    cleared_ts: float | None
    acked_ts: float | None
    acked_by: str | None
    count: int
    confidence: float
    severity: float
    sentence: str
    evidence: tuple[Evidence, ...] = ()
    causes: tuple[tuple[Kind, float], ...] = ()
    shelved_until_ts: float | None = None
    shelved_by: str | None = None
    shelve_reason: str | None = None
    one_shot: bool = False
    cause: str | None = None
    members: tuple[str, ...] = ()

    @property
    def side(self) -> Side:
        """Where to look first."""
        return SIDE[self.kind]

    @property
    def tag(self) -> str:
        """The alarm point: the same for every occurrence on this subject."""
        return tag(self.subject, self.kind)


@dataclass(frozen=True, slots=True)
class Change:
    """One step of the unbroken history; before is None when the alarm came into being.

    Both alarms are None when the step is about the whole subject (out of service and back).
    """

    ts: float
    subject: str
    what: What
    by: str
    note: str = ""
    before: Alarm | None = None
    after: Alarm | None = None


_SLUGS = {
    kind: "-".join("".join(c if c.isalnum() else " " for c in kind.value).split()) for kind in Kind
}
_KINDS = {slug: kind for kind, slug in _SLUGS.items()}


def tag(subject: str, kind: Kind) -> str:
    """'P3.missed-prime': names an alarm point in addresses, files and logs."""
    return f"{subject}.{_SLUGS[kind]}"


def split_tag(name: str) -> tuple[str, Kind]:
    """Subject and kind of an alarm point; raises AlarmRefused when there is no such kind."""
    subject, _, slug = name.rpartition(".")
    if not subject or slug not in _KINDS:
        raise AlarmRefused(f"no alarm {name!r} stands here, and {slug!r} is no kind of alarm")
    return subject, _KINDS[slug]
