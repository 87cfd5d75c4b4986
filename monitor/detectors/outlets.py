"""A draw held against like draws, on a pump that feeds several outlets.

An outlet is known by its conductance (rate over the root of the pressure) as long as every stroke
delivers; where strokes slip or move gas it is known by the pressure, which outlet and pump settle.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from monitor.signals.types import Episode, FloatArray

Record = tuple[float, dict[str, float | None]]
"""Conductance of a draw and its values."""

BY_FLOW = ("demand_pa", "dip_pa", "dip_s", "interval_s", "conductance", "stall_after_pa")
"""What is kept of a draw."""
REACH = 0.2
"""How far (logarithm) an outlet may lie from those seen to be judged by them."""
PRESSURE_REACH = 0.01
"""How far (of the stall pressure) a demand pressure may lie from those seen to be judged by them:
noise of a mean of seconds and the accuracy of a regulator (chosen)."""
FAR = 2.0
"""Reaches within which LIKE draws must lie, else there is nothing to judge by (chosen)."""
LIKE = 3
"""Like draws a line is read off: one outlet's repeat within 1 %, and two of three agree."""


@dataclass(frozen=True, slots=True)
class Shift:
    """A value beside the usual one: their ratio, and the difference in usual spreads."""

    value: float
    usual: float
    ratio: float
    z: float


def _off_line(
    x: FloatArray, y: FloatArray, value: float, reach: float, floor_share: float
) -> Shift | None:
    """A value at x = 0 against the line through the known points within reach (at least LIKE);
    None where no known point is near."""
    if not x.min() - reach < 0.0 < x.max() + reach:
        return None
    some = float(np.sort(np.abs(x))[min(len(x), LIKE) - 1])
    if some > FAR * reach:
        return None
    near = np.abs(x) <= max(reach, some)
    x, y = x[near], y[near]
    slope = 0.0
    if float(np.ptp(x)) > 0.005 * reach:
        slope = float(((x - x.mean()) * (y - y.mean())).sum() / ((x - x.mean()) ** 2).sum())
    expected = float(y.mean() - slope * x.mean())
    noise = float((y - expected - slope * x).std())
    scale = max(noise, floor_share * abs(expected), 1e-12)
    ratio = value / expected if expected else float("inf")
    return Shift(value, expected, ratio, (value - expected) / scale)


def record(event: Episode) -> Record | None:
    """What to keep of a draw; None where its outlet is not known."""
    k = event.features.get("conductance")
    if k is None or k <= 0 or event.strokes < 3:
        return None
    return k, {name: event.features.get(name) for name in BY_FLOW}


def by_flow(
    records: Iterable[Record], name: str, event: Episode, least: int, floor_share: float
) -> Shift | None:
    """A draw's value against the records' through the same outlet, off a local line over the
    logarithm of the conductance; None with fewer than `least` records or none like it."""
    value, k = event.features.get(name), event.features.get("conductance")
    known = [(a, b[name]) for a, b in records if b.get(name) is not None]
    if value is None or k is None or k <= 0 or len(known) < least:
        return None
    x = np.log(np.array([a for a, _ in known])) - np.log(k)
    return _off_line(x, np.array([b for _, b in known], np.float64), value, REACH, floor_share)


def by_pressure(
    records: Iterable[Record],
    name: str,
    event: Episode,
    stall_pa: float,
    least: int,
    floor_share: float = 0.005,
) -> Shift | None:
    """A draw's value against the records' at the same demand pressure; None as in `by_flow`."""
    value, demand = event.features.get(name), event.features.get("demand_pa")
    known = [
        (b["demand_pa"], b[name])
        for _, b in records
        if b["demand_pa"] is not None and b.get(name) is not None
    ]
    if value is None or demand is None or len(known) < least:
        return None
    x = (np.array([a for a, _ in known], np.float64) - demand) / stall_pa
    y = np.array([b for _, b in known], np.float64)
    return _off_line(x, y, value, PRESSURE_REACH, floor_share)
