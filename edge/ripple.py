"""Counts strokes from the dips that each reversal leaves in the discharge pressure.

A dip is a fall and a rise of at least a threshold (hysteresis), so noise and slow drift count
nothing, and both within a second, so a draw as a whole is no dip. The threshold follows the
signal: 8 times the noise left after a short mean, 15 % of its swing or 1 psi, whichever is largest
(computed for dips of 60 to 170 ms; below 1 psi gas in the line has softened them). Dips closer
than the refractory time are one. A dip less than half as deep as both its neighbours is an echo,
not a stroke: tried on finger pulse, whose second hump must not count.

Count at 100 samples a second or more: a 60 ms dip then has 6 samples. Blind at stall creep, near
open flow and with much gas in the line; it then says "not countable", and a counter is needed.
"""

from collections import deque
from dataclasses import dataclass
from enum import StrEnum
from statistics import median

import numpy as np
from numpy.typing import NDArray

PA_PER_PSI = 6894.757293168
LEARN_EVERY_S = 1.0
"""Chosen: the signal's ways change slower, and percentiles cost more than the counting."""


@dataclass(frozen=True, slots=True)
class DipRule:
    """What counts as a dip. Units: Pa and s."""

    floor_pa: float = PA_PER_PSI
    """1 psi: softer dips are told from pressure ripple no more (computed)."""
    noise_sigmas: float = 8.0
    """Of the smoothed noise. White noise spans 2 sqrt(2 ln n) sigma in n samples: 7.7 sigma in the
    1500 of the window at 250 a second, and it is that span that must not count (computed)."""
    smooth_s: float = 0.024
    """Mean of 3 samples at 100 a second, 7 at 250: under half of the narrowest dip, 60 ms."""
    swing_share: float = 0.15
    """Of the 5 to 95 % span: under the rebound of a dip, over that of the hose (computed)."""
    refractory_s: float = 0.025
    """0.4 of the interval at the 16 strokes/s dry ceiling of the smallest pumps (computed)."""
    longest_s: float = 1.0
    """From the lowest point back to the fall and on to the rise; chosen: 6 of the widest dips."""
    echo_share: float = 0.5
    """Chosen: half; alternation from a leaking ball stays above it."""
    ring_share: float = 0.25
    """Of this pump's usual depth. A hose rings up to a fifth of a dip when a valve opens, and dips
    of one pump differ by 2.4 between its flows (computed), so a quarter parts them."""
    ring_s: float = 0.2
    """Ringing of a hose of this class is faster than this (computed: 8 Hz)."""
    known_after: int = 5
    echo_wait_s: float = 0.8
    """Chosen: the report of a stroke may wait this long for its right neighbour."""
    window_s: float = 6.0
    """Chosen: several strokes at the slowest rate worth counting."""
    slowest_rate_hz: float = 90.0
    """100 samples a second, with the tolerance of an ordinary oscillator and driver."""


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


@dataclass(slots=True)
class _Dip:
    at_s: float
    low: float
    fall: float
    rise: float = 0.0

    @property
    def depth(self) -> float:
        return min(self.fall, self.rise)


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
        self._left: _Dip | None = None
        """The last dip decided on; neighbour of the one that waits for its right neighbour."""
        self._waiting: _Dip | None = None
        self._typical: deque[float] = deque(maxlen=20)
        self._rings: list[float] = []
        self._out: list[float] = []

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
        self._decide(self._n * self.step_s)
        out = np.array(self._out)
        self._out.clear()
        return Strokes(out, self._judge(pressure_pa, smooth))

    def finish(self) -> NDArray[np.float64]:
        """The stroke that still waits, once no more samples will come."""
        self._decide(np.inf)
        out = np.array(self._out)
        self._out.clear()
        return out

    def _walk(self, pressure_pa: NDArray[np.float64], start: int) -> None:
        threshold = self._threshold
        past_start = start + len(pressure_pa) - len(self._past)
        for index, p in enumerate(pressure_pa.tolist(), start):
            if p != p:
                self._gap += 1
                continue
            if self._gap * self.step_s > self.rule.echo_wait_s:
                self._falling, self._high = False, p
            self._gap = 0
            if self._falling:
                if p < self._low:
                    self._low, self._low_at = p, index
                elif p - self._low >= threshold:
                    self._dip(index, past_start)
                    self._falling, self._high = False, p
            elif p > self._high:
                self._high = p
            elif self._high - p >= threshold:
                self._falling, self._low, self._low_at = True, p, index

    def _dip(self, index: int, past_start: int) -> None:
        """A fall and a rise are complete: a dip, if both were near its lowest point."""
        near = round(self.rule.longest_s / self.step_s)
        if index - self._low_at > near:
            return
        last = self._waiting or self._left
        from_at = self._low_at - near
        if last is not None:
            from_at = max(from_at, round(last.at_s / self.step_s))
        before = self._past[max(0, from_at - past_start) : max(0, self._low_at - past_start) + 1]
        fall = float(np.max(before, initial=self._low, where=~np.isnan(before))) - self._low
        if fall < self._threshold:
            return
        dip = _Dip(self._low_at * self.step_s, self._low, fall)
        if last is not None and dip.at_s - last.at_s < self.rule.refractory_s:
            return
        self._decide(dip.at_s, right=dip)
        self._waiting = dip

    def _decide(self, now_s: float, right: _Dip | None = None) -> None:
        """Tell or drop the waiting dip, once its right neighbour is known or will not come."""
        dip = self._waiting
        if dip is None or (right is None and now_s - dip.at_s < self.rule.echo_wait_s):
            return
        dip.rise = self._high - dip.low
        self._waiting = None
        if self._is_echo(dip, right) or self._is_ringing(dip):
            return
        self._out.append(dip.at_s)
        self._typical.append(dip.depth)
        self._left = dip

    def _is_echo(self, dip: _Dip, right: _Dip | None) -> bool:
        """Less than half as deep as the neighbours within reach, of which there is one at least."""
        wait_s, share, left = self.rule.echo_wait_s, self.rule.echo_share, self._left
        near = []
        if left is not None and dip.at_s - left.at_s <= wait_s:
            near.append(left.depth)
        if right is not None and right.at_s - dip.at_s <= wait_s:
            near.append(right.fall)
        return bool(near) and all(dip.depth < share * depth for depth in near)

    def _is_ringing(self, dip: _Dip) -> bool:
        """Far shallower than this pump's dips: the hose rings when a valve opens or closes.

        Once such dips come in a regular row, they are the pump's new way, and it begins to learn.
        """
        rule, typical = self.rule, self._typical
        if len(typical) < rule.known_after or dip.depth >= rule.ring_share * median(typical):
            self._rings.clear()
            return False
        if self._rings and not rule.ring_s < dip.at_s - self._rings[-1] < rule.window_s:
            self._rings.clear()
        self._rings.append(dip.at_s)
        if len(self._rings) > rule.known_after:
            typical.clear()
        return True

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
