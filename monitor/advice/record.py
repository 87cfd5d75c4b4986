"""What is written down for each kind of alarm, and how its priority follows from it."""

from dataclasses import dataclass
from enum import StrEnum

from monitor.advice.cautions import Caution
from monitor.advice.kinds import Kind, Priority, Side

MIN_S, HOUR_S, DAY_S = 60.0, 3600.0, 86_400.0


class Consequence(StrEnum):
    """What happens if nobody does anything, worst first."""

    HARM = "people, floor or equipment can be hurt"
    NO_PRODUCT = "vehicles get no chemical"
    WEAK_PRODUCT = "vehicles get too little chemical"
    COST = "chemical, air or parts are wasted"
    SIGHT = "faults of this pump can go unseen"


_NOW, _SHIFT, _VISIT = Priority.ACT_NOW, Priority.THIS_SHIFT, Priority.NEXT_VISIT

TIME_COLUMNS_S = (1 * HOUR_S, 8 * HOUR_S)
"""Up to an hour, up to a shift, longer: chosen, because nobody stands beside these pumps and a
tech comes within a shift at best."""

MATRIX: dict[Consequence, tuple[Priority, Priority, Priority]] = {
    Consequence.HARM: (_NOW, _NOW, _SHIFT),
    Consequence.NO_PRODUCT: (_NOW, _SHIFT, _VISIT),
    Consequence.WEAK_PRODUCT: (_SHIFT, _SHIFT, _VISIT),
    Consequence.COST: (_SHIFT, _VISIT, _VISIT),
    Consequence.SIGHT: (_SHIFT, _SHIFT, _VISIT),
}
"""Priority from consequence and time to respond (the method of ANSI/ISA-18.2 and IEC 62682)."""


def priority(consequence: Consequence, respond_s: float) -> Priority:
    """How soon somebody must act, from what happens otherwise and the time there is."""
    column = sum(respond_s > limit for limit in TIME_COLUMNS_S)
    return MATRIX[consequence][column]


@dataclass(frozen=True, slots=True)
class Check:
    """One thing to look at, on one side of the pump."""

    side: Side
    text: str


@dataclass(frozen=True, slots=True)
class Behaviour:
    """How the alarm behaves in time, each choice with its reason from the signal's nature.

    deadband is in words with its unit: how far the value must come back before it counts.
    """

    on_delay_s: float
    on_why: str
    off_delay_s: float
    off_why: str
    deadband: str
    latching: bool = False
    latch_why: str = "it ends when the signals say so"


@dataclass(frozen=True, slots=True)
class Record:
    """Everything known about one kind of alarm. sentence follows the pump's name.

    respond_s: time there is before the consequence; respond_severe_s: the same at a severity of
    0.7 or more. mode: failure mode code of ISO 14224:2016. suppressed_by: kinds that, while they
    stand on the same pump, bring this one about. looks_like and apart: what it is taken for, and
    what tells it apart.
    """

    kind: Kind
    title: str
    sentence: str
    causes: tuple[str, ...]
    consequence: str
    harm: Consequence
    respond_s: float
    respond_severe_s: float
    checks: tuple[Check, ...]
    bring: tuple[str, ...]
    cautions: tuple[Caution, ...]
    alarm_class: str
    limit_basis: str
    behaviour: Behaviour
    valid_when: str
    suppressed_by: tuple[Kind, ...]
    suppress_why: str
    looks_like: tuple[Kind, ...]
    apart: str
    mode: str
    references: tuple[str, ...]

    def priority(self, severity: float = 0.0) -> Priority:
        """The priority, at a severity from 0 to 1."""
        return priority(self.harm, self.respond_severe_s if severity >= 0.7 else self.respond_s)


PRACTICE = "common practice, no published source"
ISA = "ANSI/ISA-18.2-2016, IEC 62682 (record, delays, deadband)"
