"""What a person reads: subject, text for phones, and the mail with its picture.

One plain sentence, the numbers in words with units, the first thing to check, a link; shapes and
words carry the priority, colour only repeats it.
"""

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from jinja2 import Environment, PackageLoader, StrictUndefined

from monitor.advice.cautions import DEFER
from monitor.advice.kinds import Priority
from monitor.advice.records import record
from monitor.advice.text import how_sure, quantity
from monitor.alarms.types import Alarm, State
from monitor.notify import words
from monitor.notify.channels import PICTURE_NAME
from monitor.notify.outbox import Message
from monitor.notify.routes import Word
from monitor.site import Site
from monitor.units import DISPLAYS

NUMBERS = 4
"""Chosen: more numbers than this are for the board."""
FULL = 6
"""Chosen: so many alarms of one message in full, most urgent first; the rest a line each."""
_RANK = {priority: rank for rank, priority in enumerate(Priority)}

# The light palette on white paper: contrast 8.2, 8.7 and 9.3 to 1 (WCAG 2 formula, computed).
_COLOUR = {
    Priority.ACT_NOW: "#9C0F3C",
    Priority.THIS_SHIFT: "#7F4300",
    Priority.NEXT_VISIT: "#4A3A8A",
}
_LINE = {
    Priority.ACT_NOW: "solid",
    Priority.THIS_SHIFT: "dashed",
    Priority.NEXT_VISIT: "dotted",
}
_LEAD = {
    Word.ESCALATED: "Nobody has acknowledged this in time, so now you are told.",
    Word.AGAIN: "It had returned to normal and has come back.",
    Word.WORSE: "It has become more urgent.",
    Word.RETURNED: "It has returned to normal. Nothing needs to be done about it now.",
    Word.SEVERAL: "Several things at once, in one message.",
    Word.FLOOD: "More alarms come than anybody can take in one by one. "
    "Start with the air supply, then with what is marked Act now.",
    Word.FLOOD_OVER: "The flood of alarms is over. This still stands.",
}


@dataclass(frozen=True, slots=True)
class Links:
    """Where a message points to; None = no link."""

    board: str | None = None
    ack: str | None = None
    ack_life: str = "a day"


@dataclass(frozen=True, slots=True)
class Content:
    """A message before it goes to a target. key and person are added when it is addressed."""

    word: Word
    subject: str
    text: str
    html: str
    picture_of: str | None = None


@dataclass(frozen=True, slots=True)
class DigestFacts:
    """What a daily digest tells."""

    standing: Sequence[Alarm] = ()
    ended: Sequence[Alarm] = ()
    hidden: Sequence[Alarm] = ()
    not_delivered: Sequence[str] = field(default=())

    @property
    def empty(self) -> bool:
        """True when there is nothing to tell."""
        return not (self.standing or self.ended or self.hidden or self.not_delivered)


_LOADER = PackageLoader("monitor.notify", "templates")
_HTML = Environment(
    loader=_LOADER, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
)
_TEXT = Environment(
    loader=_LOADER,
    autoescape=False,  # noqa: S701 - plain text, nothing renders it
    undefined=StrictUndefined,
    trim_blocks=True,
    lstrip_blocks=True,
)


def alarm_message(site: Site, word: Word, alarms: Sequence[Alarm], links: Links) -> Content:
    """Word of one alarm or of several."""
    alarms = sorted(alarms, key=lambda a: (_RANK[a.priority], a.since_ts))
    items = [_item(alarm, site, word) for alarm in alarms[:FULL]]
    rest = [_line(alarm, site) for alarm in alarms[FULL:]]
    one = alarms[0] if len(alarms) == 1 else None
    news = one is not None and one.active and word is not Word.RETURNED
    facts = {
        "lead": _LEAD.get(word, ""),
        "items": items,
        "lists": [("And also", rest)] if rest else [],
        "picture": PICTURE_NAME if news else None,
        "cautions": _cautions(alarms) if word is not Word.RETURNED else [],
    }
    subject = _subject(site, word, alarms)
    return _content(site, word, subject, facts, links, one.id if news and one else None)


def digest_message(site: Site, facts: DigestFacts, now_ts: float, links: Links) -> Content:
    """The daily digest; `facts` must not be empty."""
    lists = [
        ("Needs someone", [_line(a, site) for a in facts.standing]),
        ("Ended in the last day", [_line(a, site) for a in facts.ended]),
        ("Hidden on purpose", [_line(a, site) for a in facts.hidden]),
        ("Messages that could not be delivered", list(facts.not_delivered)),
    ]
    count = len(facts.standing)
    needs = f"{count} {'needs' if count == 1 else 'need'} someone" if count else "nothing open"
    subject = f"{site.label or site.id}: daily digest, {needs}"
    body = {
        "lead": f"{site.label or site.id}, {words.when(now_ts, site.zone)}: {needs}.",
        "items": [],
        "lists": [(title, lines) for title, lines in lists if lines],
        "picture": None,
        "cautions": [],
    }
    return _content(site, Word.DIGEST, subject, body, links, None)


def merged(messages: Sequence[Message]) -> Message:
    """A backlog behind a dead channel as one message; nothing in it is left out."""
    first = messages[0]
    lead = f"{len(messages)} messages in one, oldest first."
    blocks = [f"{m.subject}\n{words.brief(m.text)}" for m in messages]
    signature = dict.fromkeys(line for m in messages for line in words.signature(m.text))
    text = f"\n{'-' * 20}\n".join([f"{lead}\n", *blocks])
    facts = {
        "subject": f"{len(messages)} messages in one", "lead": lead, "items": [],
        "lists": [("In short", [m.subject for m in messages])], "picture": None, "cautions": [],
        "board_url": None, "ack_url": None, "ack_life": "", "foot": "",
    }  # fmt: skip
    html = _HTML.get_template("message.html").render(facts)
    inner = "".join(f'<hr style="margin:24px 0">{_body(m.html)}' for m in messages)
    return Message(
        key=f"{first.key}+{len(messages)}",
        site=first.site,
        channel=first.channel,
        person=first.person,
        word=Word.SEVERAL.value,
        subject=f"{len(messages)} messages in one",
        text=text + words.SIGNATURE + "\n".join(signature) + "\n",
        html=html.replace("</body>", f"{inner}</body>"),
    )


def _body(html: str) -> str:
    """What stands between the body tags, without its picture (a merged message carries none)."""
    start = html.find(">", html.find("<body")) + 1
    return words.without_picture(html[start : html.rfind("</body>")])


def _content(
    site: Site,
    word: Word,
    subject: str,
    facts: Mapping[str, object],
    links: Links,
    picture_of: str | None,
) -> Content:
    known = {
        **facts,
        "subject": subject,
        "board_url": links.board,
        "ack_url": links.ack,
        "ack_life": links.ack_life,
        "foot": f"Strokewise at {site.label or site.id}. Times are {site.time_zone}. "
        "It watches; it controls nothing.",
    }
    return Content(
        word,
        subject,
        re.sub(r"\n{3,}", "\n\n", _TEXT.get_template("message.txt").render(known).strip()) + "\n",
        _HTML.get_template("message.html").render(known),
        picture_of,
    )


def _subject(site: Site, word: Word, alarms: Sequence[Alarm]) -> str:
    name = site.label or site.id
    if len(alarms) == 1:
        alarm = alarms[0]
        what = f"{alarm.kind.value}, {words.place(alarm, site)}"
        head = {
            Word.RETURNED: "Back to normal",
            Word.AGAIN: f"{words.HEADING[alarm.priority]}, again",
            Word.WORSE: f"{words.HEADING[alarm.priority]}, worse than before",
            Word.ESCALATED: f"{words.HEADING[alarm.priority]}, not acknowledged",
        }.get(word, words.HEADING[alarm.priority])
        return f"{head}: {what} · {name}"
    if word is Word.FLOOD_OVER:
        return f"Flood of alarms is over, {len(alarms)} still open · {name}"
    kind = "Flood of alarms" if word is Word.FLOOD else "Several alarms"
    return f"{kind}: {len(alarms)} · {name}"


def _state(alarm: Alarm, word: Word, site: Site) -> str:
    if word is Word.RETURNED or not alarm.active:
        return f"returned to normal {words.when(alarm.cleared_ts, site.zone)}"
    count = f", {alarm.count} times" if alarm.count > 1 else ""
    state = "" if alarm.state is State.NOT_ACKNOWLEDGED else f"{alarm.state.value}, "
    if alarm.acked_by and alarm.acked:
        state = f"acknowledged by {alarm.acked_by}, "
    return f"{state}since {words.when(alarm.since_ts, site.zone)}{count}"


def _item(alarm: Alarm, site: Site, word: Word) -> dict[str, object]:
    one = record(alarm.kind)
    where = [words.bays(alarm, site)]
    if alarm.members:
        where.append(f"concerns {', '.join(sorted(set(alarm.members)))}")
    gone = word is Word.RETURNED or not alarm.active
    return {
        "shape": words.SHAPE[alarm.priority],
        "heading": words.HEADING[alarm.priority],
        "colour": _COLOUR[alarm.priority],
        "line": _LINE[alarm.priority],
        "state": _state(alarm, word, site),
        "title": f"{words.place(alarm, site)}: {alarm.kind.value}",
        "where": "; ".join(w for w in where if w),
        "sentence": words.sentence(alarm),
        "numbers": []
        if gone
        else [
            quantity(e, DISPLAYS[site.units])
            for e in alarm.evidence[:NUMBERS]
            if e.value is not None
        ],
        "sure": "" if gone or not alarm.confidence else how_sure(alarm),
        "checks": [] if gone else _first_checks(alarm),
        "bring": "" if gone else ", ".join(one.bring[:5]),
        "alt": f"Pressure and strokes of {words.place(alarm, site)} around the alarm.",
    }


def _first_checks(alarm: Alarm) -> list[tuple[str, str]]:
    """(side, text): the first check in the trade's order, then the first on the alarm's side."""
    checks = record(alarm.kind).checks
    own = next((c for c in checks if c.side is alarm.side), checks[0])
    return [(c.side.value, c.text) for c in dict.fromkeys((checks[0], own))]


def _cautions(alarms: Sequence[Alarm]) -> list[tuple[str, str]]:
    """(title, text) of every caution that goes with the checks, once, and who decides."""
    standing = [alarm for alarm in alarms if alarm.active]
    found = {c.title: c.text for alarm in standing for c in record(alarm.kind).cautions}
    return [*found.items(), ("Before all", DEFER)] if found else []


def _line(alarm: Alarm, site: Site) -> str:
    head = f"{words.SHAPE[alarm.priority]} {words.HEADING[alarm.priority]}"
    text = f"{head}: {words.place(alarm, site)}, {alarm.kind.value}"
    if alarm.state is State.SHELVED:
        until = words.when(alarm.shelved_until_ts, site.zone)
        return f"{text}, shelved until {until} by {alarm.shelved_by} ({alarm.shelve_reason})"
    if alarm.state in (State.SUPPRESSED, State.OUT_OF_SERVICE):
        return f"{text}, {alarm.state.value}"
    span = _state(alarm, Word.RAISED, site)
    return f"{text}, {span}"
