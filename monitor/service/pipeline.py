"""Stored messages in, alarms out: one lock around watch and alarm machines.

Order of durability: the samples are committed first (the store), then this room judges them and
commits alarms, episodes, outbox rows and its own watermark in one transaction. After a crash it
re-reads from the store what lies behind the watermark, so nothing stored goes unjudged, and
nothing is told twice because an alarm's id follows from its subject, kind and onset.
"""

import logging
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from operator import itemgetter

from monitor.alarms.grouping import Family
from monitor.alarms.machine import AlarmMachine
from monitor.alarms.policy import default_policy
from monitor.alarms.types import Alarm, Change
from monitor.detectors.baseline import RESTART_AIR, RESTART_ALL
from monitor.detectors.finding import Finding
from monitor.detectors.joint import Fitter, fit_at_once
from monitor.detectors.watch import PumpNow, SiteWatch
from monitor.errors import StoreUnavailable
from monitor.intake.blocks import StreamAssembler, in_blocks
from monitor.service.desk import Desk, Verdict
from monitor.signals.types import Episode
from monitor.site import Site
from monitor.wire import Message

log = logging.getLogger(__name__)

HISTORY_S = 60 * 86400.0
"""How far back episodes are read to learn the baselines again (two months, chosen)."""
FIRST_DRAWS = 80
"""Of a pump's first draws so many are read at a start: some are too short to be of use."""
HISTORY_DRAWS = 260
"""And no more draws than that: a baseline's window, those it judges again, and some that are no
whole draws. A busy pump's two months would take seconds of a start, and change nothing."""
KEEP_EVERY_S = 60.0
"""How often the watermark is kept while nothing happens: a restart re-judges at most this much."""
WARM_S = 1800.0
"""How much raw data before the watermark warms the segmenter up (half an hour, chosen)."""

AHEAD_S = 86_400.0
"""A node's clock may be so far ahead (`intake.desk`)."""

_BY_PAST = itemgetter(0)

Listener = Callable[[str, Sequence[Change]], None]


@dataclass(slots=True)
class SiteRun:
    """One site's moving parts."""

    site: Site
    watch: SiteWatch
    machine: AlarmMachine
    streams: dict[str, StreamAssembler] = field(default_factory=dict)
    done_ts: dict[str, float] = field(default_factory=dict)
    waiting: list[Episode] = field(default_factory=list)
    kept_ts: float = 0.0
    asleep: set[str] = field(default_factory=set)
    """Pumps whose past is still to be learnt: what comes of them is judged when it is."""


@dataclass(slots=True)
class Told:
    """What came of a batch or a tick for one site; due: the watermark is kept in any case."""

    run: SiteRun
    episodes: Sequence[Episode]
    findings: Sequence[Finding]
    changes: Sequence[Change]
    due: bool = False

    def verdict(self) -> Verdict:
        """What is kept of it."""
        run = self.run
        return Verdict(run.site, run.machine, run.done_ts, self.episodes, self.changes)


class Pipeline:
    """Judges what the store has committed. Thread-safe; time is an argument."""

    def __init__(
        self,
        sites: Sequence[Site],
        desk: Desk,
        listener: Listener,
        fitter: Fitter = fit_at_once,
    ) -> None:
        self._lock = threading.RLock()
        self._desk = desk
        self._listener = listener
        self.messages_total = 0
        self.runs: dict[str, SiteRun] = {}
        for site in sites:
            machine = AlarmMachine(default_policy, site=site.id, family=Family.of(site))
            self.runs[site.id] = SiteRun(site, SiteWatch(site, fitter), machine)

    # Start.

    def load_alarms(self) -> None:
        """Alarms as they stood, with their timers: the first thing people want to see."""
        with self._lock:
            for run in self.runs.values():
                self._desk.load_alarms(run.site.id, run.machine)

    def wake(self, now_ts: float) -> None:
        """Every pump's past at once; after `load_alarms`."""
        for site_id, pump_id in self.put_to_sleep():
            self.wake_pump(site_id, pump_id, now_ts)

    def put_to_sleep(self) -> list[tuple[str, str]]:
        """(site, pump) of all pumps, for `wake_pump`; until then what is stored of them waits in
        the store. Those without a past come first: they are awake in no time."""
        known = []
        with self._lock:
            for run in self.runs.values():
                run.asleep = {pump.id for pump in run.site.pumps}
                for pump_id in (pump.id for pump in run.site.pumps):
                    past = self._desk.watermark(run.site.id, pump_id) is not None
                    known.append((past, run.site.id, pump_id))
        return [(site_id, pump_id) for _, site_id, pump_id in sorted(known, key=_BY_PAST)]

    def wake_pump(self, site_id: str, pump_id: str, now_ts: float) -> None:
        """Its baselines from stored episodes, then what is stored and unjudged. Raises
        StoreUnavailable; then ask again."""
        run = self.runs[site_id]
        with self._lock:
            if pump_id in run.asleep:
                self._learn(run, pump_id, now_ts)
                run.asleep.discard(pump_id)
            self._catch_up(run, pump_id, now_ts)

    def rouse(self, site_id: str, pump_id: str) -> None:
        """Judge the pump from here on, whatever is known of its past."""
        with self._lock:
            self.runs[site_id].asleep.discard(pump_id)

    def asleep(self, site_id: str | None = None) -> int:
        """How many pumps' past is still to be learnt."""
        runs = self.runs.values() if site_id is None else [self.runs[site_id]]
        return sum(len(run.asleep) for run in runs)

    def _learn(self, run: SiteRun, pump_id: str, now_ts: float) -> None:
        from_ts = self._from_ts(run, pump_id, now_ts)
        episodes = self._desk.episodes(run.site.id, pump_id, from_ts, now_ts)
        work = self._desk.work(run.site.id, pump_id, from_ts)
        notes = [(e.ts, e.kind.value) for e in work]
        run.watch.history(pump_id, episodes, notes, self._first(run, pump_id, from_ts))

    def _first(self, run: SiteRun, pump_id: str, from_ts: float) -> list[Episode]:
        """The first draws since the last repair, where it lies before what is read again."""
        entries = self._desk.work(run.site.id, pump_id, 0.0)
        fresh = [e.ts for e in entries if e.kind.value in RESTART_ALL | RESTART_AIR]
        since_ts = max(fresh, default=0.0)
        if since_ts >= from_ts:
            return []
        return self._desk.first(run.site.id, pump_id, since_ts, FIRST_DRAWS)

    def _from_ts(self, run: SiteRun, pump_id: str, now_ts: float) -> float:
        """Enough draws before now, or before what stands: a fault must not be learnt as usual."""
        pumps = {pump.id for pump in run.site.pumps} - {pump_id}
        alarms = (a for a in run.machine.alarms() if a.active and a.subject not in pumps)
        since_ts = min((a.since_ts for a in alarms), default=now_ts)
        enough_ts = self._desk.back(run.site.id, pump_id, since_ts, HISTORY_DRAWS)
        return max(now_ts - HISTORY_S, enough_ts or 0.0)

    def _catch_up(self, run: SiteRun, pump_id: str, now_ts: float) -> None:
        done_ts = self._desk.watermark(run.site.id, pump_id)
        if done_ts is None:
            return
        run.done_ts[pump_id] = done_ts
        before = self._desk.messages(run.site.id, pump_id, done_ts - WARM_S, done_ts)
        for _, block in in_blocks(before, partial(self._stream, run)):
            run.watch.push(pump_id, block)  # judged before: its findings were told
        after = self._desk.messages(run.site.id, pump_id, done_ts, now_ts + AHEAD_S)
        if after:
            log.info("catch-up site=%s pump=%s messages=%d", run.site.id, pump_id, len(after))
            self._tell([self._judged(run, after, now_ts)])

    def _stream(self, run: SiteRun, pump_id: str) -> StreamAssembler:
        if pump_id not in run.streams:
            pump = run.site.pump(pump_id)
            fitted = pump.sensors if pump is not None else None
            run.streams[pump_id] = StreamAssembler(fitted)
        return run.streams[pump_id]

    # Running.

    def on_stored(self, messages: Sequence[Message], now_ts: float) -> None:
        """Judge newly stored messages (in order per pump)."""
        by_site: dict[str, list[Message]] = {}
        for message in messages:
            by_site.setdefault(message.site, []).append(message)
        with self._lock:
            # All are judged before any is kept: a store that is away must not cost a site its turn.
            self._tell(
                [
                    self._judged(self.runs[site_id], batch, now_ts)
                    for site_id, batch in by_site.items()
                    if site_id in self.runs
                ]
            )
            self.messages_total += len(messages)

    def _judged(self, run: SiteRun, messages: Sequence[Message], now_ts: float) -> Told:
        findings: list[Finding] = []
        episodes: list[Episode] = []
        if run.asleep:
            messages = [m for m in messages if m.pump not in run.asleep]
        # What is older than what was judged gives no block; it is in the store all the same.
        for pump_id, block in in_blocks(messages, partial(self._stream, run)):
            outcome = run.watch.push(pump_id, block)
            findings += outcome.findings
            episodes += outcome.episodes
            run.done_ts[pump_id] = max(run.done_ts.get(pump_id, 0.0), block.end_ts)
        return Told(run, episodes, findings, run.machine.update(findings, now_ts))

    def tick(self, now_ts: float) -> None:
        """Once a second: silence of nodes, delays and shelves that run out."""
        with self._lock:
            told = []
            for run in self.runs.values():
                outcome = run.watch.tick(now_ts)
                changes = run.machine.update(outcome.findings, now_ts)
                due = now_ts - run.kept_ts >= KEEP_EVERY_S and bool(run.done_ts)
                told.append(Told(run, outcome.episodes, outcome.findings, changes, due=due))
            self._tell(told)
            for one in told:
                if one.due:
                    one.run.kept_ts = now_ts

    def _tell(self, told: Sequence[Told]) -> None:
        """Keep what came of it, all in one commit, then say so."""
        for one in told:
            one.episodes = [*one.run.waiting, *one.episodes]
        kept = [one for one in told if one.due or one.episodes or one.changes]
        try:
            if kept:
                self._desk.keep_all([one.verdict() for one in kept])
        except StoreUnavailable:
            # What could not be kept is told again with the next that can.
            for one in kept:
                one.run.machine.put_back(one.changes)
                one.run.waiting = [e for e in one.episodes if not e.open_]
            raise
        for one in kept:
            one.run.waiting = []
        for one in told:
            if one.changes or one.findings or one.episodes:
                self._listener(one.run.site.id, one.changes)

    # What people do.

    def act(self, site_id: str, deed: Callable[[AlarmMachine], Sequence[Change]]) -> None:
        """Something a person does to an alarm; kept and told like any other change."""
        with self._lock:
            run = self.runs[site_id]
            self._tell([Told(run, (), (), deed(run.machine))])

    def note(self, site_id: str, pump: str, kind: str, ts: float) -> None:
        """A work entry that re-bases what the pump is measured against."""
        with self._lock:
            self.runs[site_id].watch.note(pump, kind, ts)

    def alarms(self, site_id: str | None = None) -> list[Alarm]:
        """Every alarm that is not normal."""
        with self._lock:
            runs = self.runs.values() if site_id is None else [self.runs[site_id]]
            return [alarm for run in runs for alarm in run.machine.alarms()]

    def now(self, site_id: str, pump: str, now_ts: float) -> PumpNow | None:
        """The pump as the watch sees it; None where there is no such pump."""
        run = self.runs.get(site_id)
        if run is None or run.site.pump(pump) is None:
            return None
        with self._lock:
            return run.watch.now(pump, now_ts)
