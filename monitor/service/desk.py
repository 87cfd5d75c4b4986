"""The service's desk: what is kept beside the samples, in one transaction at a time."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from monitor.alarms.machine import AlarmMachine
from monitor.alarms.types import Change
from monitor.notify.office import Office
from monitor.signals.types import Episode
from monitor.site import Site
from monitor.store.alarm_book import AlarmBook
from monitor.store.core import Core
from monitor.store.episodes import EpisodeBook
from monitor.store.interface import Store
from monitor.store.state import StateBook
from monitor.store.work_log import Entry, WorkLog
from monitor.wire import Message

PIN_BEFORE_S = 600.0
PIN_AFTER_S = 300.0
"""Raw evidence kept around an alarm whatever the retention says: ten minutes and five."""


@dataclass(frozen=True, slots=True)
class Verdict:
    """What came of judging some of a site's samples, up to where it was judged."""

    site: Site
    machine: AlarmMachine
    done_ts: Mapping[str, float]
    episodes: Sequence[Episode]
    changes: Sequence[Change]


class Desk:
    """Books of the service over one `core.db`."""

    def __init__(self, core: Core, store: Store, office: Office) -> None:
        self.core = core
        self.store = store
        self.office = office
        self.alarm_book = AlarmBook(core)
        self.episode_book = EpisodeBook(core)
        self.work_log = WorkLog(core)
        self.states = StateBook(core)

    def load_alarms(self, site: str, machine: AlarmMachine) -> None:
        """Alarms of the site as they stood, timers included."""
        saved = self.alarm_book.load(site)
        if saved is not None:
            machine.load(saved)

    def episodes(self, site: str, pump: str, from_ts: float, to_ts: float) -> list[Episode]:
        """Stored episodes, in time order."""
        return self.episode_book.load(site, pump, from_ts, to_ts)

    def back(self, site: str, pump: str, before_ts: float, draws: int) -> float | None:
        """Where the so many draws before a time begin."""
        return self.episode_book.back(site, pump, before_ts, draws)

    def first(self, site: str, pump: str, from_ts: float, draws: int) -> list[Episode]:
        """The first so many draws since a time."""
        return self.episode_book.first(site, pump, from_ts, draws)

    def work(self, site: str, pump: str, from_ts: float) -> list[Entry]:
        """Work entries since a time, oldest first."""
        return self.work_log.list(site, pump, (from_ts, 1e11))[::-1]

    def messages(self, site: str, pump: str, from_ts: float, to_ts: float) -> list[Message]:
        """Stored messages of a span."""
        return self.store.messages(site, pump, from_ts, to_ts)

    def watermark(self, site: str, pump: str) -> float | None:
        """Up to where this pump's data were judged and the verdicts kept."""
        saved = self.states.load(f"judged/{site}/{pump}")
        return saved.seen_ts if saved else None

    def keep(
        self,
        site: Site,
        episodes: Sequence[Episode],
        changes: Sequence[Change],
        machine: AlarmMachine,
        done_ts: Mapping[str, float],
    ) -> None:
        """Alarms, episodes, word to people and the watermark, all or nothing."""
        self.keep_all([Verdict(site, machine, done_ts, episodes, changes)])

    def keep_all(self, verdicts: Sequence[Verdict]) -> None:
        """`keep` for several sites in one durable commit: each costs a turn of the disk."""
        with self.core.write():
            for v in verdicts:
                name = v.site.id
                self.episode_book.add(name, *[e for e in v.episodes if not e.open_])
                self.alarm_book.save(name, v.changes, v.machine.dump())
                self.office.hear(v.site, v.changes)
                self.states.save((f"judged/{name}/{p}", ts, None) for p, ts in v.done_ts.items())
        for v in verdicts:
            for change in v.changes:
                self._pin(v.site, change)

    def _pin(self, site: Site, change: Change) -> None:
        alarm = change.after
        if alarm is None or alarm.raised_ts != change.ts or site.pump(alarm.subject) is None:
            return
        span = (min(alarm.since_ts, change.ts) - PIN_BEFORE_S, change.ts + PIN_AFTER_S)
        self.store.pin(site.id, alarm.subject, span, alarm.id)
