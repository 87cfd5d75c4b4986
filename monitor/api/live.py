"""What the running service gives to pages and API: one Protocol, implemented by the service.

Everything a person does goes through here, so that the journal knows who did it. `by` is the
account's name (or the scope of an API token); times are Unix seconds, gauge pressures Pa.
"""

from collections.abc import Mapping, Sequence
from typing import Protocol

from monitor.alarms.machine import OutOfService
from monitor.alarms.types import Alarm
from monitor.detectors.watch import PumpNow
from monitor.site import Site
from monitor.store.core import Core
from monitor.store.interface import Store
from monitor.store.work_log import Entry


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

    def now(self, site: str, pump: str) -> PumpNow | None:
        """The pump now; None for a pump that is not known."""
        ...

    def alarms(self, site: str | None = None) -> Sequence[Alarm]:
        """Every alarm that is not back to normal, of one site or of all; hidden ones too."""
        ...

    def last_ended_ts(self, site: str) -> float | None:
        """When the newest alarm of the site went back to normal; None if there never was one."""
        ...

    def acknowledge(self, alarm_id: str, *, by: str) -> None:
        """Take the alarm on."""
        ...

    def reset(self, alarm_id: str, *, by: str) -> None:
        """Let go of a latched alarm whose condition is gone."""
        ...

    def shelve(
        self, alarm_id: str, *, by: str, reason: str, until_ts: float, one_shot: bool = False
    ) -> None:
        """Put the alarm aside until a time, with a reason; one_shot: or until it ends."""
        ...

    def unshelve(self, alarm_id: str, *, by: str) -> None:
        """End the shelving early."""
        ...

    def out(self, site: str) -> Mapping[str, OutOfService]:
        """Subjects of the site whose alarms are out of service, with who and why."""
        ...

    def out_of_service(self, site: str, subject: str, *, by: str, reason: str, on: bool) -> None:
        """Take all alarms of a subject out of service for work on it (on), or bring them back."""
        ...

    def add_work(self, entry: Entry) -> int:
        """Write a work entry; returns its number. Re-bases what the entry re-bases."""
        ...

    def undo_work(self, entry_id: int, *, by: str) -> None:
        """Take an entry back (it stays readable)."""
        ...

    def figures(self) -> Mapping[str, float]:
        """Gauges and counters about the service, name with unit -> value; names that end in
        '_total' only grow."""
        ...

    def refused(self) -> Mapping[str, int]:
        """Messages refused since the start, by reason."""
        ...

    def asleep(self, site: str) -> int:
        """Pumps of the site whose past is still being learnt since the start; judged after it."""
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
