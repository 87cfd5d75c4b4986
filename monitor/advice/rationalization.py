"""The rationalization record of an alarm, in the fields of ANSI/ISA-18.2 and IEC 62682."""

from dataclasses import dataclass, fields

from monitor.advice.cautions import DEFER
from monitor.advice.kinds import SIDE, Kind
from monitor.advice.record import DAY_S, HOUR_S, MIN_S
from monitor.advice.records import record


@dataclass(frozen=True, slots=True)
class Rationalization:
    """Why an alarm exists and what to do; every field is words, ready to show."""

    alarm: str
    side: str
    text: str
    causes: tuple[str, ...]
    consequence: str
    operator_action: tuple[str, ...]
    bring: tuple[str, ...]
    cautions: tuple[str, ...]
    time_to_respond: str
    priority: str
    priority_reason: str
    alarm_class: str
    limit_basis: str
    on_delay: str
    off_delay: str
    deadband: str
    latching: str
    valid_when: str
    suppressed_by: str
    looks_like: str
    again_within_an_hour: str
    automatic_protection: str
    failure_mode: str
    owner: str
    site_approval: str
    references: tuple[str, ...]


def rationalization(kind: Kind) -> Rationalization:
    """The record of one kind of alarm."""
    one = record(kind)
    act = one.behaviour
    usual, severe = one.priority(), one.priority(1.0)
    alike = ", ".join(other.value for other in one.looks_like)
    hiding = ", ".join(cause.value for cause in one.suppressed_by)
    return Rationalization(
        alarm=kind.value,
        side=SIDE[kind].value,
        text=f"The pump {one.sentence}",
        causes=one.causes,
        consequence=one.consequence,
        operator_action=tuple(f"{check.side.value}: {check.text}" for check in one.checks),
        bring=one.bring,
        cautions=(*(f"{c.title}: {c.text}" for c in one.cautions), DEFER),
        time_to_respond=_times(one.respond_s, one.respond_severe_s),
        priority=usual.value if usual is severe else f"{usual.value}; {severe.value} when severe",
        priority_reason=f"{one.harm.value}; time to respond as above",
        alarm_class=one.alarm_class,
        limit_basis=one.limit_basis,
        on_delay=f"{duration(act.on_delay_s)}: {act.on_why}",
        off_delay=f"{duration(act.off_delay_s)}: {act.off_why}",
        deadband=act.deadband,
        latching=f"{'yes' if act.latching else 'no'}: {act.latch_why}",
        valid_when=one.valid_when,
        suppressed_by=f"{hiding or 'nothing'}: {one.suppress_why}",
        looks_like=f"{alike or 'nothing else'}: {one.apart}",
        again_within_an_hour="the same alarm with a count",
        automatic_protection="none: this tool watches and controls nothing",
        failure_mode=f"{one.mode} (ISO 14224:2016)",
        owner="the site's owner; changes of delays and priorities are logged with who and why",
        site_approval="name and date, to be entered by the site",
        references=one.references,
    )


def as_text(made: Rationalization) -> str:
    """The record as plain text, one field a paragraph, for a terminal or a printed page."""
    parts = []
    for field in fields(made):
        name = field.name.replace("_", " ")
        value = getattr(made, field.name)
        if isinstance(value, tuple):
            numbered = field.name == "operator_action"
            marks = [f"{n}." if numbered else "-" for n in range(1, len(value) + 1)]
            lines = "\n".join(f"  {m} {text}" for m, text in zip(marks, value, strict=True))
            parts.append(f"{name}:\n{lines}")
        else:
            parts.append(f"{name}: {value}")
    return "\n".join(parts)


def duration(seconds: float) -> str:
    """'30 s', '10 min', '4 h' or '7 days', exact for the values in use."""
    if seconds >= 2 * DAY_S:
        return f"{seconds / DAY_S:g} days"
    if seconds >= HOUR_S:
        return f"{seconds / HOUR_S:g} h"
    if seconds >= 2 * MIN_S:
        return f"{seconds / MIN_S:g} min"
    return f"{seconds:g} s"


def _times(usual_s: float, severe_s: float) -> str:
    if usual_s == severe_s:
        return duration(usual_s)
    return f"{duration(usual_s)}; {duration(severe_s)} when severe"
