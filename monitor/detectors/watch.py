"""The one door to the heart: blocks in, findings and finished episodes out."""

from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from monitor.advice.kinds import Kind
from monitor.detectors.base import Detector
from monitor.detectors.baseline import CALM_ONLY, RESTART_AIR, RESTART_ALL, Baseline
from monitor.detectors.context import Context
from monitor.detectors.finding import Evidence, Finding, Presence
from monitor.detectors.joint import Fitter, fit_at_once
from monitor.detectors.panel import DETECTORS
from monitor.detectors.rank import PATTERNS, rank, settled
from monitor.detectors.siblings import Siblings
from monitor.signals.scales import Scales
from monitor.signals.segment import Segmenter
from monitor.signals.types import Block, Episode, FloatArray
from monitor.site import Pump, Site

NAMED = frozenset(Kind) - {Kind.UNUSUAL}
AIR_KINDS = (Kind.LOW_AIR, Kind.HIGH_AIR, Kind.AIR_SAG)
SOUND_DRAWS = {Kind.AIRLOCK: 2, **dict.fromkeys(PATTERNS, 3), Kind.UNUSUAL: 20}
"""Sound draws in a row that end a standing verdict, where one is not enough (chosen; a repair that
is logged ends it at the first). What charts tell after twenty draws they deny after as many."""
DENIED = frozenset({Kind.DIAPHRAGM})
"""Kinds whose denial is plain: both sides race, or neither leads. The others' only says that this
draw did not show it."""
SILENT_S = 30.0
"""Nothing for so long is silence: thirty messages missed (chosen; one message a second)."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of a push or a tick: verdicts, and episodes that have ended."""

    findings: tuple[Finding, ...] = ()
    episodes: tuple[Episode, ...] = ()


LEARNT_WORDS = {
    "stall_after_pa": ("stall pressure after a draw", "Pa"),
    "demand_pa": ("pressure during a draw", "Pa"),
    "rate_hz": ("stroke rate during a draw", "1/s"),
    "duration_s": ("length of a draw", "s"),
    "strokes_to_stall": ("strokes from the end of a draw to stall", "strokes"),
    "dip_pa": ("dip at each stroke", "Pa"),
    "recovery_s": ("recovery after each dip", "s"),
}
"""What is worth showing of a pump's usual values: words and unit."""


@dataclass(frozen=True, slots=True)
class PumpNow:
    """A pump at a glance, for boards. state: 'at rest', 'drawing', 'priming', 'running dry',
    'running with no demand' or 'no data'. learnt: its usual values with their usual range."""

    last_ts: float | None = None
    pressure_pa: float | None = None
    stroke_rate_hz: float = 0.0
    state: str = "no data"
    usual_low_pa: float | None = None
    usual_high_pa: float | None = None
    strokes_last_hour: int = 0
    learnt: tuple[Evidence, ...] = ()


@dataclass(slots=True)
class Hour:
    """Strokes of the last hour, in minutes."""

    minutes: dict[int, int] = field(default_factory=dict)

    def add(self, ts: Iterable[float]) -> None:
        """Count strokes at these times."""
        for t in ts:
            minute = int(t // 60)
            self.minutes[minute] = self.minutes.get(minute, 0) + 1

    def total(self, now_ts: float) -> int:
        """Strokes in the hour up to now."""
        first = int(now_ts // 60) - 59
        self.minutes = {m: n for m, n in self.minutes.items() if m >= first}
        return sum(self.minutes.values())


class PumpWatch:
    """One pump: its segmenter, its context, its own set of detectors."""

    def __init__(self, site: Site, pump: Pump, fitter: Fitter = fit_at_once) -> None:
        self.pump = pump
        self.context = Context(site, pump, Scales.of(pump))
        self.segmenter = Segmenter(pump.id, self.context.scales)
        self.detectors = tuple(d() for d in DETECTORS)
        self._askings: dict[tuple[str, bool], tuple[Detector, ...]] = {}
        self.baseline = Baseline(pump.id, fitter=fitter)
        self._last_pa: FloatArray = np.empty(0)
        self.last_event: Episode | None = None
        self.hour = Hour()
        self.sound: dict[Kind, int] = {}

    def push(self, block: Block) -> list[Episode]:
        """Cut the block; events that ended or were looked at."""
        self._last_pa = block.pressure_pa[-20:].copy()  # a copy: a view would pin the whole block
        if len(block.stroke_ts):
            self.hour.add(block.stroke_ts[-20_000:].tolist())
        return self.segmenter.push(block)

    @property
    def last_pressure_pa(self) -> float | None:
        """Mean of the newest samples that were read."""
        good = self._last_pa[~np.isnan(self._last_pa)]
        return float(good.mean()) if len(good) else None

    def judge(self, event: Episode) -> list[Finding]:
        """All detectors on one event; then learn from it."""
        return self._settle(event, [*self._look(event), *self._unusual(event)])

    def relive(self, episodes: Iterable[Episode], notes: Sequence[tuple[float, str]] = ()) -> None:
        """Stored episodes again, quietly, each work entry (ts, kind) at its time.

        Kinds judge each episode; the baseline learns all at once.
        """
        healthy: list[Episode] = []
        entries = deque(sorted(notes))
        for episode in episodes:
            while entries and entries[0][0] <= episode.start_ts:
                ts, kind = entries.popleft()
                self.note(kind, ts)
            self._settle(episode, self._look(episode))
            if not any(k is not Kind.UNUSUAL for k in self.context.standing):
                healthy.append(episode)
        for ts, kind in entries:
            self.note(kind, ts)
        self.baseline.rebuild(healthy, sorted(notes))

    def _asked_of(self, what: str, *, open_: bool) -> tuple[Detector, ...]:
        """The detectors that look at such an event."""
        key = what, open_
        if key not in self._askings:
            self._askings[key] = tuple(
                d for d in self.detectors if what in d.events and (d.open_too or not open_)
            )
        return self._askings[key]

    def _look(self, event: Episode) -> list[Finding]:
        """What the kinds say that can tell."""
        found: list[Finding] = []
        self.context.hear(event)
        for detector in self._asked_of(event.what, open_=event.open_):
            finding = detector.update(event, self.context)
            if finding.presence is Presence.CANNOT_TELL:
                continue
            found.append(finding)
        return found

    def _settle(self, event: Episode, found: list[Finding]) -> list[Finding]:
        """Weigh what was found, remember what stands, learn from the event."""
        before = frozenset(self.context.standing)
        # What stands but is denied now ends only after some sound draws, yet explains nothing.
        denied = {f.kind for f in found if f.presence is Presence.NO} & DENIED
        found = rank([f for f in found if self._lasts(f)], before - denied)
        found += settled(found, before)
        for finding in found:
            if finding.presence is Presence.YES:
                self.context.standing.setdefault(finding.kind, finding.since_ts)
            elif self.context.standing.pop(finding.kind, None) and finding.kind in NAMED:
                self.baseline.calm()
        self.context.learn(event)
        self.last_event = event
        return found

    def _lasts(self, finding: Finding) -> bool:
        """May this verdict pass? One draw that looks sound does not end what stands: patterns come
        and go with the flow."""
        kind = finding.kind
        if finding.presence is Presence.YES or kind not in self.context.standing:
            self.sound.pop(kind, None)
            return True
        self.sound[kind] = self.sound.get(kind, 0) + 1
        return self.sound[kind] >= SOUND_DRAWS.get(kind, 1)

    def _unusual(self, event: Episode) -> list[Finding]:
        """The catch-all: silent while a named kind stands, for that one says more."""
        if event.open_:
            return []
        named = any(k is not Kind.UNUSUAL for k in self.context.standing)
        finding = self.baseline.update(event, learn=not named)
        if finding.presence is Presence.CANNOT_TELL:
            return []
        if named and finding.presence is Presence.YES:
            return []
        return [finding]

    def note(self, kind: str, ts: float) -> None:
        """A work entry: re-base what that kind of work re-bases."""
        self.context.notes[kind] = ts
        self.baseline.note(ts, kind)
        if kind in RESTART_ALL | RESTART_AIR:
            if kind in RESTART_AIR:
                self.context.announce(ts)
            self.context.repaired(AIR_KINDS if kind in RESTART_AIR else tuple(Kind))
            self.context.rebase()
            for detector in self.detectors:
                detector.rebase()
        elif kind in CALM_ONLY:
            for detector in self.detectors:
                detector.gulped(ts)

    def now(self, now_ts: float | None = None) -> PumpNow:
        """The pump at a glance."""
        last = self.segmenter.last_ts
        if last is None:
            return PumpNow()
        usual = self.context.usual["stall_after_pa"]
        run = self.segmenter.run
        return PumpNow(
            last,
            self.last_pressure_pa,
            0.0 if run is None else run.rate_hz(),
            self._state(now_ts if now_ts is not None else last),
            usual.low,
            usual.high,
            self.hour.total(last),
            self._learnt(),
        )

    def _learnt(self) -> tuple[Evidence, ...]:
        """What is usual for this pump, as far as it is known yet."""
        known = ((self.context.usual[n], *said) for n, said in LEARNT_WORDS.items())
        return tuple(Evidence(w, u.median, unit, u.low, u.high) for u, w, unit in known if u.known)

    def _state(self, now_ts: float) -> str:
        last = self.segmenter.last_ts
        if last is None or now_ts - last > SILENT_S:
            return "no data"
        standing = self.context.standing
        if self.segmenter.run is None:
            return "running with no demand" if Kind.NO_DEMAND in standing else "at rest"
        if Kind.MISSED_PRIME in standing or Kind.DRUM_EMPTY in standing:
            return "running dry"
        if Kind.NO_DEMAND in standing:
            return "running with no demand"
        event = self.last_event
        if event is not None and event.open_ and event.what == "prime":
            return "priming"
        return "drawing"


class SiteWatch:
    """All pumps of a site; what they share is judged here.

    fitter: who fits the baselines' models, by default this process and at once.
    """

    def __init__(self, site: Site, fitter: Fitter = fit_at_once) -> None:
        self.site = site
        self.pumps = {p.id: PumpWatch(site, p, fitter) for p in site.pumps}
        self.siblings = Siblings(site)
        self._silent: set[str] = set()

    def push(self, pump_id: str, block: Block) -> Outcome:
        """Take one block of one pump; raises KeyError for a pump the site does not have."""
        watch = self.pumps[pump_id]
        return self._judge(watch, watch.push(block))

    def finish(self, pump_id: str) -> Outcome:
        """The end of a pump's recording: close and judge what is open."""
        watch = self.pumps[pump_id]
        return self._judge(watch, watch.segmenter.finish())

    def _judge(self, watch: PumpWatch, events: list[Episode]) -> Outcome:
        if not events:
            return _NOTHING
        findings: list[Finding] = []
        for event in events:
            supply = self.siblings
            watch.context.neighbours_low = supply.low_neighbours(
                watch.pump.id, Kind.AIR_SAG, event.end_ts
            )
            findings.extend(supply.weigh(watch.judge(event)))
        return Outcome(tuple(findings), tuple(e for e in events if not e.open_))

    def tick(self, now_ts: float) -> Outcome:
        """What time alone says: nodes that went silent and came back."""
        findings: list[Finding] = []
        for pump_id, watch in self.pumps.items():
            last = watch.segmenter.last_ts
            if last is None:
                continue
            silent = now_ts - last > SILENT_S
            if silent or pump_id in self._silent:
                findings.append(self._silence(pump_id, last, now_ts, silent=silent))
            (self._silent.add if silent else self._silent.discard)(pump_id)
        return Outcome(tuple(findings))

    def _silence(self, pump_id: str, last_ts: float, now_ts: float, *, silent: bool) -> Finding:
        presence = Presence.YES if silent else Presence.NO
        sentence = f"Node silent: nothing heard for {now_ts - last_ts:.0f} s." if silent else ""
        return Finding(
            pump_id,
            Kind.NODE_SILENT,
            presence,
            now_ts,
            last_ts,
            0.99 if silent else 0.0,
            0.6 if silent else 0.0,
            sentence,
            causes=((Kind.NODE_SILENT, 1.0),) if silent else (),
        )

    def now(self, pump_id: str, now_ts: float | None = None) -> PumpNow:
        """One pump at a glance; state is 'no data' when now_ts is far past its last sample."""
        return self.pumps[pump_id].now(now_ts)

    def note(self, pump_id: str, kind: str, ts: float) -> None:
        """A work entry (repair, set point, drum change): what was usual no longer counts."""
        self.pumps[pump_id].note(kind, ts)

    def history(
        self,
        pump_id: str,
        episodes: Iterable[Episode],
        notes: Sequence[tuple[float, str]] = (),
        first: Iterable[Episode] = (),
    ) -> None:
        """Rebuild what was learned from stored finished episodes, oldest first, quietly.

        notes: (ts, kind) of work entries; each re-bases at its time what it then re-based.
        first: the first draws since the start or the last repair, where they are older.
        """
        self.pumps[pump_id].relive(episodes, notes)
        if first := tuple(first):
            self.pumps[pump_id].context.begin(first)


_NOTHING = Outcome()
