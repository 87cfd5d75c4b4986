"""The saw between strokes: a piston that sticks and slips, and a column that swings, while liquid
leaves the line.

Sticking takes compliance x friction band / flow, swinging the root of compliance x inertance, so
that at the same flow the period of the saw grows with the line's compliance, at least as its root,
and a draw of two strokes holds tens of teeth.
"""

import numpy as np

from monitor.signals.types import FloatArray

AFTER_STROKE_S, BEFORE_STROKE_S = 0.6, 0.15
"""What a reversal's dip takes (chosen: a valve takes 0.1 to 0.3 s)."""
LEAST_S = 1.0
"""A shorter stretch tells too little of a period (chosen)."""
MOST_SAMPLES = 600
"""Half a minute at 20 Hz holds teeth enough (chosen)."""
MOST_LAG_S = 2.0
"""Longest tooth looked for (chosen); with slower ones the dips' slopes are seen well."""
FAINT, PLAIN = 0.25, 0.5
"""What the autocorrelation must rise by from its first low to its next high: of noise the
difference of two of its values has a standard error of (2/n)^0.5 (Bartlett 1946), 0.14 over a
hundred samples, and some tens are looked at. Behind a faint high there may be a plain one, of every
second tooth."""


def period_s(ts: FloatArray, p: FloatArray, stroke_ts: FloatArray, dt_s: float) -> float | None:
    """Period (s) of the saw in a trace (s, Pa) between its strokes; None where there is none.

    The lag of the autocorrelation's first high beyond its first low, a parabola through its three
    points.
    """
    last_lag = round(MOST_LAG_S / dt_s)
    x = _joined(ts, p, stroke_ts, round(LEAST_S / dt_s), last_lag)
    if x is None:
        return None
    own = float(x @ x)
    low = before = here = 1.0
    for lag in range(1, last_lag):
        after = float(x[lag:] @ x[:-lag]) / own
        if here > max(before, after) and here > low + FAINT:
            bend = before - 2.0 * here + after
            return dt_s * (lag - 1 + 0.5 * (before - after) / bend) if here > low + PLAIN else None
        before, here = here, after
        low = min(low, here)
    return None


def _joined(
    ts: FloatArray, p: FloatArray, stroke_ts: FloatArray, least: int, gap: int
) -> FloatArray | None:
    """The stretches between strokes, each freed of its line, apart by as many zeros as the longest
    lag; None of too few samples."""
    starts = ts.searchsorted(stroke_ts + AFTER_STROKE_S)
    ends = ts.searchsorted(stroke_ts - BEFORE_STROKE_S)[1:]
    parts: list[FloatArray] = []
    samples = 0
    for lo, hi in zip(starts.tolist(), ends.tolist(), strict=False):
        if hi - lo >= least:
            part = p[lo:hi]
            n = np.arange(hi - lo) - 0.5 * (hi - lo - 1)
            part = part - part.mean()
            parts += [part - n * float(n @ part) / float(n @ n), np.zeros(gap)]
            samples += hi - lo
        if samples >= MOST_SAMPLES:
            break
    x = np.concatenate(parts) if samples >= 2 * least else None
    return x if x is not None and float(x @ x) > 0.0 else None
