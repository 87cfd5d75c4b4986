"""The dip a stroke's reversal leaves in the discharge pressure: depth, width, slope, count."""

import numpy as np
from numpy.typing import NDArray

from monitor.signals.types import FloatArray
from monitor.units import PA_PER_PSI

LEAST_DIP_PA = 1.0 * PA_PER_PSI
"""A shallower swing is not called a dip: four times a 0.25 psi noise (computed)."""


def count(p: FloatArray) -> int | None:
    """Dips in a trace, by a two-level trigger; None when the swing is too small to count.

    The levels lie at 35 % and 60 % of the span from the 5th to the 95th percentile.
    """
    if len(p) < 10:
        return None
    low, high = np.percentile(p, (5, 95))
    span = high - low
    if span < 2 * LEAST_DIP_PA:
        return None
    mark = np.where(p < low + 0.35 * span, 1, np.where(p > low + 0.60 * span, -1, 0))
    mark = mark[mark != 0]
    return int(((mark[1:] == 1) & (mark[:-1] == -1)).sum()) if len(mark) else 0


def between(
    ts: FloatArray, p: FloatArray, stroke_ts: FloatArray
) -> tuple[NDArray[np.intp], FloatArray, FloatArray, FloatArray, FloatArray] | None:
    """Per whole stroke: (index of stroke, mean, low, high, time under half depth in s).

    ts, p without NaN. Strokes whose interval holds fewer than two samples are left out.
    """
    at = np.searchsorted(ts, stroke_ts)
    size = np.diff(at)
    keep = np.flatnonzero(size >= 2)
    if len(keep) == 0:
        return None
    starts, ends = at[keep], at[keep + 1]
    edges = np.column_stack((starts, ends)).ravel()
    body = np.append(p, p[-1])  # reduceat needs an element at the last edge
    low = np.minimum.reduceat(body, edges)[::2]
    high = np.maximum.reduceat(body, edges)[::2]
    mean = np.add.reduceat(body, edges)[::2] / (ends - starts)
    half = np.zeros(len(body))
    mid = (low + high) / 2
    lo, hi = int(starts[0]), int(ends[-1])
    owner = np.searchsorted(starts, np.arange(lo, hi), "right") - 1
    half[lo:hi] = p[lo:hi] < mid[owner]
    share = np.add.reduceat(half, edges)[::2] / (ends - starts)
    width = share * (stroke_ts[keep + 1] - stroke_ts[keep])
    return keep, mean, low, high, width


def slope(ts: FloatArray, p: FloatArray, stroke_ts: FloatArray) -> float | None:
    """Median over strokes of the steepest fall (Pa/s, positive) in each stroke's interval."""
    at = np.searchsorted(ts, stroke_ts)
    keep = np.flatnonzero(np.diff(at) >= 3)
    if len(keep) == 0:
        return None
    fall = np.append(np.diff(p) / np.maximum(np.diff(ts), 1e-6), [0.0, 0.0])
    edges = np.column_stack((at[keep], at[keep + 1] - 1)).ravel()
    return float(-np.median(np.minimum.reduceat(fall, edges)[::2]))
