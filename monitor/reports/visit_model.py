"""The visit sheet's model: plain words, the same for page and paper; and what it is made from."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from monitor.alarms.types import Alarm
from monitor.hydraulics.band import Band
from monitor.reports.drums import Forecast
from monitor.reports.leaks import NO_PRICES, Prices
from monitor.reports.saving import Saving
from monitor.reports.tally import Fault, Tally
from monitor.site import Pump


@dataclass(frozen=True, slots=True)
class Known:
    """What is known of one pump when the sheet is made.

    alarms: those not back to normal. month: its last 30 days, faults in them. recent: the last
    48 h. usual: (low, high) of stall and draw pressure in Pa. work: last entries in words, newest
    first. prime: strokes to prime. drum: forecast; worst: span of the worst event.
    """

    pump: Pump
    alarms: Sequence[Alarm]
    faults: Sequence[Fault]
    month: Tally
    recent: Tally
    usual_stall_pa: tuple[float, float] | None = None
    usual_draw_pa: tuple[float, float] | None = None
    prime: Band | None = None
    drum: Forecast | None = None
    work: Sequence[str] = ()
    worst: tuple[float, float] | None = None
    prices: Prices = NO_PRICES


@dataclass(frozen=True, slots=True)
class Shared:
    """What several pumps share ('air:main', 'node:node1'), its open alarms and those pumps."""

    subject: str
    label: str
    alarms: Sequence[Alarm]
    pumps: tuple[Pump, ...]
    loss: Saving


@dataclass(frozen=True, slots=True)
class Cause:
    """One possible cause: what, where, how likely in words."""

    words: str
    side: str
    weight: str


@dataclass(frozen=True, slots=True)
class Check:
    """One thing to look at, with room to tick and write."""

    side: str
    text: str


@dataclass(frozen=True, slots=True)
class Reading:
    """One number to read and write down, and what to expect."""

    name: str
    expected: str


@dataclass(frozen=True, slots=True)
class Steps:
    """A procedure in words; steps hold their cautions' titles."""

    title: str
    use_when: str
    steps: tuple[tuple[str, str, str], ...]
    """(what to do, why, what to mind)"""
    done_when: str


@dataclass(frozen=True, slots=True)
class OpenAlarm:
    """A line with a box to tick."""

    priority: str
    words: str
    since: str
    state: str


@dataclass(frozen=True, slots=True)
class PumpSheet:
    """One pump's page, or that of an air supply or a node that several pumps share.

    month, worst: spans of the two traces; None = no pump's own trace.
    """

    pump: str
    label: str
    chemical: str
    bays: str
    seal: str
    why: tuple[str, ...]
    saves: str
    alarms: tuple[OpenAlarm, ...]
    causes: tuple[Cause, ...]
    readings: tuple[Reading, ...]
    checks: tuple[Check, ...]
    bring: tuple[str, ...]
    doubts: tuple[str, ...]
    cautions: tuple[tuple[str, str], ...]
    procedures: tuple[Steps, ...]
    work: tuple[str, ...]
    month: tuple[float, float] | None
    worst: tuple[float, float] | None
    saving: Saving = field(repr=False)


@dataclass(frozen=True, slots=True)
class Sheet:
    """The visit: pumps in the order of what a visit saves; bring: one list for the whole trip."""

    site: str
    date: str
    zone: str
    pumps: tuple[PumpSheet, ...]
    bring: tuple[str, ...]
    defer: str
    empty: str
