"""The few pieces of SVG that the drawings are made of.

A drawing is either fluid (positions across in percent, so that text keeps its size at any width,
without any script) or fixed (pixels, for mail and paper, where renderers know less).
"""

import itertools
from dataclasses import dataclass

import numpy as np
from markupsafe import escape
from numpy.typing import NDArray

from monitor.advice.kinds import Priority
from monitor.charts.columns import FloatArray

UNITS_X = 3600
UNITS_Y = 1000

SHAPES = {
    Priority.ACT_NOW: "M0-9 9.5 8-9.5 8Z",
    Priority.THIS_SHIFT: "M0-9.5 9.5 0 0 9.5-9.5 0Z",
    Priority.NEXT_VISIT: "M-7.5-7.5H7.5V7.5H-7.5Z",
}
"""Triangle, diamond, square about (0, 0); the same shapes stand for a priority everywhere."""

CLASS = {Priority.ACT_NOW: "act", Priority.THIS_SHIFT: "shift", Priority.NEXT_VISIT: "visit"}
"""The style class of a priority."""


@dataclass(frozen=True, slots=True)
class Frame:
    """Time across a drawing; width_px None means fluid."""

    span: tuple[float, float]
    width_px: int | None = None

    def share(self, ts: float) -> float:
        """Where a time lies: 0 at the left edge, 1 at the right."""
        return (ts - self.span[0]) / (self.span[1] - self.span[0])

    def x(self, ts: float) -> str:
        """A position across, as an SVG length."""
        return self.at(self.share(ts))

    def at(self, share: float) -> str:
        """The SVG length of a share of the width."""
        if self.width_px is None:
            return f"{100 * share:.3f}".rstrip("0").rstrip(".") + "%"
        return f"{share * self.width_px:.1f}"

    def pane(self, y: float, height: float, body: str) -> str:
        """Lines in their own stretchable coordinates, UNITS_X by UNITS_Y; not read aloud."""
        return (
            f'<svg class="pane" x="0" y="{y:g}" width="{self.at(1)}" height="{height:g}" '
            f'viewBox="0 0 {UNITS_X} {UNITS_Y}" preserveAspectRatio="none" aria-hidden="true">'
            f"{body}</svg>"
        )

    def units_x(self, ts: FloatArray) -> NDArray[np.int64]:
        """Times in pane units."""
        share = (ts - self.span[0]) / (self.span[1] - self.span[0])
        return np.rint(share * UNITS_X).astype(np.int64)


def units_y(values: FloatArray, top: float) -> NDArray[np.int64]:
    """Values in pane units, 0 at the bottom and `top` at the top; clamped, NaN becomes -1."""
    with np.errstate(invalid="ignore"):
        y = np.rint(UNITS_Y * (1 - np.clip(values / top, 0, 1)))
    return np.where(np.isnan(y), -1, y).astype(np.int64)


def text(x: str, y: float, words: str, kind: str, anchor: str = "start") -> str:
    """A line of text; `kind` is its class."""
    where = "" if anchor == "start" else f' text-anchor="{anchor}"'
    return f'<text class="{kind}" x="{x}" y="{y:g}"{where}>{escape(words)}</text>'


def line_path(x: NDArray[np.int64], y: NDArray[np.int64], starts: FloatArray) -> str:
    """Path data through points in pane units; broken where y is -1 and at the indices named."""
    fresh = set(starts.astype(int).tolist())
    parts: list[str] = []
    last: tuple[int, int] | None = None
    for i, (px, py) in enumerate(zip(x.tolist(), y.tolist(), strict=True)):
        if py < 0:
            last = None
            continue
        if last is None or i in fresh:
            parts.append(f"M{px} {py}h1")
            last = (px + 1, py)
            continue
        parts.append(_step(px - last[0], py - last[1]))
        last = (px, py)
    return "".join(parts)


def envelope_path(x: NDArray[np.int64], low: NDArray[np.int64], high: NDArray[np.int64]) -> str:
    """Path data of one vertical stroke a column from its lowest to its highest, joined.

    Every extreme of every column is on the path; a column without values breaks it.
    """
    parts: list[str] = []
    last: tuple[int, int] | None = None
    for px, a, b in zip(x.tolist(), low.tolist(), high.tolist(), strict=True):
        if a < 0:
            last = None
            continue
        if last is None:
            parts.append(f"M{px} {a}")
            last = (px, a)
        near, far = (a, b) if abs(a - last[1]) <= abs(b - last[1]) else (b, a)
        parts.append(_step(px - last[0], near - last[1]))
        parts.append(_step(0, far - near))
        last = (px, far)
    return "".join(parts)


def area_path(x: NDArray[np.int64], low: NDArray[np.int64], high: NDArray[np.int64]) -> str:
    """Path data of the filled space between low and high, one piece for each unbroken run."""
    parts: list[str] = []
    bad = np.flatnonzero(low < 0)
    for run in np.split(np.arange(len(x)), bad):
        keep = run[low[run] >= 0]
        if not len(keep):
            continue
        there = [(int(x[i]), int(high[i])) for i in keep]
        back = [(int(x[i]), int(low[i])) for i in keep[::-1]]
        points = [*there, *back]
        parts.append(f"M{points[0][0]} {points[0][1]}")
        parts.extend(_step(q[0] - p[0], q[1] - p[1]) for p, q in itertools.pairwise(points))
        parts.append("z")
    return "".join(parts)


def _step(dx: int, dy: int) -> str:
    if dx == 0:
        return f"v{dy}" if dy else ""
    if dy == 0:
        return f"h{dx}"
    return f"l{dx} {dy}" if dy > 0 else f"l{dx}{dy}"


def bars_path(x: NDArray[np.int64], y: NDArray[np.int64]) -> str:
    """Path data of one standing line from the bottom for each value above zero."""
    return "".join(
        f"M{px} {UNITS_Y}V{py}"
        for px, py in zip(x.tolist(), y.tolist(), strict=True)
        if 0 <= py < UNITS_Y
    )


def spans_path(frame: Frame, spans: list[tuple[float, float]]) -> str:
    """Path data of full-height blocks; neighbours closer than one unit are drawn as one."""
    merged: list[tuple[int, int]] = []
    for start, end in spans:
        lo = max(start, frame.span[0])
        hi = min(end, frame.span[1])
        if hi < lo:
            continue
        a, b = frame.units_x(np.array([lo, hi])).tolist()
        b = max(b, a + 3)  # a draw of seconds stays visible in a window of months
        if merged and a - merged[-1][1] <= 1:
            merged[-1] = (merged[-1][0], max(b, merged[-1][1]))
        else:
            merged.append((a, b))
    return "".join(f"M{a} 0h{b - a}v{UNITS_Y}h{a - b}z" for a, b in merged)


def symbol(x: str, y: float, priority: Priority, words: str = "") -> str:
    """A priority's shape about (x, y), with a count or nothing inside."""
    inner = f'<path class="mark {CLASS[priority]}" d="{SHAPES[priority]}"/>'
    if words:
        inner += f'<text class="count" y="4.5" text-anchor="middle">{escape(words)}</text>'
    return f'<svg x="{x}" y="{y:g}" overflow="visible">{inner}</svg>'
