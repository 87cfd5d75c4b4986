"""From samples to seconds, minutes and hours, and those as bytes.

A message belongs to the minute in which it begins, so a minute is a pure function of one chunk
(and of the counter just before it); seconds go by the time of each sample.
"""

import zlib
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.store import codec
from monitor.store.codec import Columns, Ints
from monitor.wire import NULL_COUNT

FloatArray = NDArray[np.float64]
Before = tuple[int, int]
"""(boot, counter) just before the first message."""

COUNTER_RANGE = 1 << 32
MAX_STEP = 100_000
"""Chosen: a wrapped 32-bit counter that jumps further than this is a restart, not strokes."""
QUANTUM_PA = 10.0
"""Chosen: a twentieth of the finest count in use (a 12-bit count of 10 bar is 244 Pa)."""
QUANTUM_S = 0.001


@dataclass(frozen=True, slots=True, eq=False)
class Flat:
    """Every sample of some messages in time order: t_us, dt_us, pa, demand, air (NaN = none)."""

    t_us: Ints
    dt_us: Ints
    pa: FloatArray
    demand: FloatArray
    air: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Summaries, one a step: index = Unix time // step; NaN = no value."""

    index: Ints
    count: Ints
    low: FloatArray
    mean: FloatArray
    high: FloatArray
    strokes: Ints
    demand_s: FloatArray
    air: FloatArray

    def __len__(self) -> int:
        return len(self.index)

    def between(self, first: int, end: int) -> "Rows":
        """The rows of first <= index < end."""
        a, b = np.searchsorted(self.index, (first, end))
        return _rows(column[a:b] for column in self.columns())

    def columns(self) -> tuple[NDArray[Any], ...]:
        """All columns in the order of the fields."""
        return (
            self.index,
            self.count,
            self.low,
            self.mean,
            self.high,
            self.strokes,
            self.demand_s,
            self.air,
        )


_TYPES = (np.int64, np.int64, np.float64, np.float64, np.float64, np.int64, np.float64, np.float64)


def _rows(columns: Iterable[NDArray[Any]]) -> Rows:
    return Rows(*columns)


def rows_from(records: list[tuple[float | None, ...]]) -> Rows:
    """Rows from table rows in the order of the fields; NULL becomes NaN."""
    if not records:
        return _rows(np.empty(0, t) for t in _TYPES)
    columns = zip(*records, strict=True)
    return _rows(np.array(c, np.float64).astype(t) for c, t in zip(columns, _TYPES, strict=True))


def join(parts: list[Rows]) -> Rows:
    """Rows one after the other, by index; a later part replaces an earlier one's step."""
    if not parts:
        return rows_from([])
    columns = [np.concatenate(c) for c in zip(*(p.columns() for p in parts), strict=True)]
    index = columns[0]
    if (index[1:] > index[:-1]).all():
        return _rows(columns)
    _, last = np.unique(index[::-1], return_index=True)
    keep = len(index) - 1 - last
    return _rows(c[keep] for c in columns)


def flat(columns: Columns) -> Flat:
    """Samples side by side; messages must be one pump's, ordered by time."""
    head = columns.head
    counts = (head["n16"] + head["n64"]).astype(np.int64)
    total = int(counts.sum())
    within = np.arange(total) - np.repeat(np.cumsum(counts) - counts, counts)
    dt_us = np.repeat(head["dt"], counts)
    t_us = np.repeat(head["t0"], counts) + within * dt_us
    return Flat(
        t_us,
        dt_us,
        _pressure(columns, counts),
        _demand(columns, t_us, counts),
        np.repeat(np.where(head["flags"] & codec.HAS_AIR != 0, head["air"], np.nan), counts),
    )


def _pressure(columns: Columns, counts: Ints) -> FloatArray:
    head = columns.head
    s16 = columns.pools["s16"]
    scaled = s16 * np.repeat(head["scale"], head["n16"]) + np.repeat(head["offset"], head["n16"])
    scaled[s16 == NULL_COUNT] = np.nan
    s64 = columns.pools["s64"]
    if len(s64) == 0:
        return np.asarray(scaled, np.float64)
    out = np.empty(len(scaled) + len(s64))
    is_float = np.repeat(head["flags"] & codec.IS_FLOAT != 0, counts)
    out[is_float] = s64
    out[~is_float] = scaled
    return out


def _demand(columns: Columns, t_us: Ints, counts: Ints) -> FloatArray:
    times = columns.pools["demand_t"]
    if len(times) == 0:
        return np.full(len(t_us), np.nan)
    on = columns.pools["demand_on"]
    order = np.argsort(times, kind="stable")
    at = np.searchsorted(times[order], t_us, "right") - 1
    state = np.where(at >= 0, on[order][np.maximum(at, 0)], np.nan).astype(np.float64)
    fitted = columns.head["flags"] & codec.HAS_DEMAND != 0
    state[~np.repeat(fitted, counts)] = np.nan
    return state


def strokes(columns: Columns, before: Before | None = None) -> tuple[Ints, Ints]:
    """(time in us, new strokes) at each counter record, in time order.

    Differences are taken inside one boot only, modulo 2^32; a counter that went backwards is a
    restart and adds nothing.
    """
    counts = columns.head["ns"]
    boot = np.repeat(columns.head["boot"].astype(np.int64), counts)
    t_us, total = columns.pools["stroke_t"], columns.pools["stroke_total"]
    if len(total) == 0:
        return np.empty(0, np.int64), np.empty(0, np.int64)
    seq = np.repeat(columns.head["seq"].astype(np.int64), counts)
    order = np.lexsort((seq, boot))
    boot, total, t_us = boot[order], total[order], t_us[order]
    step = np.zeros(len(total), np.int64)
    ahead = (total[1:] - total[:-1]) % COUNTER_RANGE
    step[1:] = np.where((boot[1:] == boot[:-1]) & (ahead <= MAX_STEP), ahead, 0)
    if before is not None:
        first = int(np.searchsorted(boot, before[0]))
        if first < len(boot) and boot[first] == before[0]:
            jump = (int(total[first]) - before[1]) % COUNTER_RANGE
            step[first] = jump if jump <= MAX_STEP else 0
    back = np.argsort(t_us, kind="stable")
    return t_us[back], step[back]


def last_counter(columns: Columns) -> Before | None:
    """(boot, counter) after the last message that carries a counter."""
    having = np.flatnonzero(columns.head["ns"])
    if len(having) == 0:
        return None
    newest = having[np.argmax(columns.head["t0"][having])]
    end = int(np.cumsum(columns.head["ns"])[newest])
    return int(columns.head["boot"][newest]), int(columns.pools["stroke_total"][end - 1])


def summarise(samples: Flat, events: tuple[Ints, Ints], step_us: int) -> Rows:
    """One row a step that has samples; strokes count in the step of the sample they follow."""
    index = samples.t_us // step_us
    if len(index) and not (index[1:] >= index[:-1]).all():
        order = np.argsort(samples.t_us, kind="stable")
        samples = Flat(
            samples.t_us[order],
            samples.dt_us[order],
            samples.pa[order],
            samples.demand[order],
            samples.air[order],
        )
        index = index[order]
    return _grouped(index, samples, events)


def minute_row(columns: Columns, minute: int, before: Before | None) -> Rows:
    """The one row of a chunk, whatever sample of it reaches over the border."""
    samples = flat(columns)
    t_us, step = strokes(columns, before)
    rows = _grouped(np.full(len(samples.t_us), minute, np.int64), samples, (t_us, step))
    return rows


def _grouped(index: Ints, samples: Flat, events: tuple[Ints, Ints]) -> Rows:
    if len(index) == 0:
        return rows_from([])
    starts = np.concatenate([[0], np.flatnonzero(np.diff(index)) + 1])
    good = np.isfinite(samples.pa)
    count = np.add.reduceat(good.astype(np.int64), starts)
    none = count == 0
    low = np.minimum.reduceat(np.where(good, samples.pa, np.inf), starts)
    high = np.maximum.reduceat(np.where(good, samples.pa, -np.inf), starts)
    mean = np.add.reduceat(np.where(good, samples.pa, 0.0), starts) / np.maximum(count, 1)
    for column in (low, mean, high):
        column[none] = np.nan
    at = np.searchsorted(samples.t_us, events[0], "right") - 1
    group = np.searchsorted(starts, np.clip(at, 0, None), "right") - 1
    new = np.bincount(group, events[1], len(starts)).astype(np.int64)
    seconds = samples.dt_us * 1e-6
    return Rows(
        index[starts],
        count,
        low,
        mean,
        high,
        new,
        _sum_where(samples.demand * seconds, starts),
        _mean_where(samples.air, starts),
    )


def _sum_where(values: FloatArray, starts: NDArray[np.intp]) -> FloatArray:
    good = np.isfinite(values)
    if not good.any():
        return np.full(len(starts), np.nan)
    total = np.add.reduceat(np.where(good, values, 0.0), starts)
    total[np.add.reduceat(good.astype(np.int64), starts) == 0] = np.nan
    return np.asarray(total, np.float64)


def _mean_where(values: FloatArray, starts: NDArray[np.intp]) -> FloatArray:
    good = np.isfinite(values)
    if not good.any():
        return np.full(len(starts), np.nan)
    count = np.add.reduceat(good.astype(np.int64), starts)
    total = np.add.reduceat(np.where(good, values, 0.0), starts)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def coarser(rows: Rows, factor: int) -> Rows:
    """Rows of steps factor times as long (minutes to hours)."""
    if len(rows) == 0:
        return rows
    index = rows.index // factor
    starts = np.concatenate([[0], np.flatnonzero(np.diff(index)) + 1])
    count = np.add.reduceat(rows.count, starts)
    weighted = np.add.reduceat(np.where(rows.count > 0, rows.mean * rows.count, 0.0), starts)
    return Rows(
        index[starts],
        count,
        np.fmin.reduceat(rows.low, starts),
        np.where(count > 0, weighted / np.maximum(count, 1), np.nan),
        np.fmax.reduceat(rows.high, starts),
        np.add.reduceat(rows.strokes, starts),
        _sum_where(rows.demand_s, starts),
        _mean_where(rows.air, starts),
    )


_STEPS = (0, 0, QUANTUM_PA, QUANTUM_PA, QUANTUM_PA, 0, QUANTUM_S, QUANTUM_PA)


def pack(rows: Rows) -> bytes:
    """Rows as bytes: pressures to 10 Pa, seconds to 1 ms, everything else exact."""
    out = [len(rows).to_bytes(4, "little")]
    for number, (column, quantum) in enumerate(zip(rows.columns(), _STEPS, strict=True)):
        if quantum == 0:
            out.append(codec.put_column(column.astype(np.int64), delta=number == 0))
            continue
        absent = np.isnan(column.astype(np.float64))
        steps = np.rint(np.where(absent, 0.0, column) / quantum).astype(np.int64)
        out.append(codec.put_column(absent.astype(np.int64)))
        out.append(codec.put_column(steps))
    body = zlib.compress(b"".join(out), 6)
    return zlib.crc32(body).to_bytes(4, "little") + body


def unpack(blob: bytes) -> Rows:
    """The rows again. Raises codec.DamagedChunk."""
    if len(blob) < 8 or zlib.crc32(memoryview(blob)[4:]) != int.from_bytes(blob[:4], "little"):
        raise codec.DamagedChunk
    body = zlib.decompress(memoryview(blob)[4:])
    n, at = int.from_bytes(body[:4], "little"), 4
    columns = []
    for quantum, kind in zip(_STEPS, _TYPES, strict=True):
        values, at = codec.get_column(body, at, n, "<i8")
        if quantum:
            absent = values
            values, at = codec.get_column(body, at, n, "<i8")
            values = np.where(absent != 0, np.nan, values * quantum)
        columns.append(values.astype(kind))
    return _rows(columns)
