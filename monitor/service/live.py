"""What pages and API see of the running service (`monitor.api.live.Live`)."""

import asyncio
import itertools
import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence

from monitor.alarms.machine import AlarmMachine, OutOfService
from monitor.alarms.types import Alarm, AlarmRefused, Change, State
from monitor.clock import Clock, steady_s
from monitor.detectors.watch import PumpNow
from monitor.service.desk import Desk
from monitor.service.pipeline import Pipeline
from monitor.site import Site
from monitor.store.alarm_book import Asked
from monitor.store.core import Core
from monitor.store.interface import Store
from monitor.store.work_log import Entry

KEPT_CHANGES = 2000
POLL_S = 0.25


class Changes:
    """A numbered list of what changed, for event streams; bounded, thread-safe."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._number = itertools.count(1)
        self._newest = 0
        self._kept: deque[tuple[int, str]] = deque(maxlen=KEPT_CHANGES)

    def add(self, ids: Sequence[str]) -> None:
        """Number and keep."""
        with self._lock:
            for name in ids:
                self._newest = next(self._number)
                self._kept.append((self._newest, name))

    @property
    def newest(self) -> int:
        """The newest number."""
        return self._newest

    def after(self, number: int) -> tuple[int, list[str]]:
        """Newest number and the distinct ids that changed after `number`."""
        with self._lock:
            names = [name for n, name in self._kept if n > number]
            return self._newest, list(dict.fromkeys(names))


class LiveService:
    """The running service as `Live`; deeds go through the pipeline's lock."""

    def __init__(
        self,
        pipeline: Pipeline,
        desk: Desk,
        clock: Clock,
        *,
        figures: Callable[[], Mapping[str, float]],
        refused: Callable[[], Mapping[str, int]],
        dead_channels: Callable[[], Sequence[str]],
    ) -> None:
        self.core: Core = desk.core
        self.store: Store = desk.store
        self.log = Changes()
        self._pipeline = pipeline
        self._desk = desk
        self._clock = clock
        self._figures = figures
        self._refused = refused
        self._dead = dead_channels

    def now_ts(self) -> float:
        """Wall clock."""
        return self._clock()

    def sites(self) -> Sequence[Site]:
        """All sites, in the order of the settings."""
        return [run.site for run in self._pipeline.runs.values()]

    def now(self, site: str, pump: str) -> PumpNow | None:
        """The pump now; None for a pump that is not known."""
        return self._pipeline.now(site, pump, self._clock())

    def alarms(self, site: str | None = None) -> Sequence[Alarm]:
        """Every alarm that is not back to normal."""
        return self._pipeline.alarms(site)

    def last_ended_ts(self, site: str) -> float | None:
        """When the newest alarm of the site went back to normal."""
        ended = self._desk.alarm_book.history(Asked(site=site, state=State.NORMAL), limit=1)
        return ended[0].change.ts if ended else None

    def _act(self, alarm_id: str, deed: Callable[[AlarmMachine], Sequence[Change]]) -> None:
        for alarm in self._pipeline.alarms():
            if alarm_id in (alarm.id, alarm.tag):
                self._pipeline.act(alarm.site, deed)
                return
        raise AlarmRefused(f"no alarm {alarm_id!r} stands here; it may be over")

    def acknowledge(self, alarm_id: str, *, by: str) -> None:
        """Take the alarm on."""
        self._act(alarm_id, lambda m: m.acknowledge(alarm_id, by, self._clock()))

    def reset(self, alarm_id: str, *, by: str) -> None:
        """Let go of a latched alarm whose condition is gone."""
        self._act(alarm_id, lambda m: m.reset(alarm_id, by, self._clock()))

    def shelve(
        self, alarm_id: str, *, by: str, reason: str, until_ts: float, one_shot: bool = False
    ) -> None:
        """Put the alarm aside until a time, with a reason."""
        self._act(
            alarm_id,
            lambda m: m.shelve(
                alarm_id, by, reason, self._clock(), until_ts=until_ts, one_shot=one_shot
            ),
        )

    def unshelve(self, alarm_id: str, *, by: str) -> None:
        """End the shelving early."""
        self._act(alarm_id, lambda m: m.unshelve(alarm_id, by, self._clock()))

    def out(self, site: str) -> Mapping[str, OutOfService]:
        """Subjects whose alarms are out of service."""
        return self._pipeline.runs[site].machine.out

    def out_of_service(self, site: str, subject: str, *, by: str, reason: str, on: bool) -> None:
        """Take a subject's alarms out of service for work, or bring them back."""
        if on:
            self._pipeline.act(site, lambda m: m.out_of_service(subject, by, reason, self._clock()))
        else:
            self._pipeline.act(site, lambda m: m.return_to_service(subject, by, self._clock()))

    def add_work(self, entry: Entry) -> int:
        """Write a work entry; re-bases what it re-bases."""
        number = self._desk.work_log.add(entry)
        self._pipeline.note(entry.site, entry.pump, entry.kind, entry.ts)
        self.log.add([f"{entry.site}/{entry.pump}"])
        return number

    def undo_work(self, entry_id: int, *, by: str) -> None:
        """Take an entry back (it stays readable)."""
        self._desk.work_log.undo(entry_id, by, self._clock())
        self.log.add(["work"])

    def figures(self) -> Mapping[str, float]:
        """Gauges and counters about the service."""
        return self._figures()

    def refused(self) -> Mapping[str, int]:
        """Messages refused since the start, by reason."""
        return self._refused()

    def asleep(self, site: str) -> int:
        """Pumps whose past is still being learnt since the start."""
        return self._pipeline.asleep(site)

    def dead_channels(self) -> Sequence[str]:
        """Channels that fail, in words."""
        return self._dead()

    def sequence(self) -> int:
        """The number of the newest change."""
        return self.log.newest

    async def changes(self, after: int, *, wait_s: float) -> tuple[int, Sequence[str]]:
        """Wait until something changed after that number, or the time is up."""
        until_s = steady_s() + wait_s
        while True:
            newest, ids = self.log.after(after)
            if ids or steady_s() >= until_s:
                return newest, ids
            await asyncio.sleep(POLL_S)
