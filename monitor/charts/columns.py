"""A long series brought down to the width of a drawing, every extreme kept."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """What there is to draw.

    raw True: the points themselves, `ts` their times. raw False: `ts` are the centres of n equal
    time bins and low / high / mean their extremes and mean. NaN = nothing there, break the line.
    """

    raw: bool
    ts: FloatArray
    low: FloatArray
    high: FloatArray
    mean: FloatArray


def columns(
    ts: FloatArray,
    values: tuple[FloatArray, FloatArray, FloatArray],
    span: tuple[float, float],
    n: int,
) -> Columns:
    """Bin by time, never by count, so that a week of silence keeps its width.

    ts: shape (m,), sorted Unix seconds; values: (low, mean, high), each of shape (m,), NaN where
    there is no value (one NaN does not blank its column). Points of the half-open span; with two
    points a column or fewer they are given back as they are.
    """
    low, mean, high = values
    a, b = np.searchsorted(ts, span)
    cut = ts[a:b]
    if b - a <= 2 * n:
        return Columns(True, cut, low[a:b], high[a:b], mean[a:b])
    first, full, centres = _bins(cut, span, n)
    # reduceat gives the element itself for an empty bin, hence only the full ones are asked.
    out_low, out_high, out_mean = (np.full(n, np.nan) for _ in range(3))
    out_low[full] = np.fmin.reduceat(low[a:b], first)
    out_high[full] = np.fmax.reduceat(high[a:b], first)
    good = np.isfinite(mean[a:b])
    count = np.add.reduceat(good.astype(np.float64), first)
    total = np.add.reduceat(np.where(good, mean[a:b], 0.0), first)
    with np.errstate(invalid="ignore", divide="ignore"):
        out_mean[full] = np.where(count > 0, total / count, np.nan)
    return Columns(False, centres, out_low, out_high, out_mean)


def sums(ts: FloatArray, values: FloatArray, span: tuple[float, float], n: int) -> FloatArray:
    """Sum of the values in each of n equal time bins of the half-open span, shape (n,).

    NaN for a bin without any value, so that nothing counted is not shown as zero.
    """
    a, b = np.searchsorted(ts, span)
    out = np.full(n, np.nan)
    if a == b:
        return out
    first, full, _ = _bins(ts[a:b], span, n)
    good = np.isfinite(values[a:b])
    count = np.add.reduceat(good.astype(np.float64), first)
    total = np.add.reduceat(np.where(good, values[a:b], 0.0), first)
    out[full] = np.where(count > 0, total, np.nan)
    return out


def _bins(
    cut: FloatArray, span: tuple[float, float], n: int
) -> tuple[NDArray[np.int64], NDArray[np.bool_], FloatArray]:
    """Index of the first point of each bin that has any, which bins those are, the centres."""
    edges = span[0] + (span[1] - span[0]) * np.arange(n + 1) / n
    at = np.searchsorted(cut, edges)
    at[-1] = len(cut)
    full = np.diff(at) > 0
    return at[:-1][full], full, (edges[:-1] + edges[1:]) / 2


def broken(ts: FloatArray, gaps: tuple[tuple[float, float], ...], step_s: float) -> FloatArray:
    """Indices (as floats of shape (k,)) where a line through `ts` must start anew.

    That is where a named gap lies between two points, or where more than three steps passed.
    """
    starts = np.flatnonzero(np.diff(ts) > 3 * step_s) + 1
    named = np.searchsorted(ts, [g[1] for g in gaps]) if gaps else np.empty(0, np.int64)
    inside = named[(named > 0) & (named < len(ts))]
    return np.union1d(starts, inside).astype(np.float64)
