"""What a detector says: present, not present, or cannot tell, and why."""

from dataclasses import dataclass
from enum import StrEnum

from monitor.advice.kinds import SIDE, Kind, Side


class Presence(StrEnum):
    """'cannot tell' neither raises nor clears an alarm."""

    YES = "yes"
    NO = "no"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True)
class Evidence:
    """One number behind a verdict, in SI, beside what is usual for this pump.

    unit: 'Pa', '1/s', 'mL', 'mL/min', 's', 'strokes', 'share' (of one), '' (ratio). Pages convert
    for display.
    low, high: 95 % limits of the value where counting or repetition gives them.
    """

    name: str
    value: float | None
    unit: str
    usual_low: float | None = None
    usual_high: float | None = None
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, slots=True)
class Finding:
    """A verdict on one kind for one pump (or one air supply, then subject names it).

    confidence and severity run from 0 to 1. since_ts: when the matter began by the signals;
    ts: when it was judged. causes: the ranked alternatives with their weights, this kind first.
    """

    subject: str
    kind: Kind
    presence: Presence
    ts: float
    since_ts: float
    confidence: float = 0.0
    severity: float = 0.0
    sentence: str = ""
    evidence: tuple[Evidence, ...] = ()
    causes: tuple[tuple[Kind, float], ...] = ()

    @property
    def side(self) -> Side:
        """Where to look first."""
        return SIDE[self.kind]
