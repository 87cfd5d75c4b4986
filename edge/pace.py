"""The time of a source that makes its own: from a start, at a speed, never two jumps at once."""

from datetime import datetime

from edge.errors import SourceError

LONGEST_STEP_S = 60.0
"""Simulated. Chosen: a node that was held up (full outbox, suspended machine) goes on, it does not
leap, and what a dozen pumps say in it fits into one sending."""
FASTEST = 600.0
"""Simulated seconds in a second: ten looks a second of the longest step."""


class Pace:
    """Simulated Unix time in us; stands at start_us until the first step."""

    def __init__(self, start_us: int, speed: float) -> None:
        self.at_us = start_us
        self._speed = speed
        self._last_us: int | None = None

    def step(self, steady_us: int) -> int:
        """The simulated time at this time of the steady clock."""
        if self._last_us is not None:
            passed_us = max(0, steady_us - self._last_us) * self._speed
            self.at_us += round(min(passed_us, LONGEST_STEP_S * 1e6))
        self._last_us = steady_us
        return self.at_us


def unix_us(text: str) -> int:
    """Unix microseconds of an RFC 3339 time. Raises SourceError."""
    try:
        moment = datetime.fromisoformat(text)
    except ValueError as problem:
        raise SourceError(f"'{text}' is no time; write 2026-05-01T08:00:00Z") from problem
    if moment.tzinfo is None:
        raise SourceError(f"'{text}' has no offset; write it with a Z or +hh:mm at the end")
    return round(moment.timestamp() * 1e6)
