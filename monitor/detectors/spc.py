"""Control charts: CUSUM, EWMA, Shewhart with Western Electric rules, Hotelling's T squared.

Scores (z) are deviations from usual in units of the usual spread; what makes them so is
`baseline.py`. Limits come from `run_length.py`. Everything here is plain arithmetic on numbers.
"""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, field
from math import sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv, ndtri, stdtr

from monitor.errors import BadSettings

MAD_TO_SIGMA = 1.482602218505602
"""1 / the upper quartile of N(0, 1): the median absolute deviation as a sigma."""

MR_TO_SIGMA = 1 / 1.128
"""Mean moving range of two to sigma (d2 = 1.128, ASTM Manual on Presentation of Data)."""


@dataclass(slots=True)
class Cusum:
    """Two-sided tabular CUSUM; `head_start` = h / 2 gives the fast initial response.

    step(z) returns +1 or -1 at the sample where a side exceeds h, else 0. Nothing is reset by a
    signal: the caller decides. Source: NIST/SEMATECH e-Handbook 6.3.2.3; Lucas and Crosier 1982.
    """

    k: float
    h: float
    head_start: float = 0.0
    high: float = field(init=False)
    low: float = field(init=False)

    def __post_init__(self) -> None:
        if self.k < 0 or self.h <= 0 or not 0 <= self.head_start <= self.h:
            raise BadSettings(
                [f"cusum: k {self.k} >= 0, h {self.h} > 0 and 0 <= head start <= h are needed"]
            )
        self.reset()

    def reset(self, *, with_head_start: bool = True) -> None:
        """Begin anew, by default with the head start (after a repair that may not have held)."""
        self.high = self.low = self.head_start if with_head_start else 0.0

    def step(self, z: float) -> int:
        """Add one score."""
        self.high = max(0.0, self.high + z - self.k)
        self.low = max(0.0, self.low - z - self.k)
        if self.high > self.h:
            return 1
        return -1 if self.low > self.h else 0


@dataclass(slots=True)
class Ewma:
    """Exponentially weighted mean of scores, two-sided limits at `width` of its own sigma.

    time_varying: exact limits for the first samples, else the asymptotic ones from the start.
    Source: NIST/SEMATECH e-Handbook 6.3.2.4; Lucas and Saccucci, Technometrics 32 (1990).
    """

    lam: float
    width: float
    time_varying: bool = False
    value: float = 0.0
    count: int = 0

    def __post_init__(self) -> None:
        if not 0 < self.lam <= 1 or self.width <= 0:
            raise BadSettings(
                [f"ewma: 0 < lambda {self.lam} <= 1 and width {self.width} > 0 are needed"]
            )

    def reset(self) -> None:
        """Begin anew at zero."""
        self.value, self.count = 0.0, 0

    def limit(self) -> float:
        """The limit that holds at the present sample."""
        spread = self.lam / (2 - self.lam)
        if self.time_varying:
            spread *= 1 - (1 - self.lam) ** (2 * self.count)
        return self.width * sqrt(spread)

    def step(self, z: float) -> int:
        """Add one score; +1 or -1 beyond the limits, else 0."""
        self.value = self.lam * z + (1 - self.lam) * self.value
        self.count += 1
        if abs(self.value) <= self.limit():
            return 0
        return 1 if self.value > 0 else -1


WESTERN_ELECTRIC = {1: (1, 1, 3.0), 2: (2, 3, 2.0), 3: (4, 5, 1.0), 4: (8, 8, 0.0)}
"""Rule -> (needed, of the last, beyond this many sigma on one side). Statistical Quality Control
Handbook (1956). Nelson's nine in a row is a different rule."""


@dataclass(slots=True)
class WesternElectric:
    """Runs rules on scores; step(z) returns the rules that this very score completes."""

    rules: tuple[int, ...] = (1, 2, 3, 4)
    recent: deque[float] = field(default_factory=lambda: deque(maxlen=8), init=False)

    def __post_init__(self) -> None:
        unknown = set(self.rules) - set(WESTERN_ELECTRIC)
        if unknown or not self.rules:
            raise BadSettings([f"western electric rules: {self.rules} must be among 1, 2, 3, 4"])

    def reset(self) -> None:
        """Forget the scores seen."""
        self.recent.clear()

    def step(self, z: float) -> frozenset[int]:
        """Add one score."""
        self.recent.append(z)
        sign = 1 if z > 0 else -1
        signed = [sign * value for value in self.recent]
        broken = set()
        for rule in self.rules:
            needed, window, beyond = WESTERN_ELECTRIC[rule]
            hits = sum(value > beyond for value in signed[-window:])
            if signed[-1] > beyond and hits >= needed:
                broken.add(rule)
        return frozenset(broken)


@dataclass(frozen=True, slots=True)
class Individuals:
    """Limits of a chart of single values and of its moving range, in the values' own unit."""

    mean: float
    sigma: float
    low: float
    high: float
    moving_range_high: float


def individuals(values: Sequence[float]) -> Individuals:
    """Three-sigma limits from the mean moving range (NIST/SEMATECH e-Handbook 6.3.2.2)."""
    if len(values) < 2:
        raise BadSettings([f"individuals chart: {len(values)} values are too few, at least 2"])
    mean = float(np.mean(values))
    moving_range = float(np.mean(np.abs(np.diff(values))))
    sigma = moving_range * MR_TO_SIGMA
    return Individuals(mean, sigma, mean - 3 * sigma, mean + 3 * sigma, 3.267 * moving_range)


def median_sigma(values: NDArray[np.float64]) -> tuple[float, float]:
    """(median, sigma from the median absolute deviation); NaN is left out, (nan, nan) if none."""
    known = values[np.isfinite(values)]
    if not len(known):
        return float("nan"), float("nan")
    middle = float(np.median(known))
    return middle, float(np.median(np.abs(known - middle))) * MAD_TO_SIGMA


def self_starting_score(value: float, mean: float, sigma: float, count: int) -> float:
    """Turn a new value into an N(0, 1) score, given mean and sample sigma of `count` before it.

    Source: D. M. Hawkins, Self-starting CUSUM charts for location and scale, The Statistician 36
    (1987). With normal values the scores are independent N(0, 1) from the third value on, so
    limits for known parameters hold however short the baseline. Needs count >= 2, sigma > 0.
    """
    if count < 2 or not sigma > 0:
        raise BadSettings([f"self-starting score: needs 2 values and a spread, has {count}"])
    t = (value - mean) / (sigma * np.sqrt(1 + 1 / count))
    # The lower tail keeps its digits where the upper one would round to 1.
    tail = max(float(stdtr(count - 1, -abs(t))), 1e-300)
    return float(np.copysign(-ndtri(tail), t))


def lag_one(values: NDArray[np.float64]) -> float:
    """Lag-one autocorrelation of values in time order; 0.0 where it cannot be computed."""
    known = values[np.isfinite(values)]
    if len(known) < 3:
        return 0.0
    return lag_one_centred(known - known.mean())


def lag_one_centred(off: NDArray[np.float64]) -> float:
    """The same of deviations from their mean, none of them NaN."""
    if len(off) < 3:
        return 0.0
    total = float(off @ off)
    return float(off[1:] @ off[:-1]) / total if total > 0 else 0.0


def ar1_residual(z: float, z_before: float, phi: float) -> float:
    """The part of a score that the score before does not foretell, again with sigma 1.

    A CUSUM on AR(1) scores with phi = 0.5 alarms nine times too often; on these residuals it
    keeps its run length, while a lasting shift shrinks by `ar1_shift_factor`.
    Source: L. C. Alwan and H. V. Roberts, J. Business & Economic Statistics 6 (1988).
    """
    return (z - phi * z_before) / sqrt(1 - phi * phi)


def ar1_shift_factor(phi: float) -> float:
    """What is left, in residual sigmas, of a lasting shift of one sigma."""
    return float(np.sqrt((1 - phi) / (1 + phi)))


def decimation(phi: float, rest: float = 0.1) -> int:
    """Keep every n-th sample so that its autocorrelation is at most `rest` (phi ** n <= rest)."""
    if not -1 < phi < 1 or not 0 < rest < 1:
        raise BadSettings([f"decimation: |phi| {phi} < 1 and 0 < rest {rest} < 1 are needed"])
    if abs(phi) <= rest:
        return 1
    return int(np.ceil(np.log(rest) / np.log(abs(phi)) - 1e-12))


def t_squared(
    values: NDArray[np.float64], mean: NDArray[np.float64], covariance: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Hotelling's T squared of rows; shapes (n, p), (p,), (p, p) -> (n,)."""
    off = np.atleast_2d(values) - mean
    return np.asarray(np.einsum("ij,ij->i", off, np.linalg.solve(covariance, off.T).T), np.float64)


def _check_t2(p: int, m: int, alpha: float) -> None:
    if p < 1 or m <= p + 1 or not 0 < alpha < 1:
        raise BadSettings([f"T squared: needs m {m} > p {p} + 1 >= 2 and 0 < alpha {alpha} < 1"])


def _f_limit(alpha: float, p: int, rest: int) -> float:
    """What an F of (p, rest) degrees of freedom exceeds with chance alpha (DLMF 8.17.5)."""
    x = float(betaincinv(rest / 2, p / 2, alpha))
    return rest / p * (1 / x - 1)


def t2_limit_subgroups(p: int, m: int, n: int, alpha: float, *, phase: int = 2) -> float:
    """Upper limit for means of subgroups of n, baseline of m subgroups, p variables.

    Source: D. C. Montgomery, Introduction to Statistical Quality Control, 11.3.1;
    NIST/SEMATECH e-Handbook 6.3.4.1. phase 1: the baseline itself; phase 2: later samples.
    """
    _check_t2(p, m, alpha)
    more = m + 1 if phase == 2 else m - 1
    rest = m * n - m - p + 1
    return float(p * more * (n - 1) / rest * _f_limit(alpha, p, rest))


def t2_limit_single(p: int, m: int, alpha: float, *, phase: int = 2) -> float:
    """Upper limit for single rows, baseline of m rows, p variables.

    Source: N. D. Tracy, J. C. Young and R. L. Mason, J. Quality Technology 24 (1992); phase 1 is
    the exact beta limit, phase 2 the F limit.
    """
    _check_t2(p, m, alpha)
    if phase == 1:
        return float((m - 1) ** 2 / m * betaincinv(p / 2, (m - p - 1) / 2, 1 - alpha))
    return float(p * (m + 1) * (m - 1) / (m * (m - p)) * _f_limit(alpha, p, m - p))
