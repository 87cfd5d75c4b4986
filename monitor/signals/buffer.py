"""Joins one pump's blocks: drops what was seen, notices gaps, hands on whole seconds only."""

from dataclasses import dataclass, field
from math import ceil, floor

import numpy as np

from monitor.signals.seconds import GRID_SLACK_S
from monitor.signals.types import Block, FloatArray

CLOCK_RESET_S = 60.0
"""This many seconds of nothing but old samples mean the sender's clock was set back (chosen: an
out-of-order message is seconds late, a wrong clock stays wrong)."""


def part(block: Block, first: int, last: int) -> Block:
    """Samples [first, last) of a block, with the strokes that belong to them."""
    start = block.t0_ts + first * block.dt_s
    end = block.t0_ts + last * block.dt_s
    s = block.stroke_ts
    lo = np.searchsorted(s, start - GRID_SLACK_S) if first else 0
    hi = np.searchsorted(s, end - GRID_SLACK_S) if last < len(block.pressure_pa) else len(s)
    return Block(
        start,
        block.dt_s,
        block.pressure_pa[first:last],
        s[lo:hi],
        None if block.demand is None else block.demand[first:last],
        None if block.air_pa is None else block.air_pa[first:last],
        block.counter_fitted,
    )


def _join(a: Block, b: Block) -> Block:
    """Two touching blocks of one step as one."""
    return Block(
        a.t0_ts,
        a.dt_s,
        np.concatenate((a.pressure_pa, b.pressure_pa)),
        np.concatenate((a.stroke_ts, b.stroke_ts)),
        _both(a.demand, b.demand, len(a.pressure_pa), len(b.pressure_pa)),
        _both(a.air_pa, b.air_pa, len(a.pressure_pa), len(b.pressure_pa)),
        b.counter_fitted,
    )


def _with_strokes(block: Block, strokes: FloatArray) -> Block:
    """The same samples with these strokes."""
    return Block(
        block.t0_ts,
        block.dt_s,
        block.pressure_pa,
        strokes,
        block.demand,
        block.air_pa,
        block.counter_fitted,
    )


def _both(a: FloatArray | None, b: FloatArray | None, na: int, nb: int) -> FloatArray | None:
    """Two optional columns joined; a missing half becomes NaN."""
    if a is None and b is None:
        return None
    left = np.full(na, np.nan) if a is None else a
    right = np.full(nb, np.nan) if b is None else b
    return np.concatenate((left, right))


@dataclass(slots=True)
class Joiner:
    """Turns blocks of any cut into touching blocks that end on whole seconds.

    gap_s: a hole longer than this ends whatever was going on. dropped: samples thrown away
    because they were older than what was already taken.
    """

    gap_s: float = 10.0
    dropped: int = 0
    gaps: int = 0
    end_ts: float | None = None
    _rest: Block | None = None
    _late: FloatArray = field(default_factory=lambda: np.empty(0))
    _stale_s: float = 0.0
    _hole: float = 0.0

    def push(self, block: Block) -> list[tuple[Block, float]]:
        """Blocks ready to use, each with the hole in seconds before it (0 = touching)."""
        fresh = self._fresh(block)
        if fresh is None:
            return []
        hole = 0.0 if self.end_ts is None else fresh.t0_ts - self.end_ts
        self.end_ts = fresh.end_ts
        touching = abs(hole) <= 0.51 * fresh.dt_s
        hole = 0.0 if touching else max(hole, 0.0)
        self.gaps += hole > 0.0
        out: list[tuple[Block, float]] = []
        rest = self._rest
        if rest is not None:
            if touching and abs(rest.dt_s - fresh.dt_s) < 1e-9:
                fresh = _join(rest, fresh)
            else:
                out.extend(self.flush())
        self._rest = None
        ready = self._whole(fresh)
        if ready is not None:
            out.append((ready, hole))
        elif hole > 0.0:
            self._hole = hole
        if ready is not None and self._hole:
            out[-1] = (ready, max(hole, self._hole))
            self._hole = 0.0
        return out

    def flush(self) -> list[tuple[Block, float]]:
        """The samples of a last, unfinished second (end of a recording, or a hole after it)."""
        rest, self._rest = self._rest, None
        if rest is None:
            self._late = np.empty(0)
            return []
        strokes, self._late = self._late, np.empty(0)
        hole, self._hole = self._hole, 0.0
        return [(_with_strokes(rest, strokes), hole)]

    def _fresh(self, block: Block) -> Block | None:
        """The part of a block not seen before, or None."""
        n = len(block.pressure_pa)
        if n == 0:
            return None
        if self.end_ts is None or block.t0_ts >= self.end_ts - 0.51 * block.dt_s:
            self._stale_s = 0.0
            return block
        seen = int(np.ceil((self.end_ts - block.t0_ts) / block.dt_s - 0.51))
        if seen < n:
            self.dropped += seen
            self._stale_s = 0.0
            return part(block, seen, n)
        self.dropped += n
        self._stale_s += n * block.dt_s
        if self._stale_s < CLOCK_RESET_S:
            return None
        self._stale_s = 0.0
        self._rest = None
        self._late = np.empty(0)
        self.end_ts = None
        return block

    def _whole(self, block: Block) -> Block | None:
        """All of the block that ends on a whole second; the tail waits for its second.

        Strokes go by their own time: one after the cut waits, though its sample came before it.
        """
        cut_ts = float(floor(block.end_ts + GRID_SLACK_S))
        n = len(block.pressure_pa)
        keep = min(n, ceil((cut_ts - block.t0_ts - GRID_SLACK_S) / block.dt_s))
        strokes = block.stroke_ts
        if len(self._late):
            strokes = np.concatenate((self._late, strokes))
        elif keep == n and not len(strokes):
            return block  # most messages: whole seconds without a stroke
        if keep <= 0:
            self._late = strokes
            self._rest = _with_strokes(block, np.empty(0))
            return None
        k = int(np.searchsorted(strokes, cut_ts - GRID_SLACK_S))
        self._late = strokes[k:]
        if keep < n:
            self._rest = _with_strokes(part(block, keep, n), np.empty(0))
            block = part(block, 0, keep)
        return _with_strokes(block, strokes[:k])
