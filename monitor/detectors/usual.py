"""What is usual of one feature of a pump's draws: median, spread, extremes of the last of them."""

from bisect import insort
from collections import deque
from dataclasses import dataclass, field

KEPT_DRAWS = 60
"""Draws a usual value is taken over: a median of 60 has a standard error of 0.16 sigma."""
ENOUGH = 5
"""Draws before a usual value is used at all: a median of 5 withstands two odd ones."""


_FIVE_PERCENT = tuple((round(0.05 * (n - 1)), round(0.95 * (n - 1))) for n in range(KEPT_DRAWS + 1))
"""Where the 5th and the 95th percentile of so many sorted values stand."""


def _median(rising: list[float]) -> float:
    half = len(rising) // 2
    return rising[half] if len(rising) % 2 else 0.5 * (rising[half - 1] + rising[half])


@dataclass(slots=True)
class Usual:
    """A running picture of one feature over the last draws; its figures are None before enough.

    median; low, high: 5th and 95th percentile. Asked at every event, they are made once a draw.
    """

    values: deque[float] = field(default_factory=lambda: deque(maxlen=KEPT_DRAWS))
    median: float | None = None
    low: float | None = None
    high: float | None = None
    _rising: list[float] = field(default_factory=list)
    _spread: float | None = None

    def add(self, value: float) -> None:
        """Take one draw's value."""
        rising = self._rising
        if len(rising) == KEPT_DRAWS:
            rising.remove(self.values[0])
        self.values.append(value)
        insort(rising, value)
        self._spread = None
        if self.known:
            low, high = _FIVE_PERCENT[len(rising)]
            self.median, self.low, self.high = _median(rising), rising[low], rising[high]

    def _at(self, share: float) -> float:
        return self._rising[round(share * (len(self._rising) - 1))]

    @property
    def known(self) -> bool:
        """Enough draws to be used."""
        return len(self._rising) >= ENOUGH

    @property
    def spread(self) -> float | None:
        """Robust standard deviation, None before enough draws."""
        if self._spread is None and self.median is not None:
            middle, half = self.median, len(self._rising) // 2
            off = [middle - x for x in self._rising[:half]]
            off += [x - middle for x in self._rising[half:]]
            self._spread = 1.4826 * _median(sorted(off))
        return self._spread

    @property
    def range_ratio(self) -> float | None:
        """90th over 10th percentile; None before enough draws."""
        if not self.known:
            return None
        low = self._at(0.1)
        return self._at(0.9) / low if low > 0 else None
