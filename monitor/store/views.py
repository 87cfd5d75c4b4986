"""Reading: one pump's messages, samples or summaries, whichever place they are in."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from monitor.store import codec, levels
from monitor.store.codec import Columns
from monitor.store.days import Chunk
from monitor.store.interface import Level, Series
from monitor.store.levels import Rows
from monitor.store.refusal import MAX_SPAN_US
from monitor.wire import Message

STEP_S = {Level.SECOND: 1, Level.MINUTE: 60, Level.HOUR: 3600}
MINUTE_US = 60_000_000
FOREVER_TS = 4_102_444_800.0


class Book(Protocol):
    """Numbers and names of series, and the sample step last seen."""

    dt_us: dict[int, int]

    def find(self, site: str, pump: str) -> int | None:
        """The number, or None."""
        ...

    def name(self, sid: int) -> tuple[str, str]:
        """(site, pump)."""
        ...


class Raw(Protocol):
    """Folded chunks."""

    def days(self) -> list[int]:
        """The days that have any."""
        ...

    def get(self, sid: int, first: int, last: int) -> list[Chunk]:
        """The chunks of minutes first..last."""
        ...


class Summaries(Protocol):
    """Folded summaries of [first, end)."""

    def seconds(self, sid: int, first: int, end: int) -> Rows:
        """Kept seconds."""
        ...

    def minutes(self, sid: int, first: int, end: int) -> Rows:
        """Minutes."""
        ...

    def hours(self, sid: int, first: int, end: int) -> Rows:
        """Hours."""
        ...


@dataclass(frozen=True, slots=True, eq=False)
class Source:
    """Where things are: the journal's waiting messages, day files, pinned chunks, summaries."""

    book: Book
    waiting: Callable[[int, int, int], Columns]
    days: Raw
    pinned: Callable[[int, int, int], list[Chunk]]
    rollups: Summaries


class View:
    """All reads of a store."""

    def __init__(self, source: Source) -> None:
        self._in = source

    def messages(self, site: str, pump: str, from_ts: float, to_ts: float) -> list[Message]:
        """See interface.Store.messages."""
        sid = self._in.book.find(site, pump)
        from_us, to_us = _us(from_ts), _us(to_ts)
        if sid is None or from_us >= to_us:
            return []
        found = self._columns(sid, from_us, to_us)
        t0 = found.head["t0"]
        inside = found.take(np.flatnonzero((t0 >= from_us) & (t0 < to_us)))
        return list(codec.to_messages(inside, self._in.book.name))

    def _columns(self, sid: int, from_us: int, to_us: int) -> Columns:
        """Each message of the minutes that touch the span once, by time.

        The journal is asked first: what is folded in between is then seen twice, never missed.
        """
        first, last = from_us // MINUTE_US, (to_us - 1) // MINUTE_US
        parts = [self._in.waiting(sid, first * MINUTE_US, (last + 1) * MINUTE_US)]
        for chunks in (self._in.days.get(sid, first, last), self._in.pinned(sid, first, last)):
            parts += [chunk.columns for chunk in chunks]
        return codec.join([p for p in parts if len(p)]).union()

    def read(
        self,
        site: str,
        pump: str,
        span: tuple[float, float],
        *,
        level: Level | None,
        max_points: int,
    ) -> Series:
        """See interface.Store.read."""
        sid = self._in.book.find(site, pump)
        span = (max(span[0], 0.0), min(max(span[1], span[0], 0.0), FOREVER_TS))
        if sid is None:
            nothing = levels.rows_from([])
            return _series(pump, level or Level.HOUR, nothing, span)
        level = level or self._finest(sid, span, max_points)
        if level is Level.RAW:
            return self._raw(sid, pump, span)
        step = STEP_S[level]
        first, end = -int(-span[0] // step), -int(-span[1] // step)
        ask = {
            Level.SECOND: self.seconds,
            Level.MINUTE: self._minutes,
            Level.HOUR: self._hours,
        }[level]
        return _series(pump, level, ask(sid, first, end), span)

    def _finest(self, sid: int, span: tuple[float, float], max_points: int) -> Level:
        length_s = span[1] - span[0]
        days = self._in.days.days()
        has_raw = bool(days) and span[0] >= days[0] * 86_400 - 86_400
        if has_raw and length_s * 1e6 / self._in.book.dt_us.get(sid, 50_000) <= max_points:
            return Level.RAW
        if length_s <= max_points:
            return Level.SECOND
        return Level.MINUTE if length_s <= max_points * 60 else Level.HOUR

    def _raw(self, sid: int, pump: str, span: tuple[float, float]) -> Series:
        from_us, to_us = _us(span[0]), _us(span[1])
        columns = self._columns(sid, max(from_us - MAX_SPAN_US, 0), to_us)
        samples = levels.flat(columns)
        t_us, step = levels.strokes(columns)
        order = np.argsort(samples.t_us, kind="stable")
        times = samples.t_us[order]
        new: NDArray[np.float64] = np.zeros(len(times))
        if len(times):
            at = np.clip(np.searchsorted(times, t_us, "left"), 0, len(times) - 1)
            new = np.bincount(at, step, len(times)).astype(np.float64)
        inside = (times >= from_us) & (times < to_us)
        ts, pa = _seconds_of(times[inside]), samples.pa[order][inside]
        return Series(
            pump,
            Level.RAW,
            ts,
            pa,
            pa,
            pa,
            new[inside].astype(np.float64),
            _or_none(samples.demand[order][inside]),
            _or_none(samples.air[order][inside]),
            _sample_gaps(ts, _seconds_of(samples.dt_us[order][inside]), span),
        )

    def seconds(self, sid: int, first: int, end: int) -> Rows:
        """The 1 s rows of [first, end): kept ones, and the rest from raw."""
        kept = self._in.rollups.seconds(sid, first, end)
        parts = [kept]
        for a, b in _uncovered(kept.index // 3600, first, end):
            columns = self._columns(sid, a * 1_000_000 - MAX_SPAN_US, b * 1_000_000)
            rows = levels.summarise(levels.flat(columns), levels.strokes(columns), 1_000_000)
            parts.append(rows.between(a, b))
        return levels.join(parts)

    def _minutes(self, sid: int, first: int, end: int) -> Rows:
        return levels.join(
            [self._in.rollups.minutes(sid, first, end), *self._open(sid, first, end)]
        )

    def _open(self, sid: int, first: int, end: int) -> Iterable[Rows]:
        """Minutes that still have messages in the journal, computed as the fold will."""
        for minute in self._stale(sid, first, end):
            around = self._columns(sid, (minute - 1) * MINUTE_US, (minute + 1) * MINUTE_US)
            own = around.minutes() == minute
            earlier = around.take(np.flatnonzero(~own))
            before = levels.last_counter(earlier) if len(earlier) else None
            yield levels.minute_row(around.take(np.flatnonzero(own)), minute, before)

    def _stale(self, sid: int, first: int, end: int) -> list[int]:
        """The minutes of [first, end) that waiting messages change.

        A late minute changes the one after it, too: its first counter now has one before it.
        """
        waiting = self._in.waiting(sid, (first - 1) * MINUTE_US, end * MINUTE_US)
        own = np.unique(waiting.minutes())
        both = np.union1d(own, own + 1)
        return [int(minute) for minute in both if first <= minute < end]

    def _hours(self, sid: int, first: int, end: int) -> Rows:
        parts = [self._in.rollups.hours(sid, first, end)]
        for hour in sorted({m // 60 for m in self._stale(sid, first * 60, end * 60)}):
            parts.append(levels.coarser(self._minutes(sid, hour * 60, hour * 60 + 60), 60))
        return levels.join(parts)


def _uncovered(hours: NDArray[np.int64], first: int, end: int) -> list[tuple[int, int]]:
    """The parts of [first, end), at most an hour each to save memory, that no hour covers."""
    have = set(np.unique(hours).tolist())
    return [
        (max(first, hour * 3600), min(end, hour * 3600 + 3600))
        for hour in range(first // 3600, -(-end // 3600))
        if hour not in have
    ]


def _us(ts: float) -> int:
    return round(ts * 1_000_000)


def _seconds_of(t_us: NDArray[np.int64]) -> NDArray[np.float64]:
    return np.asarray(t_us / 1e6, np.float64)


def _or_none(values: NDArray[np.float64]) -> NDArray[np.float64] | None:
    return values if np.isfinite(values).any() else None


def _series(pump: str, level: Level, rows: Rows, span: tuple[float, float]) -> Series:
    step = STEP_S.get(level, 1)
    ts = np.asarray(rows.index * float(step), np.float64)
    return Series(
        pump,
        level,
        ts,
        rows.low,
        rows.mean,
        rows.high,
        rows.strokes.astype(np.float64),
        _or_none(rows.demand_s),
        _or_none(rows.air),
        _sample_gaps(ts, np.full(len(ts), float(step)), span),
    )


def _sample_gaps(
    ts: NDArray[np.float64], length_s: NDArray[np.float64], span: tuple[float, float]
) -> tuple[tuple[float, float], ...]:
    """Where the next step begins more than half a step late."""
    if span[1] <= span[0]:
        return ()
    if len(ts) == 0:
        return (span,)
    starts = np.concatenate([[span[0]], ts + length_s])
    ends = np.concatenate([ts, [span[1]]])
    slack = np.concatenate([[length_s[0]], length_s / 2])
    late = ends - starts > slack
    return tuple(zip(starts[late].tolist(), ends[late].tolist(), strict=True))
