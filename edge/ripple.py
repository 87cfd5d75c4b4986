"""Counts strokes from the dips that each reversal leaves in the discharge pressure.

A dip is a fall and a rise of at least a threshold (hysteresis), so noise and slow drift count
nothing, and both within a second, so a draw as a whole is no dip. The threshold follows the
signal: 8 times the noise left after a short mean, 15 % of its swing or 1 psi, whichever is largest
(computed for dips of 60 to 170 ms; below 1 psi gas in the line has softened them). Dips closer
than the refractory time are one. What of them are strokes, and what echoes and ringing of the
line, is sifted in `edge.dips`: tried on finger pulse, whose second hump must not count.

Count at 100 samples a second or more: a 60 ms dip then has 6 samples. Blind at stall creep, near
open flow and with much gas in the line; it then says "not countable", and a counter is needed.
"""

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from edge.dips import Dip, DipRule, Sieve

LEARN_EVERY_S = 1.0
"""Chosen: the signal's ways change slower, and percentiles cost more than the counting."""


class Verdict(StrEnum):
    """Whether strokes could be counted in a block of samples."""

    OK = "countable"
    SMALL = "not countable: swing under the resolution"
    FLAT = "not usable: the reading does not move at all"
    MISSING = "not usable: more than half of the reads failed"
    SLOW = "not countable: under 100 samples a second"


@dataclass(frozen=True, slots=True, eq=False)
class Strokes:
    """stroke_s: times of the dips' lowest points, s from the first sample ever fed; verdict."""

    stroke_s: NDArray[np.float64]
    verdict: Verdict


class RippleCounter:
    """One pump's counter: feed it evenly sampled blocks, it gives the strokes it is sure of."""

    def __init__(self, step_s: float, rule: DipRule | None = None) -> None:
        self.rule = rule or DipRule()
        self.step_s = step_s
        self._n = 0
        self._width = 1 + 2 * round(rule_width(self.rule, step_s) / 2)
        self._tail: NDArray[np.float64] = np.full(self._width - 1, np.nan)
        self._window: NDArray[np.float64] = np.empty(0)
        self._threshold = self.rule.floor_pa
        self._learn_at = 0
        self._falling = False
        self._high = -np.inf
        self._low = np.inf
        self._low_at = 0
        self._gap = 0
        self._past: NDArray[np.float64] = np.empty(0)
        """The smoothed samples of the last seconds, up to and with the block being walked."""
        self._sieve = Sieve(self.rule, step_s)

    def feed(self, pressure_pa: NDArray[np.float64]) -> Strokes:
        """Count in the next block (NaN = failed read); blocks of 0.1 to 2 s are sensible."""
        start = self._n
        self._n += len(pressure_pa)
        if not len(pressure_pa):
            return Strokes(np.empty(0), Verdict.MISSING)
        if self.step_s * self.rule.slowest_rate_hz > 1:
            return Strokes(np.empty(0), Verdict.SLOW)
        keep = max(8, round(self.rule.window_s / self.step_s))
        self._window = np.concatenate([self._window, pressure_pa])[-keep:]
        if self._n >= self._learn_at:
            self._threshold = threshold_pa(self._window, self.rule, self._width)
            self._learn_at = self._n + round(LEARN_EVERY_S / self.step_s)
        with_tail = np.concatenate([self._tail, pressure_pa])
        self._tail = with_tail[len(with_tail) - self._width + 1 :]
        smooth = smoothed(with_tail, self._width)
        back = round(3 * self.rule.longest_s / self.step_s)
        self._past = np.concatenate([self._past[-back:], smooth])
        self._walk(smooth, start - self._width // 2)
        return Strokes(self._strokes(self._n * self.step_s), self._judge(pressure_pa, smooth))

    def finish(self) -> NDArray[np.float64]:
        """The strokes that still wait, once no more samples will come."""
        return self._strokes(np.inf)

    def _strokes(self, now_s: float) -> NDArray[np.float64]:
        return np.array(self._sieve.strokes(now_s, self._past, self._past_start * self.step_s))

    @property
    def _past_start(self) -> int:
        return self._n - self._width // 2 - len(self._past)

    def _walk(self, pressure_pa: NDArray[np.float64], start: int) -> None:
        threshold = self._threshold
        for index, p in enumerate(pressure_pa.tolist(), start):
            if p != p:
                self._gap += 1
                continue
            if self._gap * self.step_s > self.rule.wait_s:
                self._falling, self._high = False, p
            self._gap = 0
            if self._falling:
                if p < self._low:
                    self._low, self._low_at = p, index
                elif p - self._low >= threshold:
                    self._dip(index)
                    self._falling, self._high = False, p
            elif p > self._high:
                self._high = p
            elif self._high - p >= threshold:
                self._falling, self._low, self._low_at = True, p, index

    def _dip(self, index: int) -> None:
        """A fall and a rise are complete: a dip, if both were near its lowest point."""
        near = round(self.rule.longest_s / self.step_s)
        at_s = self._low_at * self.step_s
        last_s = self._sieve.last_at_s
        if index - self._low_at > near or at_s - last_s < self.rule.refractory_s:
            return
        first = self._low_at - near
        if last_s > first * self.step_s:
            first = round(last_s / self.step_s)
        start = self._past_start
        before = self._past[max(0, first - start) : max(0, self._low_at - start) + 1]
        fall = float(np.max(before, initial=self._low, where=~np.isnan(before))) - self._low
        if fall >= self._threshold:
            self._sieve.offer(Dip(at_s, self._low, fall))

    def _judge(self, block: NDArray[np.float64], smooth: NDArray[np.float64]) -> Verdict:
        good = block[~np.isnan(block)]
        if 2 * len(good) < len(block) or not len(good):
            return Verdict.MISSING
        if good.max() == good.min() and len(block) * self.step_s > 0.2:
            return Verdict.FLAT
        smooth = smooth[~np.isnan(smooth)]
        swing = float(np.ptp(smooth)) if len(smooth) else 0.0
        return Verdict.OK if swing >= self._threshold else Verdict.SMALL


def rule_width(rule: DipRule, step_s: float) -> int:
    """Samples in the smoothing time."""
    return round(rule.smooth_s / step_s)


def smoothed(samples: NDArray[np.float64], width: int) -> NDArray[np.float64]:
    """Running mean of `width` samples over what was read; float64[n - width + 1]."""
    good = ~np.isnan(samples)
    ones = np.ones(width)
    number = np.convolve(good, ones, "valid")
    total = np.convolve(np.where(good, samples, 0.0), ones, "valid")
    return np.where(number > width // 2, total / np.maximum(number, 1), np.nan)


def threshold_pa(pressure_pa: NDArray[np.float64], rule: DipRule, width: int) -> float:
    """The fall and rise that make a dip in these samples: max(8 sigma, 15 % of swing, 1 psi).

    sigma from the median absolute second difference (which a slope does not touch) over
    sqrt(6) x 0.6745, the factors of white normal noise; a mean of `width` has 1/sqrt(width) of it.
    """
    good = pressure_pa[~np.isnan(pressure_pa)]
    if len(good) < 8:
        return rule.floor_pa
    p05, p95 = np.percentile(good, (5, 95))
    sigma = float(np.median(np.abs(np.diff(good, 2)))) / (np.sqrt(6.0) * 0.6744897501960817)
    sigma /= np.sqrt(width)
    return float(max(rule.noise_sigmas * sigma, rule.swing_share * (p95 - p05), rule.floor_pa))


def count_strokes(
    pressure_pa: NDArray[np.float64], step_s: float, rule: DipRule | None = None
) -> tuple[NDArray[np.float64], list[Verdict]]:
    """Strokes in a whole recording: (times in s from the first sample, one verdict a second).

    pressure_pa: float64[n], NaN = failed read, evenly sampled every step_s.
    """
    counter = RippleCounter(step_s, rule)
    block = max(1, round(1.0 / step_s))
    parts = [counter.feed(pressure_pa[i : i + block]) for i in range(0, len(pressure_pa), block)]
    times = [part.stroke_s for part in parts]
    return np.concatenate([*times, counter.finish()]), [part.verdict for part in parts]


def compare(counter_strokes: int, ripple_strokes: int, least: int = 20) -> str:
    """What a counter's strokes against the ripple's over the same countable time mean.

    Empty when they agree or when fewer than `least` strokes (chosen: 2 in 20 may be missed) do
    not allow a word.
    """
    if max(counter_strokes, ripple_strokes) < least:
        return ""
    if counter_strokes == 0:
        return "the stroke counter is dead: the pressure shows strokes, it shows none"
    ratio = ripple_strokes / counter_strokes
    if ratio > 1.6:
        return "the counter gives one pulse a cycle or misses strokes: it shows half of the ripple"
    if ratio < 0.63:
        return "the counter bounces or counts two pulses a stroke: it shows twice the ripple"
    return ""
