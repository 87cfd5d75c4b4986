"""Names, places and times as a person reads them."""

import re
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from monitor.advice.kinds import Kind, Priority
from monitor.alarms.types import Alarm
from monitor.site import Site

SHAPE = {Priority.ACT_NOW: "▲", Priority.THIS_SHIFT: "◆", Priority.NEXT_VISIT: "■"}
"""The same shapes on board, plot, list, sheet and mail."""

HEADING = {
    Priority.ACT_NOW: "Act now",
    Priority.THIS_SHIFT: "This shift",
    Priority.NEXT_VISIT: "Next visit",
}


def place(alarm: Alarm, site: Site) -> str:
    """'Presoak (P3)', 'air supply main', 'node n1'."""
    head, colon, name = alarm.subject.partition(":")
    if colon:
        return f"{'air supply' if head == 'air' else head} {name}"
    pump = site.pump(alarm.subject)
    if pump is None:
        return alarm.subject
    return f"{pump.label} ({pump.id})" if pump.label else pump.title


def bays(alarm: Alarm, site: Site) -> str:
    """'feeds bays 1 and 2', or nothing."""
    pump = site.pump(alarm.subject)
    if pump is None or not pump.bays:
        return ""
    *first, last = pump.bays
    names = f"{', '.join(first)} and {last}" if first else last
    return f"feeds {'bay' if not first else 'bays'} {names}"


def when(ts: float | None, zone: ZoneInfo) -> str:
    """'Sat 14 Nov 13:57 CET' in the site's zone."""
    if ts is None:
        return "–"
    return datetime.fromtimestamp(ts, UTC).astimezone(zone).strftime("%a %d %b %H:%M %Z")


def sentence(alarm: Alarm) -> str:
    """The finding's plain sentence, or one made of the kind."""
    if alarm.sentence:
        return alarm.sentence
    if alarm.kind is Kind.UNUSUAL:
        return "This pump behaves unlike itself."
    return f"{alarm.kind.value.capitalize()}: look at the {alarm.side.value} side first."


SIGNATURE = "\n-- \n"
"""What follows this line is for those who have room (RFC 3676 section 4.3)."""


def brief(text: str) -> str:
    """What goes to a phone: the part before the signature mark."""
    return text.split(SIGNATURE, 1)[0].rstrip() + "\n"


def signature(text: str) -> list[str]:
    """The lines after the signature mark: cautions, and who speaks."""
    return text.split(SIGNATURE, 1)[1].splitlines() if SIGNATURE in text else []


def without_picture(html: str) -> str:
    """The same mail where there is no picture to show."""
    return re.sub(r'<img src="cid:[^>]*>', "", html)
