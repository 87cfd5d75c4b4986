"""A draw held against like draws, on a pump that feeds several outlets.

An outlet is known by its conductance (rate over the root of the pressure) as long as every stroke
delivers; where strokes slip or move gas it is known by the pressure, which outlet and pump settle.
"""

from collections import deque
from dataclasses import dataclass

import numpy as np

from monitor.signals.order import deviation, mean
from monitor.signals.types import Episode, FloatArray

OUTLET = "outlet"
"""The logarithm of a draw's conductance, by which its outlet is known."""

Record = dict[str, float | None]
"""A draw's values and its OUTLET."""

BY_FLOW = (
    "demand_pa", "dip_pa", "dip_s", "fall_pa_s", "interval_s", "conductance", "stall_after_pa",
)  # fmt: skip
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


class Draws:
    """The last `most` draws that later ones are held against."""

    def __init__(self, most: int) -> None:
        self._kept: deque[Record] = deque(maxlen=most)
        self._columns: dict[tuple[str, str], tuple[FloatArray, FloatArray]] = {}

    def __len__(self) -> int:
        return len(self._kept)

    def add(self, draw: Record) -> None:
        """Take one more."""
        self._kept.append(draw)
        self._columns.clear()

    def clear(self) -> None:
        """Forget all."""
        self._kept.clear()
        self._columns.clear()

    def columns(self, x: str, y: str) -> tuple[FloatArray, FloatArray]:
        """Both values of the draws of which both are known."""
        if (x, y) not in self._columns:
            pairs = ((draw.get(x), draw.get(y)) for draw in self._kept)
            known = [(a, b) for a, b in pairs if a is not None and b is not None]
            self._columns[x, y] = np.array([a for a, _ in known]), np.array([b for _, b in known])
        return self._columns[x, y]


def _off_line(
    x: FloatArray, y: FloatArray, value: float, reach: float, floor_share: float
) -> Shift | None:
    """A value at x = 0 against the line through the known points within reach (at least LIKE);
    None where no known point is near."""
    off = np.abs(x)
    some = float(np.sort(off)[min(len(x), LIKE) - 1])
    if some > FAR * reach or not x.min() - reach < 0.0 < x.max() + reach:
        return None
    near = off <= max(reach, some)
    x, y = x[near], y[near]
    x_mean, y_mean, slope = mean(x), mean(y), 0.0
    if float(x.max()) - float(x.min()) > 0.005 * reach:
        dx = x - x_mean
        slope = float((dx * (y - y_mean)).sum() / (dx**2).sum())
    expected = y_mean - slope * x_mean
    noise = deviation(y - expected - slope * x)
    scale = max(noise, floor_share * abs(expected), 1e-12)
    ratio = value / expected if expected else float("inf")
    return Shift(value, expected, ratio, (value - expected) / scale)


def record(event: Episode) -> Record | None:
    """What to keep of a draw; None where its outlet is not known."""
    k = event.features.get("conductance")
    if k is None or k <= 0 or event.strokes < 3:
        return None
    return {OUTLET: float(np.log(k)), **{name: event.features.get(name) for name in BY_FLOW}}


def by_flow(
    draws: Draws, name: str, event: Episode, least: int, floor_share: float
) -> Shift | None:
    """A draw's value against the others' through the same outlet, off a local line over the
    logarithm of the conductance; None with fewer than `least` draws or none like it."""
    value, k = event.features.get(name), event.features.get("conductance")
    if value is None or k is None or k <= 0:
        return None
    outlets, known = draws.columns(OUTLET, name)
    if len(known) < least:
        return None
    return _off_line(outlets - np.log(k), known, value, REACH, floor_share)


def by_pressure(
    draws: Draws,
    name: str,
    event: Episode,
    stall_pa: float,
    least: int,
    floor_share: float = 0.005,
) -> Shift | None:
    """A draw's value against the others' at the same demand pressure; None as in `by_flow`."""
    value, demand = event.features.get(name), event.features.get("demand_pa")
    if value is None or demand is None:
        return None
    pressures, known = draws.columns("demand_pa", name)
    if len(known) < least:
        return None
    x = (pressures - demand) / stall_pa
    return _off_line(x, known, value, PRESSURE_REACH, floor_share)
