"""What the running service gives to pages and API: one Protocol, implemented by the service.

Everything a person does goes through here, so that the journal knows who did it. `by` is the
account's name (or the scope of an API token); times are Unix seconds, gauge pressures Pa.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Protocol

from monitor.advice.kinds import Kind, Priority, Side
from monitor.detectors.finding import Evidence, Finding
from monitor.site import Site
from monitor.store.core import Core
from monitor.store.interface import Store


class AlarmLike(Protocol):
    """One alarm as the alarm machine knows it; a matter of one pump or of one air supply."""

    @property
    def id(self) -> str:
        """Stable over its whole life, safe in an address."""
        ...

    @property
    def site(self) -> str:
        """The site's id."""
        ...

    @property
    def subject(self) -> str:
        """The pump's id, or 'air:<supply>' for a matter of one air supply."""
        ...

    @property
    def kind(self) -> Kind:
        """What is wrong."""
        ...

    @property
    def side(self) -> Side:
        """Where to look first."""
        ...

    @property
    def priority(self) -> Priority:
        """How soon somebody must do something."""
        ...

    @property
    def state(self) -> str:
        """Words of ISA-18.2 / IEC 62682, such as 'unacknowledged' or 'shelved'."""
        ...

    @property
    def active(self) -> bool:
        """True while the matter stands."""
        ...

    @property
    def acknowledged(self) -> bool:
        """True once somebody took it on."""
        ...

    @property
    def raised_ts(self) -> float | None:
        """When it became an alarm."""
        ...

    @property
    def cleared_ts(self) -> float | None:
        """When it ended, None while it stands."""
        ...

    @property
    def finding(self) -> Finding | None:
        """The newest finding behind it, with evidence and ranked causes."""
        ...


class PumpNowLike(Protocol):
    """One pump at this moment, as the site watch sees it."""

    @property
    def pump(self) -> str:
        """The pump's id."""
        ...

    @property
    def ts(self) -> float | None:
        """End of the newest judged data, None when there never was any."""
        ...

    @property
    def state(self) -> str:
        """'draw', 'dead-head', 'prime', 'idle strokes' or 'unknown'."""
        ...

    @property
    def state_since_ts(self) -> float | None:
        """When that state began."""
        ...

    @property
    def pressure_pa(self) -> float | None:
        """Mean of the last second."""
        ...

    @property
    def strokes_per_min(self) -> float | None:
        """Rate over the last seconds."""
        ...

    @property
    def demand(self) -> bool | None:
        """A valve fed by this pump is open; None where it is not known."""
        ...

    @property
    def air_pa(self) -> float | None:
        """Supply pressure, None where not fitted."""
        ...

    @property
    def usual_pa(self) -> tuple[float, float] | None:
        """This pump's usual band of discharge pressure at rest."""
        ...

    @property
    def findings(self) -> Sequence[Finding]:
        """What the detectors say now, present ones first."""
        ...

    @property
    def baselines(self) -> Sequence[Evidence]:
        """What was learnt of this pump: value, unit and usual range."""
        ...


@dataclass(frozen=True, slots=True)
class WorkDraft:
    """A work entry as somebody writes it; `numbers` hold SI values named with their unit."""

    site: str
    pump: str
    what: str
    by: str
    ts: float
    note: str = ""
    parts: tuple[str, ...] = ()
    numbers: Mapping[str, float] = field(default_factory=dict)


class Live(Protocol):
    """The running service. Reads never block long; doings raise StrokewiseError in words."""

    store: Store
    core: Core

    def now_ts(self) -> float:
        """The service's time: wall clock, or the demo's."""
        ...

    def sites(self) -> Sequence[Site]:
        """All sites, in the order of the settings."""
        ...

    def now(self, site: str, pump: str) -> PumpNowLike | None:
        """The pump now; None for a pump that is not known."""
        ...

    def alarms(self, site: str | None = None) -> Sequence[Any]:
        """Every alarm that is not back to normal (see AlarmLike), of one site or of all."""
        ...

    def acknowledge(self, alarm_id: str, *, by: str, note: str = "") -> None:
        """Take the alarm on."""
        ...

    def shelve(self, alarm_id: str, *, by: str, reason: str, until_ts: float) -> None:
        """Put the alarm aside until a time, with a reason."""
        ...

    def unshelve(self, alarm_id: str, *, by: str) -> None:
        """End the shelving early."""
        ...

    def out_of_service(self, alarm_id: str, *, by: str, reason: str, on: bool) -> None:
        """Take the alarm out of service, or bring it back."""
        ...

    def add_work(self, draft: WorkDraft) -> int:
        """Write a work entry; returns its number. Re-bases what the entry re-bases."""
        ...

    def undo_work(self, entry: int, *, by: str) -> None:
        """Strike an entry through (it stays readable)."""
        ...

    def figures(self) -> Mapping[str, float]:
        """Gauges and counters about the service, name with unit -> value; names that end in
        '_total' only grow."""
        ...

    def refused(self) -> Mapping[str, int]:
        """Messages refused since the start, by reason."""
        ...

    def dead_channels(self) -> Sequence[str]:
        """Notification channels that have failed for good, in words."""
        ...

    def sequence(self) -> int:
        """The number of the newest change."""
        ...

    async def changes(self, after: int, *, wait_s: float) -> tuple[int, Sequence[str]]:
        """Wait until something changed after that number, or the time is up: (newest number,
        ids such as 'site/pump' and 'alarm:<id>'). An empty tuple means only that time passed."""
        ...
