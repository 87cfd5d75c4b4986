"""Medians and percentiles of short arrays, several times faster than numpy's general ones."""

from math import sqrt

import numpy as np

from monitor.signals.types import FloatArray

FEW = 48
"""Up to so many numbers Python's own sort is the faster one."""


def median(x: FloatArray) -> float:
    """The median of a non-empty array without NaN."""
    n = len(x)
    half = n // 2
    if n <= FEW:
        rising = sorted(x.tolist())
        return float(rising[half] if n % 2 else 0.5 * (rising[half - 1] + rising[half]))
    if n % 2:
        return float(np.partition(x, half)[half])
    part = np.partition(x, (half - 1, half))
    return 0.5 * float(part[half - 1] + part[half])


def mean(x: FloatArray) -> float:
    """The mean of a non-empty array."""
    return float(np.add.reduce(x)) / len(x)


def deviation(x: FloatArray) -> float:
    """The standard deviation of a non-empty array, as numpy's own (divided by n)."""
    off = x - mean(x)
    return sqrt(mean(off * off))


def quantiles(x: FloatArray, *shares: float) -> list[float]:
    """Order statistics nearest to the shares (0 to 1) of a non-empty array without NaN."""
    top = len(x) - 1
    at = [round(share * top) for share in shares]
    part = np.partition(x, sorted(set(at)))
    return [float(part[i]) for i in at]
