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
        """'Pa', '1/s', 'mL', 'mL/min', 's', 'strokes' or '' for a ratio."""

    @property
    def usual_low(self) -> float | None:
        """Low end of what is usual here."""

    @property
    def usual_high(self) -> float | None:
        """High end of what is usual here."""


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
    parts.append(f"First: {record(finding.kind).checks[0].text}")
    return " ".join(parts)


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
    """'stall pressure 42 psi (usual 57 psi to 59 psi)' in the site's units."""
    told = f"{evidence.name} {amount(evidence.value, evidence.unit, show)}"
    low, high = evidence.usual_low, evidence.usual_high
    if low is not None and high is not None:
        usual = f"{amount(low, evidence.unit, show)} to {amount(high, evidence.unit, show)}"
        return f"{told} (usual {usual})"
    if high is not None:
        return f"{told} (usual at most {amount(high, evidence.unit, show)})"
    if low is not None:
        return f"{told} (usual at least {amount(low, evidence.unit, show)})"
    return told


def amount(value: float | None, unit: str, show: Display) -> str:
    """A value in SI as people say it: pressure, volume and rate in the site's units."""
    if value is None:
        return "not known"
    writers: dict[str, Callable[[float], str]] = {
        "Pa": show.pressure,
        "mL": lambda v: f"{v:.0f} mL" if abs(v) < 1000 else show.volume(v),
        "mL/min": lambda v: f"{_short(v)} mL/min ({show.volume(v * 1440.0)} a day)",
        "1/s": lambda v: f"{_short(v * 60.0)} strokes a minute",
        "s": _time,
        "strokes": lambda v: f"{v:.0f} {'stroke' if round(v) == 1 else 'strokes'}",
        "m": show.length,
        "°C": lambda v: f"{v:.0f} °C",
        "": _short,
    }
    return writers[unit](value) if unit in writers else f"{_short(value)} {unit}"


def _short(value: float) -> str:
    return f"{value:.0f}" if abs(value) >= 100 else f"{value:.2g}"


def _time(seconds: float) -> str:
    if abs(seconds) >= 2 * 86_400:
        return f"{seconds / 86_400:.0f} days"
    if abs(seconds) >= 2 * 3600:
        return f"{seconds / 3600:.0f} h"
    return f"{seconds / 60:.0f} min" if abs(seconds) >= 120 else f"{_short(seconds)} s"


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
