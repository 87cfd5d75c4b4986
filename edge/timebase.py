"""Unix time for samples stamped on the steady clock, through clock steps and before it is set.

Samples are evenly spaced on a clock that never steps; the difference to the wall clock is added
when a message leaves. When the wall clock steps, messages from then on have the new time; their
identity is (pump, boot, seq), so none is lost or doubled by it.
"""

import ctypes
from functools import cache

STEP_US = 500_000
"""Chosen: NTP slews small errors (its step threshold is 128 ms); a reading takes microseconds."""
FOLLOW_US = 5_000
"""Chosen: under it a difference is the reading's own jitter, and the grid stays perfectly even."""
EARLIEST_US = 1_577_836_800_000_000
"""2020-01-01: before it the clock was never set, as on boards without a battery."""
TIME_ERROR = 5
"""adjtimex(2): the clock is not synchronised."""


class Timebase:
    """The difference wall - steady, followed; counts the wall clock's steps."""

    def __init__(self) -> None:
        self._offset_us: int | None = None
        self.steps = 0

    def follow(self, wall_us: int, steady_us: int) -> None:
        """Look at both clocks (taken together) once a second or so."""
        offset_us = wall_us - steady_us
        if self._offset_us is None:
            self._offset_us = offset_us
            return
        moved_us = abs(offset_us - self._offset_us)
        if moved_us > STEP_US:
            self.steps += 1
        if moved_us > FOLLOW_US:
            self._offset_us = offset_us

    @property
    def offset_us(self) -> int:
        """To add to steady microseconds."""
        return self._offset_us or 0

    def is_set(self, steady_us: int) -> bool:
        """Whether the wall clock can be true at all."""
        return self._offset_us is not None and steady_us + self._offset_us >= EARLIEST_US


@cache
def _libc() -> ctypes.CDLL | None:
    try:
        return ctypes.CDLL(None, use_errno=True)
    except OSError:
        return None


def is_synchronised() -> bool:
    """Whether the kernel says that something (NTP, PTP, GNSS) keeps the clock right.

    ntp_adjtime with modes 0 only reads; 256 bytes hold struct timex on every Linux.
    """
    libc = _libc()
    if libc is None or not hasattr(libc, "ntp_adjtime"):
        return False
    return 0 <= int(libc.ntp_adjtime(ctypes.create_string_buffer(256))) < TIME_ERROR
