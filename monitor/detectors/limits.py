"""95 % limits of what draws repeat, by Student's t."""

from collections.abc import Sequence

import numpy as np
from scipy.special import stdtrit

from monitor.hydraulics.band import Band
from monitor.hydraulics.line import Z_95

TAIL = 0.975


def t_95(degrees: float) -> float:
    """The two-sided 95 % quantile of Student's t; under one degree of freedom, that of one."""
    return float(stdtrit(max(degrees, 1.0), TAIL))


def mean_limits(values: Sequence[float], shared_se: float = 0.0) -> Band:
    """95 % limits of the mean of independent values of like spread; at least two values.

    shared_se: standard error of what all of them were compared with, which no repetition lessens.
    """
    x = np.asarray(values, np.float64)
    se = float(x.std(ddof=1)) / len(x) ** 0.5
    half = float(np.hypot(t_95(len(x) - 1) * se, Z_95 * shared_se))
    return Band(float(x.mean()) - half, float(x.mean()) + half)
