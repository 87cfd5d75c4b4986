"""A pump at rest: the level it holds, how it drifts, and a summary now and then."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from monitor.signals.seconds import Seconds
from monitor.signals.types import Episode, FloatArray
from monitor.units import PA_PER_PSI

DECADE_S = 10
SUMMARY_S = (60, 120, 300)
SUMMARY_EVERY_S = 300
LOW_SWINGS = 3.0
LEAST_LOW_PA = 1.0 * PA_PER_PSI
NAN = float("nan")
BoolArray = NDArray[np.bool_]


def summary_due(age_s: int) -> int:
    """The next age (s) after age_s at which a rest is summed up."""
    for due in SUMMARY_S:
        if age_s < due:
            return due
    return (age_s // SUMMARY_EVERY_S + 1) * SUMMARY_EVERY_S


def _decades(sec: NDArray[np.int64]) -> tuple[list[int], NDArray[np.intp]]:
    """The decades that these seconds touch, and the index at which each begins."""
    first, last = sec.item(0), sec.item(-1)
    if last - first == len(sec) - 1:  # no hole: plain counting does
        at = np.arange(-(first % DECADE_S), len(sec), DECADE_S)
        at[0] = 0
        return list(range(first // DECADE_S, last // DECADE_S + 1)), at
    groups = sec // DECADE_S
    at = np.concatenate(([0], np.flatnonzero(groups[1:] != groups[:-1]) + 1))
    return groups[at].tolist(), at


def _sums(mean: FloatArray, at: NDArray[np.intp]) -> tuple[list[float], list[int]]:
    """Sum and number of the good values of each piece."""
    total = np.add.reduceat(mean, at)
    if not np.isnan(total).any():
        return total.tolist(), [*(at[1:] - at[:-1]).tolist(), len(mean) - at.item(-1)]
    good = ~np.isnan(mean)
    total = np.add.reduceat(np.where(good, mean, 0.0), at)
    return total.tolist(), np.add.reduceat(good.astype(np.int64), at).tolist()


@dataclass(slots=True)
class Sums:
    """Moments of the seconds of a stretch, enough for mean, slope and extremes."""

    t0: int = 0
    n: int = 0
    bad: int = 0
    t: float = 0.0
    p: float = 0.0
    tt: float = 0.0
    tp: float = 0.0
    low: float = np.inf
    high: float = -np.inf
    swing: float = 0.0
    samples: int = 0
    demand: float = 0.0
    demand_n: int = 0
    air: float = 0.0
    air_n: int = 0

    def add(self, b: Seconds, lo: int, hi: int) -> None:
        """Take seconds [lo, hi)."""
        if b.demand is not None:
            known = b.demand[lo:hi]
            known = known[~np.isnan(known)]
            self.demand += float(known.sum())
            self.demand_n += len(known)
        if b.air_pa is not None:
            known = b.air_pa[lo:hi]
            known = known[~np.isnan(known)]
            self.air += float(known.sum())
            self.air_n += len(known)
        p, sec, low, high = b.mean_pa[lo:hi], b.sec[lo:hi], b.low_pa[lo:hi], b.high_pa[lo:hi]
        good = ~np.isnan(p)
        if not good.all():
            p, sec, low, high = p[good], sec[good], low[good], high[good]
            self.bad += hi - lo - len(p)
            if not len(p):
                return
        t = (sec - self.t0).astype(np.float64)
        self.n += len(p)
        self.p += float(np.add.reduce(p))
        self.t += float(np.add.reduce(t))
        self.tt += float(t @ t)
        self.tp += float(t @ p)
        self.low = min(self.low, float(np.minimum.reduce(low)))
        self.high = max(self.high, float(np.maximum.reduce(high)))
        self.swing += float(np.add.reduce(high - low))
        self.samples += int(np.add.reduce(b.n[lo:hi]))

    def add_one(self, b: Seconds, i: int) -> None:
        """Take second i: the same as `add`, in plain numbers, which are faster for one."""
        if b.demand is not None and (demand := b.demand.item(i)) == demand:
            self.demand += demand
            self.demand_n += 1
        if b.air_pa is not None and (air := b.air_pa.item(i)) == air:
            self.air += air
            self.air_n += 1
        p = b.mean_pa.item(i)
        if p != p:
            self.bad += 1
            return
        t, low, high = float(b.sec.item(i) - self.t0), b.low_pa.item(i), b.high_pa.item(i)
        self.n += 1
        self.p += p
        self.t += t
        self.tt += t * t
        self.tp += t * p
        self.low = min(self.low, low)
        self.high = max(self.high, high)
        self.swing += high - low
        self.samples += b.n.item(i)

    def features(self) -> dict[str, float | None]:
        """Level, slope and the like of the stretch, in SI."""
        bottom = self.n * self.tt - self.t * self.t
        slope = (self.n * self.tp - self.t * self.p) / bottom if bottom > 0 else None
        return {
            "level_pa": self.p / self.n if self.n else None,
            "low_pa": self.low if self.n else None,
            "high_pa": self.high if self.n else None,
            "slope_pa_s": slope,
            "swing_pa": self.swing / self.n if self.n else None,
            "null_share": self.bad / (self.n + self.bad) if self.n + self.bad else None,
            "demand_share": self.demand / self.demand_n if self.demand_n else None,
            "air_pa": self.air / self.air_n if self.air_n else None,
        }


@dataclass(slots=True)
class Rest:
    """The rest that is going on: its level in whole decades of seconds, its sums."""

    level_pa: float = NAN
    swing_pa: float = NAN
    last_rest_s: float | None = None
    start_sec: int | None = None
    end_sec: int = 0
    first_level_pa: float = NAN
    _sums: Sums = field(default_factory=Sums)
    _decade: int = -1
    _decade_n: int = 0
    _decade_sum: float = 0.0

    def begin(self, level_pa: float | None) -> None:
        """A run ended; the rest starts at the level the run ended on."""
        if level_pa is not None and level_pa == level_pa:
            self.level_pa = level_pa
        self.start_sec = None
        self._decade = -1

    def close(self, pump: str) -> list[Episode]:
        """The rest is over: its last summary, and its length for the run that follows."""
        if self.start_sec is None:
            self.last_rest_s = 0.0
            return []
        self.last_rest_s = float(self.end_sec - self.start_sec)
        out = [self._episode(pump, open_=False)]
        self._learn_swing()
        self.start_sec = None
        self._decade = -1
        return out

    def _episode(self, pump: str, *, open_: bool) -> Episode:
        features = self._sums.features()
        features["first_level_pa"] = None if np.isnan(self.first_level_pa) else self.first_level_pa
        features["window_s"] = float(self._sums.n + self._sums.bad)
        start = float(self.start_sec or 0)
        return Episode(pump, "dead-head", start, float(self.end_sec), open_, 0, features)

    def eat(
        self, pump: str, b: Seconds, i: int, moved: BoolArray, drop_pa: float
    ) -> tuple[int, bool, list[Episode]]:
        """Take the resting seconds [i, i + len(moved)) until something moves.

        Gives the index of the first second not taken, whether it moved, and the summaries due.
        """
        end = i + len(moved)
        stop = self._first_move(b, i, moved, drop_pa)
        found: list[Episode] = []
        if stop > i and self.start_sec is None:
            self._open(int(b.sec[i]))
        while i < stop:
            start = self.start_sec or 0
            due = start + summary_due(self.end_sec - start if self.end_sec > start else 0)
            k = min(stop, int(np.searchsorted(b.sec, due)))
            k = max(k, i + 1)
            self._sums.add(b, i, k)
            self._levels(b, i, k)
            self.end_sec = int(b.sec[k - 1]) + 1
            if self.end_sec >= due:
                found.append(self._episode(pump, open_=True))
                self._learn_swing()
                self._sums = Sums(t0=self.end_sec)
            i = k
        return stop, stop < end, found

    def eat_one(
        self, pump: str, b: Seconds, i: int, drop_pa: float, *, moved: bool
    ) -> tuple[bool, list[Episode]]:
        """`eat` for the single second i, as a live message brings it: (did it move, summaries)."""
        sec, mean = b.sec.item(i), b.mean_pa.item(i)
        level, decade = self._level_now(mean), sec // DECADE_S
        if self._decade not in (-1, decade) and self._decade_n >= 3:
            level = self._decade_sum / self._decade_n
        low = level - b.low_pa.item(i) > self._low_drop(drop_pa)
        if moved or low or level - mean > 0.5 * drop_pa:
            return True, []
        if self.start_sec is None:
            self._open(sec)
        start = self.start_sec or 0
        due = start + summary_due(self.end_sec - start if self.end_sec > start else 0)
        self._sums.add_one(b, i)
        self.level_pa = self._level_now(mean)
        if self.first_level_pa != self.first_level_pa:
            self.first_level_pa = mean
        self._count_decade(decade, mean if mean == mean else 0.0, int(mean == mean))
        self.end_sec = sec + 1
        if self.end_sec < due:
            return False, []
        found = [self._episode(pump, open_=True)]
        self._learn_swing()
        self._sums = Sums(t0=self.end_sec)
        return False, found

    def _open(self, sec: int) -> None:
        """A rest begins."""
        self.start_sec = sec
        self.first_level_pa = NAN
        self._sums = Sums(t0=sec)

    def _level_now(self, mean: float) -> float:
        """The level, or when nothing is known yet the first good second."""
        return self.level_pa if self.level_pa == self.level_pa else mean

    def _low_drop(self, drop_pa: float) -> float:
        """A single sample this far down is no noise: 3 times a quiet second's own swing."""
        if self.swing_pa != self.swing_pa:
            return drop_pa
        return min(max(LOW_SWINGS * self.swing_pa, LEAST_LOW_PA), drop_pa)

    def startled(self) -> None:
        """A run without a stroke: a creep saws in the restart band; be half as easily moved."""
        was = 0.0 if np.isnan(self.swing_pa) else self.swing_pa
        self.swing_pa = max(1.5 * was, LEAST_LOW_PA / LOW_SWINGS * 1.5)

    def _learn_swing(self) -> None:
        """Take over the mean swing of a summed stretch, were it long enough."""
        if self._sums.n >= 20:
            swing = self._sums.swing / self._sums.n
            was = swing if np.isnan(self.swing_pa) else self.swing_pa
            self.swing_pa = 0.7 * was + 0.3 * swing

    def _first_move(self, b: Seconds, i: int, moved: BoolArray, drop_pa: float) -> int:
        """Index of the first second with a stroke, an open valve or a fall; the end if none."""
        end = i + len(moved)
        level = self._level_ahead(b, i, end)
        low = level - b.low_pa[i:end] > self._low_drop(drop_pa)
        active = moved | (level - b.mean_pa[i:end] > 0.5 * drop_pa) | low
        first = int(active.argmax())
        return i + first if active[first] else end

    def _level_ahead(self, b: Seconds, i: int, end: int) -> FloatArray:
        """The level each coming second is compared with, were all before it at rest."""
        mean, sec = b.mean_pa[i:end], b.sec[i:end]
        level = self.level_pa
        if level != level:
            level = self._opening_level(mean)
        first, last = sec.item(0) // DECADE_S, sec.item(-1) // DECADE_S
        if last == first and self._decade in (-1, first):
            return np.full(len(mean), level)
        _, at = _decades(sec)
        total, n = _sums(mean, at)
        before_sum, before_n = self._decade_sum, self._decade_n
        if self._decade == first:
            total[0] += before_sum
            n[0] += before_n
        elif self._decade != -1 and before_n >= 3:
            level = before_sum / before_n
        levels = []
        for s, c in zip(total, n, strict=True):
            levels.append(level)
            if c >= 3:
                level = s / c
        sizes = [*(at[1:] - at[:-1]).tolist(), len(mean) - at.item(-1)]
        return np.repeat(np.array(levels), sizes)

    def _opening_level(self, mean: FloatArray) -> float:
        """A first level when nothing is known: the first good second."""
        good = mean[~np.isnan(mean)]
        return float(good[0]) if len(good) else NAN

    def _levels(self, b: Seconds, i: int, k: int) -> None:
        """Carry the level over the resting seconds [i, k)."""
        mean = b.mean_pa[i:k]
        if self.level_pa != self.level_pa:
            self.level_pa = self._opening_level(mean)
        if self.first_level_pa != self.first_level_pa:
            self.first_level_pa = self._opening_level(mean)
        decades, at = _decades(b.sec[i:k])
        for d, s, c in zip(decades, *_sums(mean, at), strict=True):
            self._count_decade(d, s, c)

    def _count_decade(self, d: int, total: float, count: int) -> None:
        """Seconds of one decade; a new decade takes over the level of the one before."""
        if d != self._decade:
            if self._decade_n >= 3 and self._decade != -1:
                self.level_pa = self._decade_sum / self._decade_n
            self._decade, self._decade_sum, self._decade_n = d, 0.0, 0
        self._decade_sum += total
        self._decade_n += count
