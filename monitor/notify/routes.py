"""Who gets word of what, and when: pure rules, the time is an argument, hours are the site's.

The rules, in words:
- A person gets word of an alarm of a priority on the person's list, once, while nobody has
  acknowledged it; one with `escalate_after_s` only when nobody has for so long.
- In quiet hours and off duty word waits; "act now" does not wait when nobody else who should
  know of it is awake.
- Who got word of an alarm that then becomes more urgent hears of it again, acknowledged or not.
- Who got word gets one note when it has returned to normal for a quarter of an hour, and one
  when it came back after that note. An alarm that is shelved, suppressed or out of service is
  silent, and news again when it comes out.
- More than five messages in ten minutes, or a flood: one message with all of it, at most every
  ten minutes.
- Once a day a digest, only if there is something in it.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from zoneinfo import ZoneInfo

from monitor.advice.kinds import Priority
from monitor.alarms.types import ANNUNCIATED, Alarm, State
from monitor.site import Person, Site

RETURN_HOLD_S = 900.0
"""Chosen: what comes back within a quarter of an hour was never away."""
BURST = 5
BURST_S = 600.0
"""Chosen: a phone that buzzes more often than every two minutes gets muted."""
GATHER_S = 120.0
"""Chosen: what comes beyond a burst is gathered so long before it goes out as one."""
DIGEST_WINDOW_S = 6 * 3600.0
"""Chosen: a digest later than this is stale; the next one covers it."""


class Word(StrEnum):
    """What a message is about; the value is for the record."""

    RAISED = "raised"
    ESCALATED = "not acknowledged in time"
    AGAIN = "came back"
    WORSE = "more urgent"
    RETURNED = "returned to normal"
    SEVERAL = "several alarms"
    FLOOD = "flood of alarms"
    FLOOD_OVER = "flood is over"
    DIGEST = "daily digest"


NEWS = frozenset({Word.RAISED, Word.ESCALATED, Word.AGAIN, Word.WORSE})
"""After one of these a person knows that something stands."""

_RANK = {priority: rank for rank, priority in enumerate(Priority)}
_BACK = frozenset({State.NORMAL, State.RETURNED, State.LATCHED, State.LATCHED_ACKNOWLEDGED})


@dataclass(frozen=True, slots=True)
class Told:
    """What one person was last told about one alarm."""

    word: Word
    count: int
    priority: Priority = Priority.ACT_NOW


@dataclass(frozen=True, slots=True)
class Case:
    """An alarm people may have to hear of: since when it was heard here, who was told what."""

    alarm: Alarm
    heard_ts: float
    told: dict[str, Told]


@dataclass(frozen=True, slots=True)
class Notice:
    """Word for one person. key: the same word is the same key, however often it is planned."""

    key: str
    person: Person
    word: Word
    alarms: tuple[Alarm, ...] = ()


def is_quiet(person: Person, zone: ZoneInfo, now_ts: float) -> bool:
    """Whether the person wants peace: off duty, or in quiet hours (which may cross midnight)."""
    local = datetime.fromtimestamp(now_ts, UTC).astimezone(zone)
    if local.weekday() not in person.duty_days:
        return True
    start, end = person.quiet_from_min, person.quiet_to_min
    if start is None or end is None or start == end:
        return False
    minute = local.hour * 60 + local.minute
    return start <= minute < end if start < end else minute >= start or minute < end


def wants(person: Person, alarm: Alarm) -> bool:
    """Whether this alarm is for this person at all."""
    return bool(person.channels) and alarm.priority.value in person.priorities


def may_reach(site: Site, person: Person, alarm: Alarm, now_ts: float) -> bool:
    """Whether word of a standing alarm may go to the person now."""
    if not is_quiet(person, site.zone, now_ts):
        return True
    if alarm.priority is not Priority.ACT_NOW:
        return False
    return not any(
        wants(other, alarm)
        and other.escalate_after_s is None
        and not is_quiet(other, site.zone, now_ts)
        for other in site.people
    )


def word_for(site: Site, person: Person, case: Case, now_ts: float) -> Word | None:
    """What the person should now hear about this alarm, or None."""
    alarm, told = case.alarm, case.told.get(person.id)
    if not wants(person, alarm):
        return None
    if alarm.state in ANNUNCIATED and _is_worse(alarm, told):
        return Word.WORSE if may_reach(site, person, alarm, now_ts) else None
    if alarm.state is State.NOT_ACKNOWLEDGED:
        return _news(site, person, case, now_ts)
    if alarm.state in _BACK and told is not None and told.word in NEWS:
        gone_ts = alarm.cleared_ts if alarm.cleared_ts is not None else now_ts
        if now_ts - gone_ts >= RETURN_HOLD_S and not is_quiet(person, site.zone, now_ts):
            return Word.RETURNED
    return None


def _is_worse(alarm: Alarm, told: Told | None) -> bool:
    if told is None or told.word not in NEWS:
        return False
    return _RANK[alarm.priority] < _RANK[told.priority]


def _news(site: Site, person: Person, case: Case, now_ts: float) -> Word | None:
    alarm, told = case.alarm, case.told.get(person.id)
    since_ts = max(alarm.last_raised_ts or 0.0, case.heard_ts)
    if now_ts < since_ts + (person.escalate_after_s or 0.0):
        return None
    if not may_reach(site, person, alarm, now_ts):
        return None
    if told is None:
        return Word.RAISED if person.escalate_after_s is None else Word.ESCALATED
    return Word.AGAIN if told.word is Word.RETURNED and alarm.count > told.count else None


def plan(
    site: Site,
    cases: Sequence[Case],
    recent: dict[str, int],
    now_ts: float,
    *,
    flood_start_ts: float | None = None,
) -> list[Notice]:
    """The notices due now. recent: person -> messages of the last ten minutes.

    Planned again with the same facts it gives the same keys; what was told must be in `cases`.
    """
    notices: list[Notice] = []
    for person in site.people:
        due = [(w, c.alarm) for c in cases if (w := word_for(site, person, c, now_ts)) is not None]
        if not due:
            continue
        count = recent.get(person.id, 0)
        if flood_start_ts is None and count + len(due) <= BURST:
            notices += [
                Notice(f"{alarm_key(alarm)}:{word}:{person.id}", person, word, (alarm,))
                for word, alarm in due
            ]
            continue
        if not any(now_ts - _moved_ts(alarm) >= GATHER_S for _, alarm in due):
            continue
        word = Word.SEVERAL if flood_start_ts is None else Word.FLOOD
        if len(due) == 1 and flood_start_ts is None:
            word = due[0][0]
        slot = int(now_ts // BURST_S)
        alarms = tuple(alarm for _, alarm in due)
        notices.append(Notice(f"{site.id}:{word}:{slot}:{person.id}", person, word, alarms))
    return notices


def _moved_ts(alarm: Alarm) -> float:
    """When it last came or went."""
    return max(alarm.last_raised_ts or 0.0, alarm.cleared_ts or 0.0)


def alarm_key(alarm: Alarm) -> str:
    """Names this coming of this alarm, at this priority."""
    raised_ms = round((alarm.last_raised_ts or 0.0) * 1000)
    return f"{alarm.id}#{alarm.count}@{raised_ms}/{_RANK[alarm.priority]}"


def flood_over(site: Site, start_ts: float, cases: Iterable[Case], who: set[str]) -> list[Notice]:
    """One note to each who was told of the flood, with what still stands."""
    standing = tuple(c.alarm for c in cases if c.alarm.active)
    return [
        Notice(f"{site.id}:{Word.FLOOD_OVER}:{round(start_ts)}:{p.id}", p, Word.FLOOD_OVER,
               tuple(a for a in standing if wants(p, a)))
        for p in site.people
        if p.id in who
    ]  # fmt: skip


def digests(site: Site, now_ts: float) -> list[Notice]:
    """The daily digests due now; the caller leaves out empty ones and knows the keys sent."""
    local = datetime.fromtimestamp(now_ts, UTC).astimezone(site.zone)
    minute = local.hour * 60 + local.minute
    found = []
    for person in site.people:
        if not person.wants_digest or not person.channels:
            continue
        late_s = (minute - person.digest_min) * 60
        if 0 <= late_s < DIGEST_WINDOW_S and not is_quiet(person, site.zone, now_ts):
            key = f"{site.id}:{Word.DIGEST}:{local.date().isoformat()}:{person.id}"
            found.append(Notice(key, person, Word.DIGEST))
    return found
