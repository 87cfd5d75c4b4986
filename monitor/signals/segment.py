"""One pump's life cut into rests and runs, second by second, whatever the message size.

A run starts when strokes come, when pressure leaves the level it rests at downward, or when a
valve is known to open; it ends when there has been no stroke for max(3 / rate, 5 s) and the
pressure is flat again. While it lasts, looks at it are handed out, so that a fault is told
during the draw and not after it. Rests are summed up now and then for the same reason.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from math import ceil

import numpy as np

from monitor.signals.buffer import Joiner, part
from monitor.signals.features import Look, measure
from monitor.signals.levels import Rest
from monitor.signals.scales import Scales
from monitor.signals.seconds import Seconds, seconds
from monitor.signals.types import Block, Episode, FloatArray
from monitor.units import PA_PER_PSI

STRETCH_S = 900
"""Rest is looked through in stretches: a long recording with many runs stays linear in time."""


@dataclass(frozen=True, slots=True)
class Cutting:
    """How runs are cut.

    drop_pa: a fall below the resting level that begins a run without a stroke: 4 psi, above the
    restart band of the class (0.5 to 5 psi, typically 0.8; computed).
    flat_pa: pressure is at rest when the means of three seconds stay within this: 1.5 psi.
    hold_s, hold_max_s, hold_strokes: quiet before a run has ended: max(5 s, 3 strokes' time), at
    most 15 s, which also holds before a second stroke, when the rate is not known yet (chosen:
    slower strokes than one in 15 s are single strokes, not a run).
    give_up_s: a run without strokes whose pressure never settles ends after this.
    before_s: trace kept ahead of a run for its features. longest_s: a longer run is reported in
    pieces of this length, so that memory is bounded. trace_s: most trace kept of one run.
    gap_s: a hole that ends a run.
    """

    drop_pa: float = 4.0 * PA_PER_PSI
    flat_pa: float = 1.5 * PA_PER_PSI
    hold_s: float = 5.0
    hold_max_s: float = 15.0
    hold_strokes: float = 3.0
    give_up_s: float = 60.0
    before_s: float = 5.0
    longest_s: float = 1800.0
    trace_s: float = 300.0
    gap_s: float = 10.0
    looks_s: tuple[int, ...] = (4, 7, 10, 15, 20, 30, 40, 50, 60)
    looks_every_s: int = 30
    lasting_s: int = 50
    urgent_s: int = 600
    urgent_every_s: int = 10
    _maybe: frozenset[int] = field(init=False, repr=False)

    def __post_init__(self) -> None:
        for name in ("drop_pa", "flat_pa", "hold_s", "hold_max_s", "give_up_s", "longest_s"):
            if not getattr(self, name) > 0:
                raise ValueError(f"cutting.{name} must be above 0")
        urgent = range(0, self.urgent_s + 1, self.urgent_every_s)
        due = filter(self.look_due, range(ceil(self.longest_s) + 1))
        object.__setattr__(self, "_maybe", frozenset((*urgent, *due)))  # frozen: set once

    def may_look(self, age_s: int) -> bool:
        """Is a look due at this age, if only because of what the run shows?"""
        return age_s in self._maybe

    def look_due(self, age_s: int) -> bool:
        """Is a look at the running episode due at this age (whole seconds)?"""
        if age_s <= self.looks_s[-1]:
            return age_s in self.looks_s
        return age_s % self.looks_every_s == 0


USUAL_CUTTING = Cutting()


@dataclass(slots=True)
class Run:
    """What is remembered of the run that is going on."""

    start_sec: int
    level_pa: float
    stroke_ts: list[FloatArray] = field(default_factory=list)
    strokes: int = 0
    last_active_sec: int = 0
    last_seen_sec: int = 0
    continued_s: float = 0.0
    means: list[float] = field(default_factory=list)

    def rate_hz(self) -> float:
        """Strokes per second over the last few strokes; 0 when fewer than two."""
        recent: list[float] = []
        for piece in reversed(self.stroke_ts):
            recent = piece[-5:].tolist() + recent
            if len(recent) >= 5:
                break
        recent = recent[-5:]
        if len(recent) < 2 or recent[-1] <= recent[0]:
            return 0.0
        return (len(recent) - 1) / (recent[-1] - recent[0])


class Segmenter:
    """Cuts one pump's blocks into episodes; feed in time order, any size, gaps allowed."""

    def __init__(self, pump: str, scales: Scales, cutting: Cutting | None = None) -> None:
        self.pump = pump
        self.scales = scales
        self.cutting = cutting or USUAL_CUTTING
        self.joiner = Joiner(self.cutting.gap_s)
        self.rest = Rest()
        self.run: Run | None = None
        self._raw: list[Block] = []

    @property
    def last_ts(self) -> float | None:
        """End of the newest sample taken."""
        return self.joiner.end_ts

    def push(self, block: Block) -> list[Episode]:
        """Episodes ended or looked at within this block, in time order."""
        out: list[Episode] = []
        for piece, hole in self.joiner.push(block):
            out.extend(self._take(piece, hole))
        return out

    def finish(self) -> list[Episode]:
        """The end of a recording: the last second and whatever is still open."""
        out: list[Episode] = []
        for piece, hole in self.joiner.flush():
            out.extend(self._take(piece, hole))
        out.extend(self._break())
        return out

    def _take(self, piece: Block, hole: float) -> Iterator[Episode]:
        if hole > self.cutting.gap_s:
            yield from self._break()
        self._raw.append(piece)
        bins = seconds(piece)
        i = 0
        while i < len(bins):
            if self.run is None:
                i, found = self._resting(bins, i)
            else:
                i, found = self._running(bins, i, piece)
            yield from found
        self._trim(piece.end_ts)

    def _break(self) -> Iterator[Episode]:
        """A hole or the end: close what is open; the resting level is kept as known."""
        if self.run is not None:
            yield self._look(self.run.last_seen_sec + 1, open_=False, cut=True)
            self._end(None)
        yield from self.rest.close(self.pump)
        self._raw.clear()

    # ------------------------------------------------------------------ at rest

    def _resting(self, bins: Seconds, i: int) -> tuple[int, list[Episode]]:
        """Eat resting seconds from i; give the index of the first second of a run."""
        end = min(len(bins), i + STRETCH_S)
        drop_pa = self.cutting.drop_pa
        if end == i + 1:
            stirred = bins.strokes.item(i) > 0
            stirred = stirred or (bins.demand is not None and bins.demand.item(i) > 0.0)
            ended, found = self.rest.eat_one(self.pump, bins, i, drop_pa, moved=stirred)
            stop = i if ended else end
        else:
            moved = bins.strokes[i:end] > 0
            if bins.demand is not None:
                moved = moved | (np.nan_to_num(bins.demand[i:end]) > 0.0)
            stop, ended, found = self.rest.eat(self.pump, bins, i, moved, drop_pa)
        if ended:
            found.extend(self.rest.close(self.pump))
            sec = int(bins.sec[stop])
            level = self.rest.level_pa
            self.run = Run(sec, level, last_active_sec=sec, last_seen_sec=sec)
        return stop, found

    # ------------------------------------------------------------------ running

    def _running(self, bins: Seconds, i: int, piece: Block) -> tuple[int, list[Episode]]:
        """Eat seconds of the run from i until it ends; give the next index."""
        c = self.cutting
        found: list[Episode] = []
        end = min(len(bins), i + STRETCH_S)
        sec, mean_pa = bins.sec[i:end], bins.mean_pa[i:end].tolist()
        strokes = bins.strokes[i:end].tolist()
        demand = None if bins.demand is None else bins.demand[i:end].tolist()
        s = piece.stroke_ts
        edges = np.searchsorted(s, (sec - 1e-4, sec + 1 - 1e-4)).T.tolist() if len(s) else ()
        for k, now in enumerate(sec.tolist()):
            run = self.run
            if run is None:
                return i + k, found
            run.last_seen_sec = now
            if strokes[k]:
                lo, hi = edges[k]
                run.stroke_ts.append(s[lo:hi])
                run.strokes += strokes[k]
                run.last_active_sec = now
            if demand is not None and demand[k] > 0:
                run.last_active_sec = now
            run.means.append(mean_pa[k])
            if len(run.means) > 3:
                del run.means[0]
            age = now + 1 - run.start_sec
            quiet = now - run.last_active_sec >= c.hold_s
            if quiet or age >= c.longest_s or c.may_look(age):
                found.extend(self._after_second(run, now))
        return end, found

    def _after_second(self, run: Run, sec: int) -> Iterator[Episode]:
        """End the run, cut it or look at it, as its age and quiet say."""
        age = sec + 1 - run.start_sec
        if self._ended(run, sec):
            yield self._look(sec + 1, open_=False)
            known = [x for x in run.means if x == x]
            if run.strokes == 0:
                self.rest.startled()
            self._end(sum(known) / len(known) if known else None)
        elif age >= self.cutting.longest_s:
            yield self._look(sec + 1, open_=False, cut=True)
            self.run = Run(
                sec + 1,
                run.level_pa,
                last_active_sec=sec,
                last_seen_sec=sec,
                continued_s=run.continued_s + age,
            )
        elif self._look_due(run, age):
            yield self._look(sec + 1, open_=True)

    def _look_due(self, run: Run, age: int) -> bool:
        """May a look at the open run say what its end will not say as well: does it race, has
        pressure fallen away, does it bounce, or does it last?"""
        c = self.cutting
        if not c.may_look(age):
            return False
        if age >= c.lasting_s and c.look_due(age):
            return True
        mean = run.means[-1]
        fallen = mean == mean and mean < 0.5 * self.scales.stall_pa
        fast = run.strokes >= 6 and run.rate_hz() > 0.25 * self.scales.dry_rate_hz
        return fallen or fast

    def _ended(self, run: Run, sec: int) -> bool:
        """No stroke for max(3 / rate, 5 s), no valve open, and the pressure flat."""
        c = self.cutting
        quiet_s = sec - run.last_active_sec
        if quiet_s < c.hold_s:
            return False
        if quiet_s < self._hold_s(run):
            return False
        known = [x for x in run.means if x == x]
        if not known:
            return quiet_s >= c.give_up_s
        return max(known) - min(known) <= c.flat_pa or quiet_s >= c.give_up_s

    def _hold_s(self, run: Run) -> float:
        """How long no stroke must come before the run has ended."""
        c = self.cutting
        rate = run.rate_hz()
        return min(max(c.hold_s, c.hold_strokes / rate), c.hold_max_s) if rate else c.hold_max_s

    def _end(self, level_pa: float | None) -> None:
        """Back to rest, at the level the run ended on."""
        self.run = None
        self.rest.begin(level_pa)

    def _look(self, now_sec: int, *, open_: bool, cut: bool = False) -> Episode:
        """Measure the run as it stands at now_sec."""
        run = self.run
        if run is None:  # pragma: no cover - callers hold a run
            raise AssertionError("no run to look at")
        span = (run.start_sec - self.cutting.before_s, float(now_sec))
        raw = [_within(b, *span) for b in self._raw if b.end_ts > span[0]]
        strokes = np.concatenate(run.stroke_ts) if run.stroke_ts else np.empty(0)
        return measure(
            Look(
                pump=self.pump,
                scales=self.scales,
                raw=tuple(raw),
                stroke_ts=strokes,
                start_sec=run.start_sec,
                now_sec=now_sec,
                level_pa=run.level_pa,
                before_s=self.cutting.before_s,
                open_=open_,
                cut=cut,
                continued_s=run.continued_s,
                rest_s=self.rest.last_rest_s,
            )
        )

    def _trim(self, end: float) -> None:
        """Forget trace that no later feature needs; copy, so that no long array stays pinned."""
        keep_ts = end - self.cutting.before_s - 1.0
        if self.run is not None:
            keep_ts = min(keep_ts, self.run.start_sec - self.cutting.before_s)
            keep_ts = max(keep_ts, end - self.cutting.trace_s)
        while self._raw and self._raw[0].end_ts <= keep_ts:
            del self._raw[0]
        if self._raw and self._raw[0].end_ts - self._raw[0].t0_ts > 2.0:
            self._raw[0] = _tail(self._raw[0], keep_ts)


def _within(block: Block, from_ts: float, to_ts: float) -> Block:
    """The part of a long block that a look needs, one sample more on either side."""
    first = max(0, int((from_ts - block.t0_ts) / block.dt_s) - 1)
    last = min(len(block.pressure_pa), int((to_ts - block.t0_ts) / block.dt_s) + 2)
    return part(block, first, max(first, last))


def _tail(block: Block, from_ts: float) -> Block:
    """A copy of the block's samples from from_ts on."""
    first = int(max(0.0, np.floor((from_ts - block.t0_ts) / block.dt_s)))
    if first == 0:
        return block
    cut = part(block, first, len(block.pressure_pa))
    return Block(
        cut.t0_ts,
        cut.dt_s,
        cut.pressure_pa.copy(),
        cut.stroke_ts.copy(),
        None if cut.demand is None else cut.demand.copy(),
        None if cut.air_pa is None else cut.air_pa.copy(),
        cut.counter_fitted,
    )
