"""The dip a stroke's reversal leaves in the discharge pressure: depth, width, slope, count."""

import numpy as np
from numpy.typing import NDArray

from monitor.signals.order import median
from monitor.signals.types import FloatArray
from monitor.units import PA_PER_PSI

Places = NDArray[np.intp]
LEAST_DIP_PA = 1.0 * PA_PER_PSI
"""A shallower swing is not called a dip: four times a 0.25 psi noise (computed)."""


DEEPEST_SHARE = 0.003
"""Share of samples under which the deepest is looked for, two at the least: a single dip in half a
minute at 10 Hz is two samples wide."""


def found(p: FloatArray, dt_s: float, least_pa: float = 0.0) -> tuple[FloatArray, float] | None:
    """Times (s from the first sample) of the dips in a trace and the depth of the deepest (Pa);
    None when that is too small.

    Falls are measured from a running mean of two seconds, so that a drift is no dip. A dip begins
    at half the depth of the deepest and ends above a fifth of it.
    """
    wide = max(3, round(2.0 / dt_s))
    if len(p) < 2 * wide:
        return None
    fall = p - p[0]
    fall -= _running_mean(fall, wide)
    k = max(2, round(DEEPEST_SHARE * len(p)))
    deep = float(np.partition(fall, k)[k])
    if -deep < max(LEAST_DIP_PA, least_pa):
        return None
    mark = np.where(fall < 0.5 * deep, 1, np.where(fall > 0.2 * deep, -1, 0))
    at = np.flatnonzero(mark)
    mark = mark[at]
    begins = np.flatnonzero((mark[1:] == 1) & (mark[:-1] == -1)) + 1
    return np.asarray(at[begins] * dt_s, np.float64), -deep


def _running_mean(x: FloatArray, wide: int) -> FloatArray:
    """Mean of the `wide` values around each; the window stops at both ends of the array."""
    n, before = len(x), wide // 2
    total = np.zeros(n + 1)
    np.cumsum(x, out=total[1:])
    out = np.empty(n)
    out[before : before + n - wide + 1] = (total[wide:] - total[:-wide]) / wide
    out[:before] = out[before]
    last = np.arange(n - wide + 1, n - before)
    out[before + n - wide + 1 :] = (total[n] - total[last]) / (n - last)
    return out


def count(p: FloatArray, dt_s: float, least_pa: float = 0.0) -> tuple[int, float] | None:
    """Number of dips in a trace and the depth of the deepest (Pa); None when too small."""
    seen = found(p, dt_s, least_pa)
    return None if seen is None else (len(seen[0]), seen[1])


def depths(ts: FloatArray, p: FloatArray, stroke_ts: FloatArray) -> FloatArray | None:
    """Per stroke: mean just before it less the lowest around it (Pa); None where none fits.

    Windows are 0.4 s wide, or 0.45 of the shortest usual interval where strokes come faster.
    """
    if len(stroke_ts) == 0 or len(ts) < 4:
        return None
    wide = 0.4
    if len(stroke_ts) > 1:
        wide = min(wide, 0.45 * median(stroke_ts[1:] - stroke_ts[:-1]))
    edges = (stroke_ts - 1.25 * wide, stroke_ts - 0.25 * wide, stroke_ts + wide)
    a, b, c = (ts.searchsorted(e) for e in edges)
    keep = (b > a) & (c > b)
    if not keep.any():
        return None
    body = np.append(p, p[-1])
    a, b, c = a[keep], b[keep], c[keep]
    mean = np.add.reduceat(body, _pairs(a, b))[::2] / (b - a)
    return np.asarray(mean - np.minimum.reduceat(body, _pairs(b, c))[::2], np.float64)


def _pairs(a: Places, b: Places) -> Places:
    """a0, b0, a1, b1 and so on, as reduceat wants its edges."""
    out = np.empty(2 * len(a), np.intp)
    out[::2], out[1::2] = a, b
    return out


def widths(ts: FloatArray, p: FloatArray, stroke_ts: FloatArray) -> FloatArray | None:
    """Per whole stroke: time under half its swing (s); None where no interval has two samples.

    ts, p without NaN.
    """
    at = ts.searchsorted(stroke_ts)
    keep = np.flatnonzero(at[1:] - at[:-1] >= 2)
    if len(keep) == 0:
        return None
    starts, ends = at[keep], at[keep + 1]
    edges = _pairs(starts, ends)
    body = np.append(p, p[-1])  # reduceat needs an element at the last edge
    mid = (np.minimum.reduceat(body, edges)[::2] + np.maximum.reduceat(body, edges)[::2]) / 2
    half = np.zeros(len(body))
    lo, hi = int(starts[0]), int(ends[-1])
    until = np.append(starts[1:], hi)
    half[lo:hi] = p[lo:hi] < np.repeat(mid, until - starts)
    share = np.add.reduceat(half, edges)[::2] / (ends - starts)
    return np.asarray(share * (stroke_ts[keep + 1] - stroke_ts[keep]), np.float64)


def slopes(ts: FloatArray, p: FloatArray, stroke_ts: FloatArray) -> FloatArray | None:
    """Per whole stroke: the steepest fall (Pa/s, positive), with the one that begins at the last
    sample before it: a stiff line falls within one. None where no interval has three samples."""
    at = ts.searchsorted(stroke_ts)
    keep = np.flatnonzero(at[1:] - at[:-1] >= 3)
    if len(keep) == 0:
        return None
    fall = np.zeros(len(p) + 1)
    fall[:-2] = (p[1:] - p[:-1]) / np.maximum(ts[1:] - ts[:-1], 1e-6)
    begins = np.maximum(at[keep] - 1, 0)
    return np.asarray(-np.minimum.reduceat(fall, _pairs(begins, at[keep + 1] - 1))[::2])
