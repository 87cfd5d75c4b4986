"""What the times of strokes tell by themselves: rate, alternation, raggedness, change."""

import numpy as np

from monitor.signals.order import median
from monitor.signals.types import FloatArray

BOUNCE_S = 0.040
"""No pump of the class strokes twice within this (60 ms is the physical least, computed)."""
MAD_TO_SIGMA = 1.4826
"""Consistency factor of the median absolute deviation for a normal law (Rousseeuw & Croux 1993)."""

Features = dict[str, float | None]


def mad_sigma(x: FloatArray) -> float:
    """Robust standard deviation."""
    return MAD_TO_SIGMA * median(np.abs(x - median(x)))


def rhythm(stroke_ts: FloatArray) -> Features:
    """Rates (1/s) and the pattern of the intervals (s); None where too few strokes.

    asymmetry: |T_odd - T_even| / (T_odd + T_even) with its standard error. ragged: spread of
    intervals two apart over their median, so that a plain alternation counts as regular.
    """
    out: Features = {
        "rate_hz": None,
        "interval_s": None,
        "interval_cv": None,
        "asymmetry": None,
        "asymmetry_se": None,
        "pairs": None,
        "ragged": None,
        "bounce_share": None,
        "last_rate_hz": None,
    }
    n = len(stroke_ts)
    if n < 2:
        return out
    t = stroke_ts[1:] - stroke_ts[:-1]
    span = float(stroke_ts[-1] - stroke_ts[0])
    if span <= 0:
        return out
    middle = median(t)
    out["rate_hz"] = (n - 1) / span
    out["interval_s"] = middle
    out["bounce_share"] = float((t < BOUNCE_S).mean())
    last = stroke_ts[-11:]
    last_span = float(last[-1] - last[0])
    out["last_rate_hz"] = (len(last) - 1) / last_span if last_span > 0 else None
    if n >= 4 and middle > 0:
        out["interval_cv"] = mad_sigma(t) / middle
    if n >= 5 and middle > 0:
        out["ragged"] = mad_sigma(t[2:] - t[:-2]) / middle / 2**0.5
        out["asymmetry"], out["asymmetry_se"] = alternation(t)
        out["pairs"] = float(len(t) // 2)
    return out


def alternation(t: FloatArray) -> tuple[float, float] | tuple[None, None]:
    """|T_odd - T_even| / (T_odd + T_even) of intervals and its standard error, from medians (1.2533
    times that of a mean, normal law); None of fewer than two, or where they take no time."""
    if len(t) < 2:
        return None, None
    odd, even = t[0::2], t[1::2]
    a, b = median(odd), median(even)
    if a + b <= 0:
        return None, None
    se = 1.2533 * ((mad_sigma(odd) ** 2 / len(odd)) + (mad_sigma(even) ** 2 / len(even))) ** 0.5
    return abs(a - b) / (a + b), se / (a + b)


def change(t: FloatArray, least: int = 4) -> tuple[int, float] | None:
    """The split of a run of intervals that separates two rates best.

    Gives (index of the first interval of the second part, rate after / rate before), or None when
    there are fewer than 2 x least intervals. Least squares on log intervals, every split tried.
    """
    n = len(t)
    if n < 2 * least or t.min() <= 0:
        return None
    x = np.log(t)
    total = np.cumsum(x)
    k = np.arange(least, n - least + 1)
    left = total[k - 1] / k
    right = (total[-1] - total[k - 1]) / (n - k)
    gain = k * (n - k) / n * (left - right) ** 2
    best = int(gain.argmax())
    return int(k[best]), float(np.exp(left[best] - right[best]))
