"""Samples into whole seconds: the grid on which pages draw and episodes are cut.

A second starts at a whole Unix second. Reducing on absolute seconds, not on block edges, is what
makes every later result independent of how the samples were cut into messages.
"""

from dataclasses import dataclass
from math import floor

import numpy as np
from numpy.typing import NDArray

from monitor.signals.types import Block, FloatArray

GRID_SLACK_S = 1e-4
"""Float noise of a Unix time (2.4e-7 s) and of a microsecond wire stay well under it."""


@dataclass(frozen=True, slots=True, eq=False)
class Seconds:
    """One pump's whole seconds; arrays of equal length, NaN where nothing was read.

    sec: start of the second (Unix). low/mean/high_pa over the good samples, n how many there
    were, strokes how many ended in it, demand the share of the second with a valve open, air_pa
    the mean supply pressure (None where not fitted).
    """

    sec: NDArray[np.int64]
    low_pa: FloatArray
    mean_pa: FloatArray
    high_pa: FloatArray
    n: NDArray[np.int64]
    strokes: NDArray[np.int64]
    demand: FloatArray | None = None
    air_pa: FloatArray | None = None

    def __len__(self) -> int:
        return len(self.sec)


def _cuts(t0_ts: float, dt_s: float, n: int) -> tuple[NDArray[np.int64], NDArray[np.intp]]:
    """The seconds touched by n samples and the index of the first sample of each."""
    first = floor(t0_ts + GRID_SLACK_S)
    last = floor(t0_ts + (n - 1) * dt_s + GRID_SLACK_S)
    if first == last:
        return np.array([first], np.int64), _ONE
    sec = np.arange(first, last + 1, dtype=np.int64)
    # the first sample at or after each second's start
    at = np.ceil((sec - t0_ts - GRID_SLACK_S) / dt_s).astype(np.intp)
    at[0] = 0
    if dt_s > 1.0:  # a slow logger leaves seconds without any sample: drop those
        keep = np.diff(np.append(at, n)) > 0
        return sec[keep], at[keep]
    return sec, at


_ONE = np.zeros(1, np.intp)
"""Where the only second of a message begins."""


def _mean(values: FloatArray, at: NDArray[np.intp]) -> FloatArray:
    """Mean of the good values of each piece; NaN where there is none."""
    good = ~np.isnan(values)
    count = np.add.reduceat(good.astype(np.float64), at)
    total = np.add.reduceat(np.where(good, values, 0.0), at)
    return np.asarray(
        np.divide(total, count, out=np.full(len(at), np.nan), where=count > 0), np.float64
    )


def _low_mean_high(
    p: FloatArray, at: NDArray[np.intp]
) -> tuple[FloatArray, FloatArray, FloatArray, NDArray[np.int64]]:
    """Extremes, mean and count of the good samples of each piece."""
    size = np.empty(len(at), np.int64)
    np.subtract(at[1:], at[:-1], out=size[:-1])
    size[-1] = len(p) - at[-1]
    total = np.add.reduceat(p, at)
    if total[0] == total[0] and (len(at) == 1 or not np.isnan(total).any()):
        return np.minimum.reduceat(p, at), total / size, np.maximum.reduceat(p, at), size
    good = ~np.isnan(p)
    n = np.add.reduceat(good.astype(np.int64), at)
    none = n == 0
    low = np.minimum.reduceat(np.where(good, p, np.inf), at)
    high = np.maximum.reduceat(np.where(good, p, -np.inf), at)
    low[none] = np.nan
    high[none] = np.nan
    return low, _mean(p, at), high, n


def seconds(block: Block) -> Seconds:
    """The whole and partial seconds of one block, in time order; an empty block gives none."""
    p = block.pressure_pa
    if len(p) == 0:
        nothing = np.empty(0)
        none = np.empty(0, np.int64)
        return Seconds(none, nothing, nothing, nothing, none, none)
    sec, at = _cuts(block.t0_ts, block.dt_s, len(p))
    low, mean, high, n = _low_mean_high(p, at)
    strokes = np.zeros(len(sec), np.int64)
    if len(sec) == 1:
        strokes[0] = len(block.stroke_ts)
    elif len(block.stroke_ts):
        where = np.searchsorted(sec, np.floor(block.stroke_ts + GRID_SLACK_S), "right") - 1
        np.add.at(strokes, np.clip(where, 0, len(sec) - 1), 1)
    return Seconds(
        sec,
        low,
        mean,
        high,
        n,
        strokes,
        None if block.demand is None else _mean(block.demand, at),
        None if block.air_pa is None else _mean(block.air_pa, at),
    )
