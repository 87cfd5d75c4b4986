"""Which dips of the pressure are strokes, and which are echoes and ringing of the line."""

from collections import deque
from dataclasses import dataclass
from statistics import median

import numpy as np
from numpy.typing import NDArray

PA_PER_PSI = 6894.757293168


@dataclass(frozen=True, slots=True)
class DipRule:
    """What counts as a dip and as a stroke. Units: Pa and s."""

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
    wait_s: float = 0.6
    """Chosen: a dip is decided on when this much after it is known; 1 s is what a message may be
    late."""
    echo_share: float = 0.5
    """Of the neighbour's depth; chosen: half, alternation from a leaking ball stays above it."""
    same_share: float = 0.9
    """Chosen: a next dip as low as this is a row of strokes; ringing decays faster."""
    swing_back: float = 0.5
    """Of the way down, the way up over the level after it. A free oscillation damped to less than
    0.21 of critical swings back by more (half-cycle ratio exp(-pi z/sqrt(1-z^2))), and a hose is
    damped far less; a stroke's dip comes from the level and goes back to it."""
    slight_share: float = 0.25
    """Of this pump's usual depth; the dips of one pump differ by 2.4 between its flows (computed),
    so one of a quarter is none of its strokes."""
    ring_s: float = 0.2
    """Ringing of a hose of this class is faster than this (computed: 8 Hz)."""
    known_after: int = 5
    window_s: float = 6.0
    """Chosen: several strokes at the slowest rate worth counting."""
    slowest_rate_hz: float = 90.0
    """100 samples a second, with the tolerance of an ordinary oscillator and driver."""


@dataclass(slots=True)
class Dip:
    """A fall and a rise: when it was lowest, how low, from how far above."""

    at_s: float
    low: float
    fall: float
    rise: float = 0.0

    @property
    def depth(self) -> float:
        """The lesser of fall and rise."""
        return min(self.fall, self.rise)


class Sieve:
    """Lets strokes through, `wait_s` after they were, when both neighbours are known."""

    def __init__(self, rule: DipRule, step_s: float) -> None:
        self._rule = rule
        self._step_s = step_s
        self._pending: deque[Dip] = deque()
        self._left: Dip | None = None
        self._typical: deque[float] = deque(maxlen=20)
        self._slight: list[float] = []

    @property
    def last_at_s(self) -> float:
        """When the last dip offered, or else the last stroke, was lowest; -inf before any."""
        last = self._pending[-1] if self._pending else self._left
        return last.at_s if last is not None else float("-inf")

    def offer(self, dip: Dip) -> None:
        """Take in a dip; times never go back."""
        self._pending.append(dip)

    def strokes(self, now_s: float, past: NDArray[np.float64], past_from_s: float) -> list[float]:
        """The strokes decided on by now; past: the pressure of the last seconds, evenly sampled."""
        out: list[float] = []
        while self._pending and now_s - self._pending[0].at_s >= self._rule.wait_s:
            dip = self._pending.popleft()
            right = self._pending[0] if self._pending else None
            if right is not None and right.at_s - dip.at_s > self._rule.wait_s:
                right = None
            if self._is_stroke(dip, right, past, past_from_s):
                out.append(dip.at_s)
                self._typical.append(dip.depth)
                self._left = dip
        return out

    def _is_stroke(
        self, dip: Dip, right: Dip | None, past: NDArray[np.float64], past_from_s: float
    ) -> bool:
        low = max(0, round((dip.at_s - past_from_s) / self._step_s))
        end = low + max(1, round(self._rule.wait_s / self._step_s))
        until = end if right is None else round((right.at_s - past_from_s) / self._step_s)
        dip.rise = _highest(past[low : max(until, low + 1)], dip.low) - dip.low
        after = past[low:end]
        after = after[~np.isnan(after)]
        level = float(np.median(after[len(after) // 3 :])) if len(after) > 8 else dip.low
        row = self._row(dip, right, level)
        ringing = row < self._rule.same_share and self._swings_back(dip, after, level)
        return not (ringing or self._is_echo(dip, row) or self._is_slight(dip))

    def _row(self, dip: Dip, right: Dip | None, level: float) -> float:
        """How far the next dip goes below the level that came after, as a share of this one."""
        down = level - dip.low
        if right is None or down <= 0:
            return 0.0
        return (level - right.low) / down

    def _is_echo(self, dip: Dip, row: float) -> bool:
        """Far less deep than the stroke just before it, and the row does not go on like that."""
        rule, left = self._rule, self._left
        if left is None or dip.at_s - left.at_s > rule.wait_s:
            return False
        if dip.depth >= rule.echo_share * left.depth:
            return False
        return not rule.same_share <= row <= 1.0 / rule.echo_share

    def _swings_back(self, dip: Dip, after: NDArray[np.float64], level: float) -> bool:
        """Whether it went as well to the other side of the level that came after it."""
        soon = after[: max(1, round(self._rule.ring_s / self._step_s))]
        return _highest(soon, level) - level > self._rule.swing_back * (level - dip.low) > 0

    def _is_slight(self, dip: Dip) -> bool:
        """Far shallower than this pump's dips: the line moved when a valve opened or closed.

        Once such dips come in a regular row, they are the pump's new way, and it begins to learn.
        """
        rule, typical = self._rule, self._typical
        if len(typical) < rule.known_after or dip.depth >= rule.slight_share * median(typical):
            self._slight.clear()
            return False
        if self._slight and not rule.ring_s < dip.at_s - self._slight[-1] < rule.window_s:
            self._slight.clear()
        self._slight.append(dip.at_s)
        if len(self._slight) > rule.known_after:
            typical.clear()
        return True


def _highest(samples: NDArray[np.float64], least: float) -> float:
    return float(np.max(samples, initial=least, where=~np.isnan(samples)))
