"""New strokes out of a counter that only grows: wraps and restarts resolved."""

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Floats = NDArray[np.float64]

WRAPS = (1 << 16, 1 << 32)
"""Registers are 16 or 32 bits wide (Modbus application protocol v1.1b3: registers of 16 bits)."""
MAX_RATE = 20.0
"""Strokes a second; a small double-diaphragm pump cannot run faster (chosen above 16/s)."""
LONGEST_S = 86_400.0
"""Chosen: over more than a day between two readings no jump is called possible."""
SLACK = 2
"""Strokes that may fall between a reading and its time stamp."""


def increments(total: Ints, elapsed_s: Floats, per_pulse: int = 1) -> tuple[Ints, Ints]:
    """(new strokes at each reading after the first, flags where the counter started again).

    total: n readings; elapsed_s: n - 1 times between them. A smaller reading is a wrap when that
    gives a possible rate, else a restart, which counts from zero if that is possible, or adds
    nothing. A jump forward beyond what a pump can do adds nothing either.
    """
    longest_s = np.minimum(elapsed_s, LONGEST_S)
    possible = (longest_s * MAX_RATE / per_pulse + SLACK).astype(np.int64)
    step = np.diff(total)
    restarted = np.zeros(len(step), np.int64)
    odd = np.flatnonzero((step < 0) | (step > possible))
    for i in odd.tolist():
        step[i], restarted[i] = _resolve(int(total[i]), int(total[i + 1]), int(possible[i]))
    return step * per_pulse, restarted


def _resolve(before: int, after: int, possible: int) -> tuple[int, int]:
    if after < before:
        for size in WRAPS:
            if before < size and size - before + after <= possible:
                return size - before + after, 0
        return (after, 1) if after <= possible else (0, 1)
    return 0, 1


def stroke_times(t_ts: Floats, before_ts: Floats, new: Ints) -> Floats:
    """One time a stroke: those of a reading are spread evenly over (before, t], at most 1 s each.

    With one stroke a reading that is the reading's own time.
    """
    some = np.flatnonzero(new > 0)
    if len(some) == 0:
        return np.empty(0)
    counts = new[some]
    if counts.max() == 1:
        return np.asarray(t_ts[some], np.float64)
    spacing = np.minimum((t_ts[some] - before_ts[some]) / counts, 1.0)
    total = int(counts.sum())
    rank = np.repeat(np.cumsum(counts), counts) - 1 - np.arange(total)
    times = np.repeat(t_ts[some], counts) - rank * np.repeat(spacing, counts)
    return np.asarray(times, np.float64)
