"""One plain sentence with its numbers, in the trade's words and the site's units."""

from collections.abc import Callable, Sequence
from typing import Protocol

from monitor.advice.kinds import Kind
from monitor.advice.records import record
from monitor.units import Display


class EvidenceLike(Protocol):
    """A number behind a verdict, in SI."""

    @property
    def name(self) -> str:
        """What it is."""

    @property
    def value(self) -> float | None:
        """How much, None where it cannot be computed."""

    @property
    def unit(self) -> str:
        """'Pa', '1/s', 'mL', 'mL/min', 's', 'strokes', 'share' or '' for a ratio."""

    @property
    def usual_low(self) -> float | None:
        """Low end of what is usual here."""

    @property
    def usual_high(self) -> float | None:
        """High end of what is usual here."""

    @property
    def low(self) -> float | None:
        """Low 95 % limit of the value, None where there is none."""

    @property
    def high(self) -> float | None:
        """High 95 % limit of the value."""


class FindingLike(Protocol):
    """A verdict on one kind, as far as words need it."""

    @property
    def kind(self) -> Kind:
        """What it is about."""

    @property
    def confidence(self) -> float:
        """How sure, 0 to 1."""

    @property
    def evidence(self) -> Sequence[EvidenceLike]:
        """The numbers behind it, most telling first."""

    @property
    def causes(self) -> Sequence[tuple[Kind, float]]:
        """Ranked alternatives with their weights, this kind first."""


SURE, LIKELY = 0.9, 0.7
"""From here 'sure' and 'likely': chosen, nine of ten and better than two of three."""
OTHER_SHARE = 0.15
"""An alternative under this weight is not worth a driver's time (chosen)."""
A_DAY_ML_MIN = 1000.0
"""A leak is told by the day up to this; what runs faster is stopped within the day (chosen)."""


def sentence(name: str, kind: Kind) -> str:
    """'Pump 3 stops at too low a pressure: the air supply is low.' name as people call it."""
    return f"{name} {record(kind).sentence}"


def in_words(name: str, finding: FindingLike, show: Display, numbers: int = 2) -> str:
    """The sentence, its first numbers, how sure, what else it could be, and what to do first."""
    parts = [sentence(name, finding.kind)]
    told = [quantity(e, show) for e in finding.evidence if e.value is not None][:numbers]
    if told:
        parts.append(_capital("; ".join(told)) + ".")
    parts.append(how_sure(finding))
    parts.append(f"First: {first_check(finding.kind)}")
    return " ".join(parts)


def first_check(kind: Kind) -> str:
    """What to look at first, in the trade's order: air, suction, discharge."""
    return record(kind).checks[0].text


def how_sure(finding: FindingLike) -> str:
    """'Sure.', or 'Likely; could also be air sag.'"""
    word = "Sure" if finding.confidence >= SURE else "Likely"
    if finding.confidence < LIKELY:
        word = "Not certain"
    others = [k.value for k, weight in finding.causes if k is not finding.kind]
    weights = {k.value: weight for k, weight in finding.causes}
    others = [other for other in others if weights[other] >= OTHER_SHARE][:2]
    return f"{word}; could also be {' or '.join(others)}." if others else f"{word}."


def quantity(evidence: EvidenceLike, show: Display) -> str:
    """'leak 60 mL/min (95 %: 48 to 75; 23 US gal a day; usual none)' in the site's units."""
    value, unit = evidence.value, evidence.unit
    notes: list[str] = []
    if value is not None and evidence.low is not None and evidence.high is not None:
        notes.append(f"95 %: {ends(evidence.low, evidence.high, unit, show, said=value)}")
    if value is not None and unit == "mL/min" and abs(value) < A_DAY_ML_MIN:
        notes.append(f"{show.volume(value * 1440.0)} a day")
    usual = _usual(evidence, show)
    told = f"{evidence.name} {amount(value, unit, show)}"
    notes += [usual] if usual else []
    return f"{told} ({'; '.join(notes)})" if notes else told


def _usual(evidence: EvidenceLike, show: Display) -> str:
    low, high, unit = evidence.usual_low, evidence.usual_high, evidence.unit
    if low is not None and high is not None:
        if low == high:
            return f"usual {amount(low, unit, show)}" if low else "usual none"
        return f"usual {ends(low, high, unit, show)}"
    if high is not None:
        return f"usual at most {amount(high, unit, show)}"
    return "" if low is None else f"usual at least {amount(low, unit, show)}"


def ends(low: float, high: float, unit: str, show: Display, said: float | None = None) -> str:
    """'48 to 75 psi': the unit once, and not at all where the value said before has it, too."""
    (first, one), (second, two) = (_parts(amount(x, unit, show)) for x in (low, high))
    known = None if said is None else _parts(amount(said, unit, show))[1]
    if (first, one) == (second, two):
        return f"about {second}{two}"
    tail = "" if one == two == known else two
    return f"{first}{'' if one == two else one} to {second}{tail}"


def _parts(amount_: str) -> tuple[str, str]:
    """'48 psi' as ('48', ' psi')."""
    number, space, symbol = amount_.partition(" ")
    return number, space + symbol


def amount(value: float | None, unit: str, show: Display) -> str:
    """A value in SI as people say it: pressure, volume and rate in the site's units."""
    if value is None:
        return "not known"
    writers: dict[str, Callable[[float], str]] = {
        "Pa": show.pressure,
        "mL": lambda v: f"{_short(v)} mL" if abs(v) < 1000 else show.volume(v),
        "mL/min": lambda v: f"{_short(v)} mL/min" if abs(v) < 1000 else f"{show.volume(v)}/min",
        "1/s": lambda v: f"{_short(v * 60.0)} strokes a minute",
        "s": _time,
        "strokes": lambda v: f"{v:.0f} {'stroke' if round(v) == 1 else 'strokes'}",
        "m": show.length,
        "°C": lambda v: f"{v:.0f} °C",
        "yes": lambda v: "yes" if v else "no",
        "share": lambda v: f"{_short(100.0 * v)} %",
        "": _short,
    }
    return writers[unit](value) if unit in writers else f"{_short(value)} {unit}"


def _short(value: float) -> str:
    if abs(value) >= 100:
        return f"{value:,.0f}"
    return f"{value:.0f}" if abs(value) >= 10 else f"{value:.2g}"


def _time(seconds: float) -> str:
    if abs(seconds) >= 2 * 86_400:
        return f"{seconds / 86_400:.0f} days"
    if abs(seconds) >= 2 * 3600:
        return f"{seconds / 3600:.0f} h"
    return f"{seconds / 60:.0f} min" if abs(seconds) >= 120 else f"{_short(seconds)} s"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
