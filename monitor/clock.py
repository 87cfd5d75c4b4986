"""The one place that asks the time; everything else takes it as an argument."""

import time
from collections.abc import Callable

Clock = Callable[[], float]


def now_ts() -> float:
    """Unix time in seconds, UTC."""
    return time.time()


def steady_s() -> float:
    """Seconds on a clock that never steps, for durations only."""
    return time.monotonic()
