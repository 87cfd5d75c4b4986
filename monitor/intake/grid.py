"""Recorded rows of one pump as even, unbroken blocks.

Rows that go back in time are dropped and counted; single missing samples become NaN; a longer
hole ends the block. Jitter is kept out by counting steps, not by rounding times, so a slightly
wrong sample rate does not open holes.
"""

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from monitor.intake.counter import increments, stroke_times
from monitor.signals.types import Block, FloatArray

GAP_STEPS = 3.0
GAP_S = 1.0
"""A hole longer than both 3 steps and 1 s ends a block. Chosen: no stroke lasts a second at a
pressure worth looking at, and one lost message of the live path is a second."""
JITTER_SHARE = 0.35
UNEVEN_SHARE = 0.05
"""When more than 5 % of the steps are off by over 0.35 of a step, the times are no jittered grid
and pressures are interpolated on an even one (chosen)."""
FIRST_LOOK = 10_000
MAX_STEP_S = 60.0
"""The longest step a message may have too; rows further apart each stand alone."""


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Columns of one pump in file order; absent channels are None, missing values NaN."""

    ts: FloatArray
    pressure_pa: FloatArray
    strokes: FloatArray | None
    demand: FloatArray | None
    air_pa: FloatArray | None

    def __len__(self) -> int:
        return len(self.ts)

    def take(self, which: NDArray[np.bool_] | slice) -> "Rows":
        """Some of the rows."""
        return Rows(
            self.ts[which],
            self.pressure_pa[which],
            None if self.strokes is None else self.strokes[which],
            None if self.demand is None else self.demand[which],
            None if self.air_pa is None else self.air_pa[which],
        )


def join(parts: list[Rows]) -> Rows:
    """Rows one after the other."""
    if len(parts) == 1:
        return parts[0]

    def column(name: str) -> FloatArray | None:
        values = [getattr(p, name) for p in parts]
        return None if values[0] is None else np.concatenate(values)

    return Rows(
        np.concatenate([p.ts for p in parts]),
        np.concatenate([p.pressure_pa for p in parts]),
        column("strokes"),
        column("demand"),
        column("air_pa"),
    )


@dataclass(slots=True)
class Tally:
    """What was dropped or corrected, in rows."""

    rows: int = 0
    duplicates: int = 0
    backward: int = 0
    restarts: int = 0
    unseen_strokes: int = 0
    filled: int = 0
    resampled: int = 0


@dataclass(frozen=True, slots=True, eq=False)
class Counted:
    """Strokes that were counted: at which rows (rising), when, since when, and how many."""

    rows: NDArray[np.intp]
    ts: FloatArray
    before_ts: FloatArray
    new: NDArray[np.int64]

    def times(self, first: int, end: int) -> FloatArray:
        """One time a stroke, of the rows [first, end)."""
        i, j = np.searchsorted(self.rows, (first, end))
        return stroke_times(self.ts[i:j], self.before_ts[i:j], self.new[i:j])


@dataclass(slots=True)
class Gridder:
    """One pump's rows in, blocks out; remembers time and counter from call to call."""

    per_pulse: int = 1
    counter_fitted: bool = True
    tally: Tally = field(default_factory=Tally)
    _last_ts: float = -np.inf
    _total: float = np.nan
    _total_ts: float = -np.inf
    _step_s: float = 0.0
    _row_ts: float = -np.inf
    _holes: int = 0

    def forward(self, rows: Rows) -> Rows:
        """Only the rows later than everything before them."""
        self.tally.rows += len(rows)
        if len(rows) == 0:
            return rows
        ts = rows.ts
        if ts[0] > self._last_ts and (ts[1:] > ts[:-1]).all():
            self._last_ts = float(ts[-1])
            return rows
        before = np.maximum.accumulate(np.concatenate([[self._last_ts], ts[:-1]]))
        keep = ts > before
        same = ts == before
        self.tally.duplicates += int(same.sum())
        self.tally.backward += int((~keep & ~same).sum())
        self._last_ts = max(self._last_ts, float(ts.max()))
        return rows.take(keep)

    def blocks(self, rows: Rows) -> Iterator[Block]:
        """Blocks of rows that went through forward()."""
        if len(rows) == 0:
            return
        steps = rows.ts[1:] - rows.ts[:-1]
        if len(steps):
            self._step_s = min(float(np.median(steps[:FIRST_LOOK])), MAX_STEP_S)
        step_s = self._step_s or 1.0
        longest_s = max(GAP_STEPS * step_s, GAP_S)
        holes = np.flatnonzero(steps > longest_s) + 1
        counted = self._counted(rows, holes, longest_s)
        edges = [0, *holes.tolist(), len(rows)]
        for a, b in itertools.pairwise(edges):
            times = np.empty(0) if counted is None else counted.times(a, b)
            yield self._even(rows.take(slice(a, b)), times, step_s)

    def _counted(self, rows: Rows, holes: NDArray[np.intp], longest_s: float) -> "Counted | None":
        """The strokes of these rows; holes: the rows that follow one."""
        if rows.strokes is None or not self.counter_fitted:
            return None
        if rows.ts[0] - self._row_ts > longest_s:
            holes = np.concatenate([[0], holes])
        self._row_ts = float(rows.ts[-1])
        if not self._holes and not len(holes) and np.isfinite(rows.strokes).all():
            return self._unbroken(rows.ts, rows.strokes)
        good = np.flatnonzero(np.isfinite(rows.strokes))
        before = self._holes + np.searchsorted(holes, good, "right")
        all_holes = self._holes + len(holes)
        if len(good) == 0:
            self._holes = all_holes
            return Counted(good, rows.ts[good], rows.ts[good], good)
        total = np.concatenate([[self._total], rows.strokes[good]])
        at_ts = np.concatenate([[self._total_ts], rows.ts[good]])
        first = 1 if np.isnan(self._total) else 0
        counts = total[first:].astype(np.int64)
        step, restarted = increments(counts, np.diff(at_ts[first:]), self.per_pulse)
        self.tally.restarts += int(restarted.sum())
        # Readings may be blank for a while; only missing rows make strokes' times unknown.
        across = np.diff(np.concatenate([[0], before])[first:]) > 0
        self.tally.unseen_strokes += int(step[across].sum())
        step[across] = 0
        self._total, self._total_ts = float(total[-1]), float(at_ts[-1])
        self._holes = int(all_holes - before[-1])
        return Counted(good[first:], at_ts[first + 1 :], at_ts[first:-1], step)

    def _unbroken(self, ts: FloatArray, strokes: FloatArray) -> "Counted":
        """The same where no row and no reading is missing: only changes are looked at."""
        total = strokes[0] if np.isnan(self._total) else self._total
        changed = np.flatnonzero(strokes[1:] != strokes[:-1]) + 1
        before_ts = ts[changed - 1]
        if strokes[0] != total:
            changed = np.concatenate([[0], changed])
            before_ts = np.concatenate([[self._total_ts], before_ts])
        step = np.empty(0, np.int64)
        if len(changed):
            counts = np.concatenate([[total], strokes[changed]]).astype(np.int64)
            step, restarted = increments(counts, ts[changed] - before_ts, self.per_pulse)
            self.tally.restarts += int(restarted.sum())
        self._total, self._total_ts = float(strokes[-1]), float(ts[-1])
        return Counted(changed, ts[changed], before_ts, step)

    def _even(self, rows: Rows, stroke_ts: FloatArray, step_s: float) -> Block:
        n = len(rows)
        ts = rows.ts
        if n == 1:
            return self._block(rows, stroke_ts, step_s)
        steps = np.diff(ts) / step_s
        if steps.min() > 1.0 - JITTER_SHARE and steps.max() < 1.0 + JITTER_SHARE:
            return self._block(rows, stroke_ts, float(ts[-1] - ts[0]) / (n - 1))
        whole = np.maximum(np.rint(steps), 1.0)
        off = np.abs(steps - whole) > JITTER_SHARE
        if np.count_nonzero(off) > UNEVEN_SHARE * len(steps):
            return self._resampled(rows, stroke_ts, step_s)
        length = int(whole.sum()) + 1
        even_s = float(ts[-1] - ts[0]) / (length - 1)
        if length == n:
            return self._block(rows, stroke_ts, even_s)
        self.tally.filled += length - n
        index = np.concatenate([[0], np.cumsum(whole)]).astype(np.int64)
        return self._block(_spread(rows, index, length), stroke_ts, even_s)

    def _resampled(self, rows: Rows, stroke_ts: FloatArray, step_s: float) -> Block:
        ts = rows.ts
        grid = np.arange(ts[0], ts[-1] + step_s / 2, step_s)
        self.tally.resampled += len(rows)
        at = np.clip(np.searchsorted(ts, grid, "right") - 1, 0, len(ts) - 1)
        even = Rows(
            grid,
            np.interp(grid, ts, rows.pressure_pa),
            None,
            None if rows.demand is None else rows.demand[at],
            None if rows.air_pa is None else np.interp(grid, ts, rows.air_pa),
        )
        return self._block(even, stroke_ts, step_s)

    def _block(self, rows: Rows, stroke_ts: FloatArray, step_s: float) -> Block:
        t0_ts = float(rows.ts[0])
        end_ts = t0_ts + len(rows.pressure_pa) * step_s
        return Block(
            t0_ts,
            step_s,
            rows.pressure_pa,
            np.clip(stroke_ts, t0_ts, np.nextafter(end_ts, 0.0)),
            rows.demand,
            rows.air_pa,
            counter_fitted=self.counter_fitted and (rows.strokes is not None or self._counts()),
        )

    def _counts(self) -> bool:
        return not np.isnan(self._total)


def _spread(rows: Rows, index: NDArray[np.int64], length: int) -> Rows:
    """Rows on their places, NaN between them."""

    def column(values: FloatArray | None) -> FloatArray | None:
        if values is None:
            return None
        out = np.full(length, np.nan)
        out[index] = values
        return out

    pressure = column(rows.pressure_pa)
    assert pressure is not None  # noqa: S101 - for the type checker: pressure is never absent
    return Rows(rows.ts, pressure, rows.strokes, column(rows.demand), column(rows.air_pa))


def cut(block: Block, length_s: float) -> Iterator[Block]:
    """The block in parts that end at whole multiples of length_s."""
    t0, n, dt = block.t0_ts, len(block.pressure_pa), block.dt_s
    first = np.floor(t0 / length_s) + 1
    marks = np.arange(first, np.ceil(block.end_ts / length_s)) * length_s
    edges = np.unique(np.clip(np.ceil((marks - t0) / dt - 1e-6), 0, n).astype(np.int64))
    bounds = [0, *[e for e in edges.tolist() if 0 < e < n], n]
    if len(bounds) == 2:
        yield block
        return
    for a, b in itertools.pairwise(bounds):
        begin, end = t0 + a * dt, t0 + b * dt
        i, j = np.searchsorted(block.stroke_ts, (begin if a else -np.inf, end if b < n else np.inf))
        yield Block(
            begin,
            dt,
            block.pressure_pa[a:b],
            block.stroke_ts[i:j],
            None if block.demand is None else block.demand[a:b],
            None if block.air_pa is None else block.air_pa[a:b],
            block.counter_fitted,
        )
