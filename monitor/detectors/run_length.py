"""Average run lengths of control charts, and limits designed from a false-alarm budget.

Run lengths are in samples, for independent N(shift, 1) scores. They solve the charts' integral
equations (Page 1954 for the CUSUM, Crowder 1987 for the EWMA) on Gauss-Legendre nodes, which
agrees with the published tables to their last digit; Siegmund's closed form is offered for
quick looks only, because it is up to 6 % off.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from math import comb

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri, stdtr, stdtrit

from monitor.errors import BadSettings

CUSUM_NODES = 80
EWMA_NODES = 200
"""Enough for nine digits over h up to 25 and lambda down to 0.03 (computed)."""

LARGEST_ARL0 = 1e9
"""Beyond a false alarm in a thousand million samples the tails of no real series are known."""


def _need(ok: bool, fault: str) -> None:  # noqa: FBT001 - reads as an assertion
    if not ok:
        raise BadSettings([fault])


def _phi(x: NDArray[np.float64]) -> NDArray[np.float64]:
    return np.asarray(np.exp(-0.5 * x * x) / np.sqrt(2 * np.pi), np.float64)


@lru_cache(maxsize=8)
def _nodes(count: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    nodes, weights = np.polynomial.legendre.leggauss(count)
    return nodes, weights


def cusum_arl_one_sided(k: float, h: float, shift: float = 0.0, head_start: float = 0.0) -> float:
    """Samples until S = max(0, S + z - k) exceeds h, from S = head_start.

    Source: E. S. Page, Continuous inspection schemes, Biometrika 41 (1954); solved as in
    A. L. Goel and S. M. Wu, Technometrics 13 (1971). Raises BadSettings on h <= 0 or k < 0.
    """
    _need(k >= 0, f"cusum k: {k} is below 0; take half the shift to catch, in sigma")
    _need(h > 0, f"cusum h: {h} must be above 0")
    x, w = _nodes(CUSUM_NODES)
    u, du = (x + 1) * h / 2, w * h / 2
    n = len(u)
    # Unknowns: L at the nodes, then L(0), which carries the probability of falling back to zero.
    start = np.append(u, 0.0)
    system = np.eye(n + 1)
    system[:, :n] -= _phi(u[None, :] + k - start[:, None] - shift) * du[None, :]
    system[:, n] -= ndtr(k - start - shift)
    solved = np.linalg.solve(system, np.ones(n + 1))
    if head_start == 0:
        return float(solved[n])
    inside = _phi(u + k - head_start - shift) * du
    return float(1 + solved[n] * ndtr(k - head_start - shift) + inside @ solved[:n])


def cusum_arl(k: float, h: float, shift: float = 0.0, head_start: float = 0.0) -> float:
    """Samples until either side of a two-sided CUSUM signals.

    Zero start combines as 1/L = 1/L+ + 1/L-; with head starts as in J. M. Lucas and
    R. B. Crosier, Fast initial response for CUSUM quality-control schemes, Technometrics 24
    (1982), valid while head_start <= h - 2k or so (the sides cannot both be high for long).
    """
    up = cusum_arl_one_sided(k, h, shift)
    down = cusum_arl_one_sided(k, h, -shift)
    if head_start == 0:
        return up * down / (up + down)
    up_fir = cusum_arl_one_sided(k, h, shift, head_start)
    down_fir = cusum_arl_one_sided(k, h, -shift, head_start)
    return (up_fir * down + up * down_fir - up * down) / (up + down)


def siegmund_arl(k: float, h: float, shift: float = 0.0) -> float:
    """Two-sided CUSUM run length by Siegmund's closed form; -1 to +6 % off in control.

    Source: D. Siegmund, Sequential Analysis (1985), with the overshoot constant 1.166.
    """

    def side(drift: float) -> float:
        b = h + 1.166
        if abs(drift) < 1e-9:
            return b * b
        return float((np.exp(-2 * drift * b) + 2 * drift * b - 1) / (2 * drift * drift))

    up, down = side(shift - k), side(-shift - k)
    return up * down / (up + down)


def ewma_arl(lam: float, width: float, shift: float = 0.0, start: float = 0.0) -> float:
    """Samples until a two-sided EWMA leaves its asymptotic limits.

    width: L, in units of the EWMA's asymptotic sigma sqrt(lam / (2 - lam)). start: first value.
    Source: S. V. Crowder, A simple method for studying run-length distributions of exponentially
    weighted moving average charts, Technometrics 29 (1987).
    """
    _need(0 < lam <= 1, f"ewma lambda: {lam} must be above 0 and at most 1")
    _need(width > 0, f"ewma L: {width} must be above 0")
    limit = width * np.sqrt(lam / (2 - lam))
    x, w = _nodes(EWMA_NODES)
    u, du = x * limit, w * limit

    def kernel(begin: NDArray[np.float64]) -> NDArray[np.float64]:
        z = (u[None, :] - (1 - lam) * begin[:, None]) / lam - shift
        return np.asarray(_phi(z) * du[None, :] / lam, np.float64)

    solved = np.linalg.solve(np.eye(len(u)) - kernel(u), np.ones(len(u)))
    return float(1 + (kernel(np.array([start])) @ solved)[0])


def shewhart_arl(z_limit: float, shift: float = 0.0) -> float:
    """Samples until a single score lies beyond +-z_limit (geometric run length)."""
    return float(1 / (ndtr(shift - z_limit) + ndtr(-shift - z_limit)))


def _check_arl0(arl0: float) -> None:
    _need(1 < arl0 <= LARGEST_ARL0, f"ARL0: {arl0} must lie between 1 and {LARGEST_ARL0:g} samples")


def _root(f: Callable[[float], float], low: float, high: float, xtol: float) -> float:
    """Where f crosses zero between low and high.

    C. J. F. Ridders, IEEE Trans. Circuits and Systems 26 (1979) 979. scipy.optimize has the like,
    but its import costs every start 25 MB.
    """
    f_low, f_high = f(low), f(high)
    if f_low * f_high > 0:
        raise ValueError(f"no root between {low} and {high}")
    before = np.inf
    while f_low and f_high and high - low > xtol:
        middle = 0.5 * (low + high)
        f_middle = f(middle)
        bow = (f_middle**2 - f_low * f_high) ** 0.5
        x = (
            middle + (middle - low) * float(np.sign(f_low - f_high)) * f_middle / bow
            if bow
            else low
        )
        f_x = f(x)
        if abs(x - before) < xtol or f_x == 0:
            return x
        before = x
        ends = sorted([(low, f_low), (high, f_high), (middle, f_middle), (x, f_x)])
        low, f_low, high, f_high = next(
            (a, fa, b, fb) for (a, fa), (b, fb) in pairwise(ends) if fa * fb <= 0
        )
    return low if f_low == 0 else high if f_high == 0 else 0.5 * (low + high)


def _design(arl: Callable[[float], float], arl0: float, low: float, high: float) -> float:
    return _root(lambda x: float(np.log(arl(x) / arl0)), low, high, 1e-7)


@lru_cache(maxsize=256)
def cusum_h(k: float, arl0: float) -> float:
    """The two-sided CUSUM's h for this in-control run length (D. M. Hawkins 1993 for tables)."""
    _need(0 < k <= 5, f"cusum k: {k} must be above 0 and at most 5 sigma")
    _check_arl0(arl0)
    top = 1.0
    while cusum_arl(k, top) < arl0:
        top *= 1.5
    return _design(lambda h: cusum_arl(k, h), arl0, 1e-3, top)


@lru_cache(maxsize=256)
def ewma_l(lam: float, arl0: float) -> float:
    """The two-sided EWMA's L for this in-control run length (S. V. Crowder 1989 for tables)."""
    _need(0.01 <= lam <= 1, f"ewma lambda: {lam} must lie between 0.01 and 1")
    _check_arl0(arl0)
    return _design(lambda width: ewma_arl(lam, width), arl0, 0.05, 7.0)


def shewhart_z(arl0: float, baseline_m: int | None = None) -> float:
    """The two-sided limit of a single score for this run length.

    baseline_m: mean and sigma come from that many samples; the limit is then widened so that
    the *expected* false-alarm rate is 1/arl0 (Student's t prediction interval), because a fleet's
    budget is a sum of expected rates. Baselines of 20 without it give 3.2 times the alarms.
    """
    _need(arl0 > 1, f"ARL0: {arl0} must be above 1 sample")
    if baseline_m is None:
        return float(-ndtri(0.5 / arl0))
    _need(baseline_m >= 2, f"baseline: {baseline_m} samples are too few, at least 2")
    return float(-stdtrit(baseline_m - 1, 0.5 / arl0) * np.sqrt(1 + 1 / baseline_m))


def estimated_rate_factor(z_limit: float, baseline_m: int) -> float:
    """How many times the nominal false-alarm rate an uncorrected limit gives on average."""
    _need(baseline_m >= 2, f"baseline: {baseline_m} samples are too few, at least 2")
    rate = 2 * stdtr(baseline_m - 1, -z_limit / np.sqrt(1 + 1 / baseline_m))
    return float(rate / (2 * ndtr(-z_limit)))


@lru_cache(maxsize=256)
def share_for_runs(needed: int, window: int, arl0: float) -> float:
    """The chance per sample at which 'needed of the last window' comes once in arl0 samples.

    Exact Markov chain over the last window - 1 outcomes, independent samples; signals at the
    sample that completes the run. Lets a catch-all use a quantile that a few hundred samples
    can support, instead of a far tail that nobody has seen.
    """
    _need(1 <= needed <= window <= 10, f"runs: {needed} of {window} must be within 1 of 1..10")
    # A union bound on the run length brackets the answer within what doubles can resolve.
    lowest = (0.1 / (arl0 * comb(window - 1, needed - 1))) ** (1 / needed)

    def surplus(log_share: float) -> float:
        return float(np.log(runs_arl(float(np.exp(log_share)), needed, window) / arl0))

    return float(np.exp(_root(surplus, float(np.log(lowest)), float(np.log(0.999)), 1e-9)))


def runs_arl(share: float, needed: int, window: int) -> float:
    """Samples until `needed` of the last `window` are hits, each a hit with chance `share`."""
    memory = window - 1
    size = 1 << memory
    system = np.eye(size)
    for state in range(size):
        if state.bit_count() >= needed:
            continue
        for hit, chance in ((0, 1 - share), (1, share)):
            if state.bit_count() + hit >= needed and hit:
                continue
            system[state, ((state << 1) | hit) & (size - 1)] -= chance
    return float(np.linalg.solve(system, np.ones(size))[0])


@dataclass(frozen=True, slots=True)
class Budget:
    """Limits that keep all tests together within a number of false alarms a pump-month.

    arl0: in samples, per test. cusum_h, ewma_l, shewhart_z follow from it.
    """

    arl0: float
    cusum_k: float
    cusum_h: float
    ewma_lambda: float
    ewma_l: float
    shewhart_z: float


@lru_cache(maxsize=256)
def budget(
    samples_per_month: float,
    tests: int,
    *,
    alarms_per_month: float = 1.0,
    cusum_k: float = 0.5,
    ewma_lambda: float = 0.1,
) -> Budget:
    """Divide a pump's false alarms a month evenly over its tests.

    Expected alarms add whether or not the tests depend on each other, so each test may signal
    once in samples_per_month * tests / alarms_per_month samples. k = 0.5 is tuned to a shift of
    one sigma and lambda = 0.1 to about the same (usual handbook choices). Raises BadSettings.
    """
    _need(samples_per_month > 0, f"samples a month: {samples_per_month} must be above 0")
    _need(tests >= 1, f"tests: {tests} must be at least 1")
    _need(alarms_per_month > 0, f"false alarms a month: {alarms_per_month} must be above 0")
    # A pump that hardly draws would get a limit so tight that any noise passes it: 370 samples
    # is the classical three-sigma chart, and the budget is then kept with room to spare.
    arl0 = min(max(samples_per_month * tests / alarms_per_month, 370.4), LARGEST_ARL0)
    return Budget(
        arl0,
        cusum_k,
        cusum_h(cusum_k, arl0),
        ewma_lambda,
        ewma_l(ewma_lambda, arl0),
        shewhart_z(arl0),
    )
