"""Rates, shares and times between failures, always with the interval that belongs to them.

Small sites have small numbers: one fault in a month says little, and these intervals say how
little. Exact methods wherever counts are small.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import log
from typing import Literal

import numpy as np

# scipy.stats would cost a second and 50 MB at each start; these are the same functions.
from scipy.special import bdtr, bdtrik, betaincinv, chdtri, ndtr, ndtri, pdtr, pdtrc, pdtrik

from monitor.errors import StrokewiseError

LEVEL = 0.95
"""Two-sided level of intervals on shares and counts (usual)."""

MTBF_LEVEL = 0.90
"""Two-sided level for times between failures, as reliability handbooks print them."""

WARN_LEVEL, OUT_LEVEL = 0.95, 0.998
"""Funnel limits: D. J. Spiegelhalter, Funnel plots for comparing institutional performance,
Statistics in Medicine 24 (2005)."""


class BadFigure(StrokewiseError):
    """The figure cannot be computed from these numbers; look at what was counted."""


@dataclass(frozen=True, slots=True)
class Interval:
    """A value with its limits; None where there is none (no failure: no upper limit)."""

    value: float | None
    low: float | None
    high: float | None


def _check(fault: str, *, ok: bool) -> None:
    if not ok:
        raise BadFigure(fault)


def z_of(level: float) -> float:
    """The two-sided normal quantile of a level."""
    _check(f"level {level} must lie between 0 and 1", ok=0 < level < 1)
    return float(-ndtri((1 - level) / 2))


# -------------------------------------------------------------------- shares


def wilson(hits: int, n: int, level: float = LEVEL) -> Interval:
    """A share with Wilson's score interval; (None, 0, 1) of nothing.

    Source: E. B. Wilson, JASA 22 (1927); method 3 of R. G. Newcombe, Statistics in Medicine 17
    (1998) 857. Stays within 0 to 1 and is honest for 0 of n.
    """
    _check(f"{hits} of {n} is no share", ok=0 <= hits <= n)
    if n == 0:
        return Interval(None, 0.0, 1.0)
    z = z_of(level)
    share = hits / n
    centre = (share + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * (share * (1 - share) / n + z * z / (4 * n * n)) ** 0.5
    low = 0.0 if hits == 0 else max(0.0, centre - half)
    high = 1.0 if hits == n else min(1.0, centre + half)
    return Interval(share, low, high)


def clopper_pearson(hits: int, n: int, level: float = LEVEL) -> Interval:
    """A share with the exact binomial interval (C. J. Clopper and E. S. Pearson 1934)."""
    _check(f"{hits} of {n} is no share", ok=0 <= hits <= n)
    if n == 0:
        return Interval(None, 0.0, 1.0)
    tail = (1 - level) / 2
    low = float(betaincinv(hits, n - hits + 1, tail)) if hits else 0.0
    high = float(betaincinv(hits + 1, n - hits, 1 - tail)) if hits < n else 1.0
    return Interval(hits / n, low, high)


def share_change(hits: int, n: int, hits_before: int, n_before: int) -> Interval:
    """The difference of two shares with 95 % limits (Newcombe 1998, 17:873, method 10)."""
    now, before = wilson(hits, n), wilson(hits_before, n_before)
    if now.value is None or before.value is None:
        return Interval(None, -1.0, 1.0)
    a, b = now.value, before.value
    low = ((a - (now.low or 0)) ** 2 + ((before.high or 0) - b) ** 2) ** 0.5
    high = (((now.high or 0) - a) ** 2 + (b - (before.low or 0)) ** 2) ** 0.5
    return Interval(a - b, a - b - low, a - b + high)


# -------------------------------------------------------------------- counts and rates


def count_limits(count: int, level: float = LEVEL) -> Interval:
    """A Poisson count with its exact limits (F. Garwood, Biometrika 28 (1936))."""
    _check(f"count {count} is below 0", ok=count >= 0)
    tail = (1 - level) / 2
    low = float(chdtri(2 * count, 1 - tail)) / 2 if count else 0.0
    return Interval(float(count), low, float(chdtri(2 * count + 2, tail)) / 2)


def rate(count: int, exposure: float, level: float = LEVEL) -> Interval:
    """Events per unit of exposure with exact Poisson limits; no value without exposure."""
    _check(f"exposure {exposure} is below 0", ok=exposure >= 0)
    if exposure == 0:
        return Interval(None, None, None)
    n = count_limits(count, level)
    return Interval(count / exposure, (n.low or 0) / exposure, (n.high or 0) / exposure)


def pooled_rate(counts: Sequence[int], exposures: Sequence[float]) -> Interval:
    """The rate of several units together: sum of events over sum of exposure, never a mean of
    rates, which would let a unit that hardly ran weigh as much as one that always did."""
    _check("counts and exposures differ in length", ok=len(counts) == len(exposures))
    return rate(sum(counts), sum(exposures))


def rate_change(
    count: int, exposure: float, count_before: int, exposure_before: float, level: float = LEVEL
) -> Interval:
    """Ratio of two Poisson rates, now to before, with exact conditional limits.

    Given the total, the count now is binomial (J. Przyborowski and H. Wilenski, Biometrika 31
    (1940)). Upper limit None: nothing before, so any ratio is possible.
    """
    if exposure <= 0 or exposure_before <= 0 or count + count_before == 0:
        return Interval(None, None, None)
    share = clopper_pearson(count, count + count_before, level)
    scale = exposure_before / exposure

    def odds(p: float | None) -> float | None:
        return None if p is None or p >= 1 else p / (1 - p) * scale

    return Interval(odds(share.value), odds(share.low), odds(share.high))


# -------------------------------------------------------------------- times between failures

Ended = Literal["time", "failure"]


def mtbf(
    failures: int, time_s: float, level: float = MTBF_LEVEL, *, ended: Ended = "time"
) -> Interval:
    """Mean time between failures of a constant rate, with chi-square limits; s.

    time_s: running time of all units together, failed or not. ended: 'time' when watching stopped
    at a chosen moment (the rule here), 'failure' when it stopped at a failure. Without a failure
    there is no value and no upper limit, and the lower one is one-sided at `level`.
    Source: NIST/SEMATECH e-Handbook 8.4.5.1.
    """
    _check(f"{failures} failures, {time_s} s", ok=failures >= 0 and time_s >= 0)
    if failures == 0:
        # chi-square of 2 degrees is exponential: T / -ln(1 - level).
        return Interval(None, 2 * time_s / float(chdtri(2, 1 - level)), None)
    tail = (1 - level) / 2
    more = 2 if ended == "time" else 0
    low = 2 * time_s / float(chdtri(2 * failures + more, tail))
    high = 2 * time_s / float(chdtri(2 * failures, 1 - tail))
    return Interval(time_s / failures, low, high)


def availability(
    failures: int, observed_s: float, down_s: float, level: float = MTBF_LEVEL
) -> Interval:
    """Share of the observed time in which the unit worked, MTBF / (MTBF + MTTR).

    Limits carry those of the MTBF through, the mean time to repair taken as measured. Without a
    failure the lower limit is None: nothing is known of repair times.
    """
    _check(f"{down_s} s down of {observed_s} s", ok=0 <= down_s <= observed_s)
    if observed_s == 0:
        return Interval(None, None, None)
    value = 1 - down_s / observed_s
    between = mtbf(failures, observed_s - down_s, level)
    if failures == 0 or between.low is None or between.high is None:
        return Interval(value, None, None)
    repair_s = down_s / failures
    if repair_s == 0:
        return Interval(value, 1.0, 1.0)
    if between.high == 0:
        return Interval(value, 0.0, 0.0)
    return Interval(
        value, between.low / (between.low + repair_s), between.high / (between.high + repair_s)
    )


def laplace_z(times_s: Sequence[float], end_s: float) -> float | None:
    """Laplace's trend statistic of failure times over (0, end_s]: above +1.96 failures come
    ever faster, below -1.96 ever slower; None without failures. NIST/SEMATECH e-Handbook 8.2.3.4.
    """
    n = len(times_s)
    _check(f"end {end_s} s must be above 0", ok=end_s > 0)
    if n == 0:
        return None
    return float((sum(times_s) / n - end_s / 2) / (end_s * (1 / (12 * n)) ** 0.5))


def mtbf_now(times_s: Sequence[float], end_s: float) -> float | None:
    """Time between failures at the end of (0, end_s] when they come ever faster or slower; s.

    Power-law process, slope unbiased; None under three failures. NIST/SEMATECH e-Handbook 8.4.7.
    """
    inside = [t for t in times_s if 0 < t < end_s]
    if len(inside) < 3:
        return None
    shape = (len(inside) - 1) / sum(log(end_s / t) for t in inside)
    return end_s / (len(inside) * shape)


# -------------------------------------------------------------------- funnels

Place = Literal["fewer", "as expected", "more", "many more"]
"""Where a unit lies against all together: 'more' beyond 95 %, 'many more' beyond 99.8 %."""


@dataclass(frozen=True, slots=True)
class Funnel:
    """What chance alone leaves room for at this unit's size, at both levels."""

    low: float
    high: float
    far_low: float
    far_high: float

    def place(self, value: float) -> Place:
        """Where a value lies."""
        if value > self.far_high:
            return "many more"
        if value > self.high:
            return "more"
        return "fewer" if value < self.low else "as expected"


def funnel_count(expected: float) -> Funnel:
    """Limits of a count of which `expected` are expected (exact Poisson quantiles)."""
    _check(f"expected count {expected} is below 0", ok=expected >= 0)
    if expected == 0:
        return Funnel(0, 0, 0, 0)
    ends = [_quantile(q, pdtrik(q, expected), lambda k: pdtr(k, expected)) for q in _tails()]
    return Funnel(*ends)


def funnel_share(n: int, target: float) -> Funnel:
    """Limits of a share of n around a target: exact binomial quantiles below n p = 20, else
    normal ones (the normal form is up to 15 % too tight below that, computed)."""
    _check(f"target share {target} or size {n}", ok=0 <= target <= 1 and n >= 0)
    if n == 0 or target in (0.0, 1.0):
        return Funnel(target, target, target, target) if n else Funnel(0.0, 1.0, 0.0, 1.0)
    if n * min(target, 1 - target) < 20:
        counts = [
            _quantile(q, bdtrik(q, n, target), lambda k: bdtr(k, n, target)) for q in _tails()
        ]
        return Funnel(*(count / n for count in counts))
    return funnel_normal(n, target)


def funnel_normal(n: int, target: float) -> Funnel:
    """The normal form of `funnel_share`."""
    sigma = (target * (1 - target) / n) ** 0.5
    near, far = z_of(WARN_LEVEL) * sigma, z_of(OUT_LEVEL) * sigma
    return Funnel(
        max(target - near, 0), min(target + near, 1), max(target - far, 0), min(target + far, 1)
    )


def _quantile(q: float, root: float, share_up_to: Callable[[float], float]) -> float:
    """The least whole number up to which a share q lies; root solves it for real numbers."""
    count = max(float(np.ceil(root)), 0.0)
    below = max(count - 1, 0.0)  # the root may be rounded up over a whole number
    return below if share_up_to(below) >= q else count


def _tails() -> tuple[float, float, float, float]:
    near, far = (1 - WARN_LEVEL) / 2, (1 - OUT_LEVEL) / 2
    return near, 1 - near, far, 1 - far


def chance_of_more(count: int, expected: float) -> float:
    """The chance of at least this count if the unit were like all others."""
    return float(pdtrc(count - 1, expected)) if count else 1.0


def two_sided_p(z: float) -> float:
    """The two-sided p of a normal statistic."""
    return float(2 * ndtr(-abs(z)))
