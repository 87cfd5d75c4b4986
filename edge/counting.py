"""Totals that only grow, from counters that wrap, restart or bounce."""

from dataclasses import dataclass

LOCK_OUT_S = 0.015
"""Between 10 and 20 ms: contact bounce lasts about 1 ms (from memory)."""
SHORTEST_STROKE_S = 0.040
"""The smallest pump strokes every 60 ms at most (computed); under 40 ms it is bounce."""


class Growing:
    """A total that only grows, fed with readings of a counter of so many bits.

    A reading under the one before means a wrap if it came from the top quarter into the bottom
    quarter, else that the device restarted and has counted `reading` since (RFC 8428 section
    4.5.4 names the same two cases for sums). Restarts are counted in `restarts`.
    """

    def __init__(self, bits: int = 32) -> None:
        self._modulus = 1 << bits
        self._last: int | None = None
        self.total = 0
        self.restarts = 0

    def feed(self, reading: int) -> int:
        """The total after this reading; the first reading counts nothing."""
        if self._last is not None:
            step = reading - self._last
            if step < 0:
                quarter = self._modulus // 4
                if self._last >= self._modulus - quarter and reading < quarter:
                    step += self._modulus
                else:
                    self.restarts += 1
                    step = reading
            self.total += step
        self._last = reading
        return self.total


@dataclass(slots=True)
class LockOut:
    """Lets one edge through, then none for a while."""

    lock_out_s: float = LOCK_OUT_S
    last_s: float | None = None
    bounces: int = 0

    def passes(self, at_s: float) -> bool:
        """True for an edge that is a stroke; the others are counted."""
        if self.last_s is not None and at_s - self.last_s < self.lock_out_s:
            self.bounces += 1
            return False
        self.last_s = at_s
        return True
