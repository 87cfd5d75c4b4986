"""The rows that several pages share, as they stand in the JSON and in the tables."""

from collections.abc import Sequence

from pydantic import BaseModel, ConfigDict

from monitor.advice.kinds import Priority
from monitor.advice.text import first_check
from monitor.alarms.types import ANNUNCIATED, UNACKNOWLEDGED, Alarm, State
from monitor.api.words import Words
from monitor.detectors.finding import Evidence
from monitor.site import Pump, Site
from monitor.store.work_log import Entry

HIDDEN = frozenset({State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE})


class Row(BaseModel):
    """The base of all answers; times are Unix seconds, pressures Pa gauge."""

    model_config = ConfigDict(frozen=True)


class WorkRow(Row):
    """One line of the work log."""

    id: int
    pump: str
    ts: float
    kind: str
    by: str
    text: str
    values: dict[str, float]
    undone_ts: float | None
    undone_by: str | None


class EvidenceRow(Row):
    """One number behind a verdict, in SI and in the site's words; low and high: 95 % limits."""

    name: str
    value: float | None
    unit: str
    usual_low: float | None
    usual_high: float | None
    low: float | None
    high: float | None
    text: str
    usual_text: str


class CauseRow(Row):
    """One possible cause with its weight (all weights of an alarm together are 1 at most)."""

    kind: str
    weight: float


class AlarmRow(Row):
    """One alarm; `waiting` tells that somebody must acknowledge it, `over` that it has ended and
    only waits for that. first_check: what to look at first, in the trade's order."""

    id: str
    site: str
    subject: str
    subject_label: str
    pump: str | None
    bays: tuple[str, ...]
    kind: str
    side: str
    priority: str
    state: str
    active: bool
    waiting: bool
    over: bool
    hidden: bool
    sentence: str
    detail: str
    first_check: str
    since_ts: float
    raised_ts: float | None
    cleared_ts: float | None
    acked_ts: float | None
    acked_by: str | None
    count: int
    confidence: float
    severity: float
    evidence: tuple[EvidenceRow, ...]
    causes: tuple[CauseRow, ...]
    shelved_until_ts: float | None
    shelved_by: str | None
    shelve_reason: str | None
    members: tuple[str, ...]


def evidence_rows(items: Sequence[Evidence], words: Words) -> tuple[EvidenceRow, ...]:
    """Evidence with its text."""
    return tuple(
        EvidenceRow(
            name=e.name,
            value=e.value,
            unit=e.unit,
            usual_low=e.usual_low,
            usual_high=e.usual_high,
            low=e.low,
            high=e.high,
            text=words.told(e),
            usual_text=words.usual(e),
        )
        for e in items
    )


def pump_label(pump: Pump) -> str:
    """What people call it: its label, else its chemical."""
    return pump.label or pump.fluid.name


def pump_title(pump: Pump) -> str:
    """'P2 Foam soap'; only the words where the id is a word itself ('foam', 'wheel-acid')."""
    return pump.title


def detail(alarm: Alarm) -> str:
    """The sentence without the kind before it, for places that have just named the kind."""
    lead = f"{alarm.kind.value}:"
    if not alarm.sentence.lower().startswith(lead):
        return alarm.sentence
    rest = alarm.sentence[len(lead) :].strip()
    return rest[:1].upper() + rest[1:]


def subject_of(site: Site, subject: str) -> tuple[str, Pump | None]:
    """(label, pump) of an alarm's subject: a pump, 'air:<supply>' or 'node:<node>'."""
    pump = site.pump(subject)
    if pump is not None:
        return pump_title(pump), pump
    kind, _, name = subject.partition(":")
    if kind == "air":
        supply = next((s for s in site.air_supplies if s.id == name), None)
        return f"Air supply {supply.label if supply and supply.label else name}", None
    if kind == "node":
        return f"Sensor node {name}", None
    return subject, None


def alarm_row(alarm: Alarm, site: Site, words: Words) -> AlarmRow:
    """The row of one alarm."""
    label, pump = subject_of(site, alarm.subject)
    return AlarmRow(
        id=alarm.id,
        site=alarm.site or site.id,
        subject=alarm.subject,
        subject_label=label,
        pump=pump.id if pump else None,
        bays=pump.bays if pump else (),
        kind=alarm.kind.value,
        side=alarm.side.value,
        priority=alarm.priority.value,
        state=alarm.state.value,
        active=alarm.active,
        waiting=alarm.state in UNACKNOWLEDGED,
        over=alarm.state is State.RETURNED,
        hidden=alarm.state in HIDDEN,
        sentence=alarm.sentence,
        detail=detail(alarm),
        first_check=first_check(alarm.kind),
        since_ts=alarm.since_ts,
        raised_ts=alarm.raised_ts,
        cleared_ts=alarm.cleared_ts,
        acked_ts=alarm.acked_ts,
        acked_by=alarm.acked_by,
        count=alarm.count,
        confidence=alarm.confidence,
        severity=alarm.severity,
        evidence=evidence_rows(alarm.evidence, words),
        causes=tuple(CauseRow(kind=k.value, weight=w) for k, w in alarm.causes),
        shelved_until_ts=alarm.shelved_until_ts,
        shelved_by=alarm.shelved_by,
        shelve_reason=alarm.shelve_reason,
        members=alarm.members,
    )


def worst_first(alarms: Sequence[Alarm]) -> list[Alarm]:
    """What has ended last; by priority, then those that wait for somebody, then the newest."""
    rank = {p: i for i, p in enumerate(Priority)}
    return sorted(
        alarms,
        key=lambda a: (
            a.state is State.RETURNED,
            rank[a.priority],
            a.state not in UNACKNOWLEDGED,
            -(a.raised_ts or 0.0),
        ),
    )


def needs_someone(alarm: Alarm) -> bool:
    """True for what belongs in the first block of the board."""
    return (
        alarm.state in ANNUNCIATED
        or alarm.state in UNACKNOWLEDGED
        or (alarm.state is State.LATCHED_ACKNOWLEDGED)
    )


def stands(alarm: Alarm) -> bool:
    """True for what is wrong now, and not only waits for somebody to take note of its end."""
    return needs_someone(alarm) and alarm.state is not State.RETURNED


def work_row(entry: Entry) -> WorkRow:
    """A work entry as a row."""
    return WorkRow(
        id=entry.id,
        pump=entry.pump,
        ts=entry.ts,
        kind=entry.kind.value,
        by=entry.by,
        text=entry.text,
        values=entry.values,
        undone_ts=entry.undone_ts,
        undone_by=entry.undone_by,
    )
