"""Alarms of the past: each occurrence once, as it last stood in the unbroken history."""

from monitor.alarms.types import Alarm
from monitor.api.live import Live
from monitor.store.alarm_book import AlarmBook

READ_AT_MOST = 2000
"""Occurrences looked through for one page (chosen: years of a quiet pump, days of a flood)."""


def alarms_between(
    live: Live, site: str, span: tuple[float, float], subject: str | None = None
) -> list[Alarm]:
    """Occurrences that stood at any time in the span, newest first.

    Those that still stand come from the machine, the rest from the history.
    """
    found: dict[str, Alarm] = {a.id: a for a in live.alarms(site)}
    entries = AlarmBook(live.core).occurrences(site, span[0], subject=subject, limit=READ_AT_MOST)
    for entry in entries:
        alarm = entry.change.after or entry.change.before
        if alarm is not None and alarm.id:
            found.setdefault(alarm.id, alarm)
    inside = [a for a in found.values() if _overlaps(a, span) and subject in (None, a.subject)]
    return sorted(inside, key=lambda a: a.raised_ts or 0.0, reverse=True)


def _overlaps(alarm: Alarm, span: tuple[float, float]) -> bool:
    if alarm.raised_ts is None or alarm.raised_ts >= span[1]:
        return False
    return alarm.active or (alarm.cleared_ts or alarm.raised_ts) >= span[0]
