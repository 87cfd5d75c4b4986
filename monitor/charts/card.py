"""The last hour of one pump as a small line with its usual band, and small plots to compare."""

from dataclasses import replace

import numpy as np
from markupsafe import escape

from monitor.charts import svg
from monitor.charts.trace import band, pressure_lines
from monitor.store.interface import Series

CARD_PX = 44
SMALL_PX = 72


def card(
    series: Series,
    span: tuple[float, float],
    usual_pa: tuple[float, float] | None,
    *,
    words: str,
    height_px: int = CARD_PX,
) -> str:
    """The line of a card; `words` say what it shows to those who cannot see it."""
    frame = svg.Frame(span)
    finite = series.high_pa[np.isfinite(series.high_pa)]
    top = max(float(finite.max()) if len(finite) else 0.0, *(usual_pa or (0.0, 1.0)))
    body = band(usual_pa, top * 1.08) if usual_pa else ""
    body += pressure_lines(frame, replace(series, air_pa=None), top * 1.08, n=240)
    return (
        f'<svg class="cardline" role="img" width="100%" height="{height_px}" '
        f'aria-label="{escape(words)}">{frame.pane(0, height_px, body)}</svg>'
    )


def small(values: list[float | None], top: float, *, words: str) -> str:
    """One bar a period, `top` shared by all plots that are compared; None leaves a hole."""
    n = max(len(values), 1)
    wide = svg.UNITS_X / n
    blocks = []
    for i, value in enumerate(values):
        if value is None:
            continue
        height = max(round(svg.UNITS_Y * min(value / top, 1.0)), 4)
        x, w = round((i + 0.15) * wide), round(0.7 * wide)
        blocks.append(f"M{x} {svg.UNITS_Y}v-{height}h{w}v{height}z")
    frame = svg.Frame((0.0, 1.0))
    body = f'<path class="block" d="{"".join(blocks)}"/>' if blocks else ""
    return (
        f'<svg class="cardline" role="img" width="100%" height="{SMALL_PX}" '
        f'aria-label="{escape(words)}">{frame.pane(0, SMALL_PX, body)}</svg>'
    )
