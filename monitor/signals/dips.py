"""The dip a stroke's reversal leaves in the discharge pressure: depth, width, slope, count."""

import numpy as np

from monitor.signals.order import median
from monitor.signals.types import FloatArray
from monitor.units import PA_PER_PSI

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
    total = np.concatenate(([0.0], np.cumsum(p - p[0])))
    lo = np.maximum(np.arange(len(p)) - wide // 2, 0)
    hi = np.minimum(lo + wide, len(p))
    fall = (p - p[0]) - (total[hi] - total[lo]) / (hi - lo)
    k = max(2, round(DEEPEST_SHARE * len(p)))
    deep = float(np.partition(fall, k)[k])
    if -deep < max(LEAST_DIP_PA, least_pa):
        return None
    mark = np.where(fall < 0.5 * deep, 1, np.where(fall > 0.2 * deep, -1, 0))
    at = np.flatnonzero(mark)
    mark = mark[at]
    begins = np.flatnonzero((mark[1:] == 1) & (mark[:-1] == -1)) + 1
    return np.asarray(at[begins] * dt_s, np.float64), -deep


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
        wide = min(wide, 0.45 * median(np.diff(stroke_ts)))
    edges = (stroke_ts - 1.25 * wide, stroke_ts - 0.25 * wide, stroke_ts + wide)
    a, b, c = (np.searchsorted(ts, e) for e in edges)
    keep = (b > a) & (c > b)
    if not keep.any():
        return None
    body = np.append(p, p[-1])
    before = np.column_stack((a[keep], b[keep])).ravel()
    around = np.column_stack((b[keep], c[keep])).ravel()
    mean = np.add.reduceat(body, before)[::2] / (b[keep] - a[keep])
    return np.asarray(mean - np.minimum.reduceat(body, around)[::2], np.float64)


def widths(ts: FloatArray, p: FloatArray, stroke_ts: FloatArray) -> FloatArray | None:
    """Per whole stroke: time under half its swing (s); None where no interval has two samples.

    ts, p without NaN.
    """
    at = np.searchsorted(ts, stroke_ts)
    keep = np.flatnonzero(np.diff(at) >= 2)
    if len(keep) == 0:
        return None
    starts, ends = at[keep], at[keep + 1]
    edges = np.column_stack((starts, ends)).ravel()
    body = np.append(p, p[-1])  # reduceat needs an element at the last edge
    mid = (np.minimum.reduceat(body, edges)[::2] + np.maximum.reduceat(body, edges)[::2]) / 2
    half = np.zeros(len(body))
    lo, hi = int(starts[0]), int(ends[-1])
    owner = np.searchsorted(starts, np.arange(lo, hi), "right") - 1
    half[lo:hi] = p[lo:hi] < mid[owner]
    share = np.add.reduceat(half, edges)[::2] / (ends - starts)
    return np.asarray(share * (stroke_ts[keep + 1] - stroke_ts[keep]), np.float64)


def slope(ts: FloatArray, p: FloatArray, stroke_ts: FloatArray) -> float | None:
    """Median over strokes of the steepest fall (Pa/s, positive) in each stroke's interval."""
    at = np.searchsorted(ts, stroke_ts)
    keep = np.flatnonzero(np.diff(at) >= 3)
    if len(keep) == 0:
        return None
    fall = np.append(np.diff(p) / np.maximum(np.diff(ts), 1e-6), [0.0, 0.0])
    edges = np.column_stack((at[keep], at[keep + 1] - 1)).ravel()
    return -median(np.minimum.reduceat(fall, edges)[::2])
