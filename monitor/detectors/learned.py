"""What is usual for one number of one pump, and whether it has moved.

A robust start (median and MAD), then a trailing window; scores from ranks, so that the
false-alarm budget holds whatever the shape of the numbers and however short the baseline; freed
of autocorrelation and clipped, so that one odd draw decides nothing; CUSUM and EWMA on them with
limits from the pump's share of the budget.
"""

from dataclasses import dataclass, field
from math import sqrt
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from monitor.detectors.kept import Kept, numbers
from monitor.detectors.run_length import Budget, budget
from monitor.detectors.spc import (
    MAD_TO_SIGMA,
    Cusum,
    Ewma,
    ar1_residual,
    lag_one_centred,
)
from monitor.errors import BadSettings
from monitor.signals.order import median

BATCH = 10
"""Residuals in a batch: about the time a shift of one sigma takes to be told."""

LONG_RUN_BATCHES = 40.0
"""Batches over which their variance is remembered (chosen: 400 draws, two windows)."""

MONTH_S = 30 * 86_400.0


@dataclass(frozen=True, slots=True)
class Learning:
    """How a baseline learns; every default with its reason.

    start_draws: no verdict before this many. 20 is where a limit for a single value has come
    within 1.4 times its final width at the budget's run length (Student's t), and a median of 20
    stands nine bad draws. window_draws: the trailing window; 200 still sees a lasting shift of
    0.75 sigma before it is absorbed, and follows a yearly swing of 5 sigma at 20 draws a day with
    a lag under the CUSUM's allowance (both computed). window_s, least_draws: on a pump that
    hardly draws the window is four weeks, but never under 50 draws. clip_sigma: a score counts 4
    at most, so no fewer than three odd draws in a row move a chart (winsorised CUSUM, Hawkins
    1993). alarms_per_month: a quarter of the one a pump-month; the rest is left to the rules of
    the single kinds. quarantine_draws: a value is learnt only when this many later ones have come
    without a finding, else all waiting are dropped: longer than the 20 draws that a shift of one
    sigma takes to be told (computed). Dropping suspicious values at once instead would thin out
    the honest extremes, shrink the level and end in a storm of alarms (computed).
    """

    start_draws: int = 20
    window_draws: int = 200
    window_s: float = 28 * 86_400.0
    least_draws: int = 50
    clip_sigma: float = 4.0
    alarms_per_month: float = 0.25
    cusum_k: float = 0.5
    ewma_lambda: float = 0.1
    quarantine_draws: int = 30

    def __post_init__(self) -> None:
        faults = []
        if not 3 <= self.start_draws <= self.least_draws <= self.window_draws <= 5000:
            faults.append("learning: 3 <= start_draws <= least_draws <= window_draws <= 5000")
        if self.window_s <= 0 or self.alarms_per_month <= 0:
            faults.append("learning: window_s and alarms_per_month must be above 0")
        if not 1.5 <= self.clip_sigma <= 8 or not 0 <= self.quarantine_draws <= 500:
            faults.append("learning: clip_sigma within 1.5 to 8, quarantine_draws within 0 to 500")
        if faults:
            raise BadSettings(faults)


@dataclass(frozen=True, slots=True)
class Level:
    """Where a number usually lies, and what its scores are made of.

    spread: as it is; sigma: at least the floor, what scores are in. low, high: 95 % of values.
    """

    count: int
    median: float
    mad_sigma: float
    mean: float
    spread: float
    sigma: float
    phi: float
    low: float
    high: float
    floor: float


@dataclass(frozen=True, slots=True)
class Move:
    """A number that has left its usual level: direction +1 or -1, since when, and how far."""

    name: str
    direction: int
    since_ts: float
    recent: float
    low: float
    high: float
    sigmas: float


def settle(
    values: NDArray[np.float64], floor: float, clip_sigma: float, floor_share: float = 0.0
) -> Level:
    """The level of values in time order, none of them NaN.

    floor: the smallest spread that counts, or floor_share of the median if that is more.

    Values beyond clip_sigma robust sigmas are pulled in before mean and sigma are taken. phi is
    the autocorrelation plus one standard error: a CUSUM forgives an overestimate (it sees a shift
    a little later) but not an underestimate (0.06 too little triples its alarms, computed).
    """
    count = len(values)
    rising = np.sort(values).tolist()
    middle = 0.5 * (rising[(count - 1) // 2] + rising[count // 2])
    floor = max(floor, floor_share * abs(middle))
    mad_sigma = max(median(np.abs(values - middle)) * MAD_TO_SIGMA, floor)
    edge = clip_sigma * mad_sigma
    clipped = np.minimum(np.maximum(values, middle - edge), middle + edge)
    mean = float(np.add.reduce(clipped)) / count
    off = clipped - mean
    spread = sqrt(float(np.add.reduce(off * off)) / (count - 1)) if count > 1 else 0.0
    sigma = max(spread, floor)
    phi = min(max(lag_one_centred(off) + 1 / sqrt(count), 0.0), 0.95)
    if count >= 40:
        low, high = _quantile(rising, 0.025), _quantile(rising, 0.975)
    else:
        low, high = mean - 2 * spread, mean + 2 * spread
    return Level(count, middle, mad_sigma, mean, spread, sigma, phi, low, high, floor)


def _quantile(rising: list[float], share: float) -> float:
    """np.quantile's linear one, of values that are sorted already."""
    at = share * (len(rising) - 1)
    k = int(at)
    return rising[k] + (at - k) * (rising[k + 1] - rising[k])


def rank_score(value: float, known: NDArray[np.floating[Any]], floor: float, sigma: float) -> float:
    """The N(0, 1) score of a value by its rank among known ones, whatever their distribution.

    Sequential ranks of exchangeable values are independent and uniform, so charts on their
    normal scores keep their run length without knowing the distribution (D. McDonald, A CUSUM
    procedure based on sequential ranks, Naval Research Logistics 37 (1990)). Ranks are smoothed
    over `floor`, so that differences too small to matter are ties; beyond everything known the
    score grows by one a sigma, because how far out a value lies then matters.
    """
    count = len(known)
    off = value - known
    rank = float(np.add.reduce(ndtr(off / floor)))
    z = float(ndtri((rank + 0.5) / (count + 1)))
    # Only over half of them can it lie beyond them all, and only under half of them below.
    beyond = max(np.minimum.reduce(off), 0.0) if 2 * rank >= count else 0.0
    if 2 * rank <= count:
        beyond += min(np.maximum.reduce(off), 0.0)
    return z + float(beyond) / sigma


@dataclass(slots=True)
class Learned:
    """One number of one pump. Feed `update` in time order; memory is bounded by the window.

    floor: the smallest spread that matters, in the number's own unit, and floor_share the same as
    a share of its usual size: below them a change is of no use to anybody, however sure. tests:
    how many tests share the budget.
    """

    name: str
    floor: float
    tests: int
    floor_share: float = 0.0
    learning: Learning = field(default_factory=Learning)
    level: Level | None = field(default=None, init=False)
    move: Move | None = field(default=None, init=False)
    last_score: float | None = field(default=None, init=False)
    _kept: Kept = field(init=False, repr=False)
    _fields: tuple[NDArray[np.uint32], NDArray[np.float32]] = field(init=False, repr=False)
    _due: int = field(default=0, init=False)
    _last_z: float = field(default=0.0, init=False)
    _cusum: Cusum = field(init=False, repr=False)
    _ewma: Ewma = field(init=False, repr=False)
    _limits: Budget = field(init=False, repr=False)
    _batch: float = field(default=0.0, init=False, repr=False)
    _batched: int = field(default=0, init=False, repr=False)
    _long_run: float = field(default=1.0, init=False, repr=False)
    _calm_ts: list[float] = field(default_factory=lambda: [0.0, 0.0], init=False, repr=False)
    _recent: list[float] = field(default_factory=list, init=False, repr=False)
    _unclaimed: list[float] = field(default_factory=list, init=False, repr=False)

    def __post_init__(self) -> None:
        if not self.floor > 0 or not 0 <= self.floor_share < 1:
            raise BadSettings(
                [f"{self.name}: floor {self.floor} must be above 0, its share under 1"]
            )
        self._limits = self._budget(3000.0)
        self.restart()

    # ------------------------------------------------------------------ asking

    @property
    def ready(self) -> bool:
        """Has it seen enough to judge?"""
        return self.level is not None and self.level.count >= self.learning.start_draws

    @property
    def count(self) -> int:
        """Values learnt and not yet forgotten."""
        return self._kept.count

    @property
    def limits(self) -> Budget:
        """The limits in force."""
        return self._limits

    def usual(self) -> tuple[float, float] | None:
        """(low, high) between which 95 % of the learnt values lie; None before the start."""
        return (self.level.low, self.level.high) if self.ready and self.level else None

    def robust_z(self, value: float) -> float | None:
        """Distance from the median in robust sigmas (median / MAD), unclipped; None if unready."""
        if not self.ready or self.level is None:
            return None
        return (value - self.level.median) / self.level.mad_sigma

    # ------------------------------------------------------------------ living

    def restart(self) -> None:
        """Forget everything learnt: the pump is another one now, or its set point is."""
        room = self.learning.quarantine_draws + 1
        self._kept = numbers(self.learning.window_draws, room)
        self._fields = self._kept.buffer["ts"], self._kept.buffer["x"]
        self._due = self._batched = 0
        self._batch, self._long_run = 0.0, 1.0
        self._unclaimed.clear()
        self.level = None
        self.calm()

    def calm(self) -> None:
        """Charts back to zero; what was learnt stays."""
        self.move = None
        self._last_z = 0.0
        self._recent.clear()
        self._cusum = Cusum(self._limits.cusum_k, self._limits.cusum_h)
        self._ewma = Ewma(self._limits.ewma_lambda, self._limits.ewma_l)
        self._calm_ts = [0.0, 0.0]

    def learn(self, ts: float, value: float) -> None:
        """Take a value as usual without judging it (rebuilding, or a start from pending values)."""
        self._kept.append((_whole(ts), value))
        self._learn(0)

    def learn_all(
        self, times: NDArray[np.float64], values: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        """Take many values at once, oldest first, as usual; the score of each among all of them.

        What a restart does instead of judging months again: the level is that of the last window,
        and how far sums of residuals spread is taken from the same values.
        """
        for ts, value in zip(times, values, strict=True):
            self._kept.append((_whole(float(ts)), value))
            self._kept.admit(0)
        if not self._kept.count:
            return np.empty(0)
        self._settle()
        assert self.level is not None  # noqa: S101 - just settled
        known, edge = self._window()[1].astype(np.float64), self.learning.clip_sigma
        rank = ndtr((values[:, None] - known[None, :]) / self.level.floor).sum(axis=1)
        scores = np.clip(ndtri((rank + 0.5) / (len(known) + 1)), -edge, edge)
        phi = self.level.phi
        fresh = (scores[1:] - phi * scores[:-1]) / np.sqrt(1 - phi * phi)
        whole = len(fresh) // BATCH * BATCH
        for batch in fresh[:whole].reshape(-1, BATCH).sum(axis=1):
            seen = min(float(batch) ** 2 / BATCH, 9.0)
            self._long_run += (seen - self._long_run) / LONG_RUN_BATCHES
        return np.asarray(scores, np.float64)

    def _learn(self, keep: int) -> None:
        self._due -= self._kept.admit(keep)
        if self._due <= 0:
            self._settle()

    def update(self, ts: float, value: float, *, learn: bool = True) -> Move | None:
        """Judge a value, then learn it if nothing speaks against it; the move that stands."""
        self.last_score = None
        if not self.ready:
            if learn:
                self.learn(ts, value)
            return None
        self._judge(ts, value)
        if not learn:
            self._kept.drop()
            self._unclaimed.clear()
            return self.move
        self._kept.append((_whole(ts), value))
        if self.move is None:
            self._admit()
        return self.move

    def _admit(self) -> None:
        """Learn what has waited long enough without a finding.

        What happened during a move that ended by itself, claimed by no finding, is learnt too: it
        is part of this pump's life (a cold morning), and its limits widen instead of crying wolf.
        """
        for seen in self._unclaimed:
            self._long_run += (seen - self._long_run) / LONG_RUN_BATCHES
        self._unclaimed.clear()
        # A short baseline must grow: held long, its error would be the same in every score.
        self._learn(min(self.learning.quarantine_draws, self._kept.count // 4))

    def _settle(self) -> None:
        """Recompute the level; seldom enough to be cheap, often enough to stay self-starting."""
        ts, x = self._window()
        values = x.astype(np.float64)
        self.level = settle(values, self.floor, self.learning.clip_sigma, self.floor_share)
        self._due = 1 if len(values) < 50 else len(values) // 16
        span_s = float(ts[-1]) - float(ts[0])
        if len(values) >= self.learning.start_draws and span_s > 0:
            self._rebudget((len(values) - 1) * MONTH_S / span_s)

    def _window(self) -> tuple[NDArray[np.uint32], NDArray[np.float32]]:
        """Times and values that are learnt and not too old, but never fewer than `least_draws`."""
        ts, x = self._fields
        count, first = self._kept.count, 0
        if count > self.learning.least_draws:
            oldest = ts.item(count - 1) - self.learning.window_s
            if ts.item(0) < oldest:
                found = int(np.searchsorted(ts[:count], oldest))
                first = min(found, count - self.learning.least_draws)
        return ts[first:count], x[first:count]

    def _budget(self, per_month: float) -> Budget:
        # Powers of two, rounded up: the cache is hit and the limit errs to the quiet side.
        rounded = 2.0 ** np.ceil(np.log2(max(per_month, 1.0)))
        return budget(
            float(min(rounded, 2.0**20)),
            self.tests,
            alarms_per_month=self.learning.alarms_per_month,
            cusum_k=self.learning.cusum_k,
            ewma_lambda=self.learning.ewma_lambda,
        )

    def _rebudget(self, per_month: float) -> None:
        limits = self._budget(per_month)
        if limits is not self._limits:
            self._limits = limits
            self._cusum.h, self._ewma.width = limits.cusum_h, limits.ewma_l

    def score(self, value: float) -> float:
        """The clipped N(0, 1) score of a value; needs `ready`."""
        assert self.level is not None  # noqa: S101 - callers ask `ready` first
        edge = self.learning.clip_sigma
        z = rank_score(value, self._window()[1], self.level.floor, self.level.sigma)
        return min(max(z, -edge), edge)

    def _judge(self, ts: float, value: float) -> None:
        assert self.level is not None  # noqa: S101 - `ready` was asked by update
        z = self.score(value)
        fresh = ar1_residual(z, self._last_z, self.level.phi)
        self._last_z = self.last_score = z
        fresh /= self._calibrate(fresh)
        self._recent = [*self._recent[-4:], value]
        if self._cusum.high == 0:
            self._calm_ts[0] = ts
        if self._cusum.low == 0:
            self._calm_ts[1] = ts
        sign = self._cusum.step(fresh) or self._ewma.step(fresh)
        # Without a cap a long fault would take as long to be over as it lasted.
        cap = 1.1 * self._cusum.h
        self._cusum.high, self._cusum.low = min(self._cusum.high, cap), min(self._cusum.low, cap)
        top = 1.1 * self._ewma.limit()
        self._ewma.value = min(max(self._ewma.value, -top), top)
        if sign:
            self._moved(sign)
        elif self.move is not None and self._quiet():
            self.calm()

    def _calibrate(self, fresh: float) -> float:
        """What residuals must be divided by so that their sums spread as white noise's would.

        One autocorrelation cannot describe a cold morning or a busy Saturday. Sums of ten
        residuals do: their variance over ten is 1 for white noise (batch means, as in simulation
        practice). One batch counts nine at most, so that a fault cannot buy itself a wide limit.
        """
        self._batch += fresh
        self._batched += 1
        if self._batched == BATCH:
            seen = min(self._batch * self._batch / BATCH, 9.0)
            self._unclaimed = [*self._unclaimed[-39:], seen]
            self._batch, self._batched = 0.0, 0
        return sqrt(max(self._long_run, 1.0))

    def _quiet(self) -> bool:
        """Have both charts come back to half their limits?"""
        high = max(self._cusum.high, self._cusum.low)
        return high < self._cusum.h / 2 and abs(self._ewma.value) < self._ewma.limit() / 2

    def _moved(self, sign: int) -> None:
        assert self.level is not None  # noqa: S101 - only called while judging
        recent = float(np.median(self._recent))
        if sign * (recent - self.level.median) <= 0:
            return  # the number is back on the other side; the chart only remembers
        since = self.move.since_ts if self.move else self._calm_ts[0 if sign > 0 else 1]
        self.move = Move(
            self.name, sign, since, recent, self.level.low, self.level.high,
            (recent - self.level.mean) / self.level.sigma,
        )  # fmt: skip


def _whole(ts: float) -> int:
    """A time as four bytes hold it: whole seconds, none before 1970 or after 2106."""
    return min(max(int(ts), 0), 2**32 - 1)
