"""One pump on one time axis: alarms, pressure, strokes, draws, demand."""

from collections.abc import Callable
from dataclasses import dataclass
from zoneinfo import ZoneInfo

import numpy as np
from markupsafe import escape

from monitor.advice.kinds import Priority
from monitor.charts import svg
from monitor.charts.columns import Columns, broken, columns, sums
from monitor.charts.ticks import Tick, time_ticks, value_ticks
from monitor.store.interface import Level, Series
from monitor.units import Display

LEVEL_STEP_S = {Level.SECOND: 1.0, Level.MINUTE: 60.0, Level.HOUR: 3600.0}
MARKS_PX, PRESSURE_PX, STROKES_PX, AXIS_PX, GAP_PX = 30, 220, 64, 24, 8
STRIP_PX, STRIP_WORDS_PX = 10, 13
GROUP_PX = 24
"""Marks nearer than this become one with a count: WCAG 2.2, 2.5.8 asks 24 px a target."""
COLUMNS = 720
"""Chosen: about one column a pixel of a desk screen and two a pixel of a phone."""


@dataclass(frozen=True, slots=True)
class Mark:
    """An alarm on the lane above the trace; href leads to its row in the page's table."""

    ts: float
    priority: Priority
    words: str
    href: str


@dataclass(frozen=True, slots=True)
class Note:
    """A work entry on the same lane."""

    ts: float
    words: str
    href: str


@dataclass(frozen=True, slots=True)
class Stretch:
    """An episode in the strip under the strokes; what: see signals.types.Episode."""

    start_ts: float
    end_ts: float
    what: str


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """All that one drawing shows. usual_pa: the usual band at rest, Pa gauge; t translates."""

    series: Series
    span: tuple[float, float]
    zone: ZoneInfo
    display: Display
    usual_pa: tuple[float, float] | None = None
    marks: tuple[Mark, ...] = ()
    notes: tuple[Note, ...] = ()
    stretches: tuple[Stretch, ...] = ()
    title: str = "Pressure and strokes"
    locale: str = "en_GB"
    pressure_px: int = PRESSURE_PX
    t: Callable[[str], str] = str


def draw(trace: Trace, *, width_px: int | None = None, about_px: int = 380) -> str:
    """The drawing as one SVG element.

    width_px fixes the width (mail, paper); without it the drawing is fluid and `about_px` says
    how wide it will probably be, which decides on the number of labels and the grouping of marks.
    """
    frame = svg.Frame(trace.span, width_px)
    wide = width_px or about_px
    top_pa = _top_pa(trace)
    ticks = time_ticks(trace.span, trace.zone, max(3, wide // 85), locale=trace.locale)
    body: list[str] = []
    y = float(MARKS_PX)
    strips = _strips(trace)
    bottom = (
        y
        + trace.pressure_px
        + GAP_PX
        + STROKES_PX
        + GAP_PX
        + (STRIP_PX + STRIP_WORDS_PX) * len(strips)
    )
    body.append(_grid(frame, ticks, y, bottom))
    body.append(_hairlines(frame, trace.marks, y, bottom))
    body.append(_pressure(frame, trace, top_pa, y))
    y += trace.pressure_px + GAP_PX
    body.append(_strokes(frame, trace, y))
    y += STROKES_PX + GAP_PX
    for words, kind, spans in strips:
        body.append(svg.text(frame.at(0.004), y + STRIP_WORDS_PX - 3, words, "halo small"))
        y += STRIP_WORDS_PX
        body.append(frame.pane(y, STRIP_PX, _block(kind, svg.spans_path(frame, spans))))
        y += STRIP_PX
    body.append(_lane(frame, trace, wide))
    return _root(trace, frame, bottom + AXIS_PX, "".join(body))


def _root(trace: Trace, frame: svg.Frame, height: float, body: str) -> str:
    width = "100%" if frame.width_px is None else str(frame.width_px)
    box = "" if frame.width_px is None else f' viewBox="0 0 {frame.width_px} {height:g}"'
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="trace" role="group" width="{width}" '
        f'height="{height:g}"{box} data-from="{trace.span[0]:.3f}" data-to="{trace.span[1]:.3f}" '
        f'aria-label="{escape(trace.title)}">{body}</svg>'
    )


def _top_pa(trace: Trace) -> float:
    """The top of the pressure axis: a round number above all that is drawn."""
    highs = [trace.series.high_pa, np.array([trace.usual_pa[1] if trace.usual_pa else 0.0])]
    if trace.series.air_pa is not None:
        highs.append(trace.series.air_pa)
    everything = np.concatenate(highs)
    finite = everything[np.isfinite(everything)]
    unit = trace.display.pa_per_pressure
    highest = max(float(finite.max()) if len(finite) else 0.0, 10 * 6894.757)
    return value_ticks(0, highest / unit * 1.02, 4)[-1] * unit


def _grid(frame: svg.Frame, ticks: list[Tick], top: float, bottom: float) -> str:
    out = [
        f'<rect class="field" x="0" y="{top:g}" width="{frame.at(1)}" height="{bottom - top:g}"/>'
    ]
    for tick in ticks:
        x = frame.x(tick.ts)
        kind = "grid strong" if tick.strong else "grid"
        out.append(f'<line class="{kind}" x1="{x}" x2="{x}" y1="{top:g}" y2="{bottom:g}"/>')
        share = frame.share(tick.ts)
        if not 0.05 < share < 0.95:
            continue
        anchor = "middle"
        weight = "axis strong" if tick.strong else "axis"
        out.append(svg.text(x, bottom + 16, tick.text, weight, anchor))
    return "".join(out)


def _hairlines(frame: svg.Frame, marks: tuple[Mark, ...], top: float, bottom: float) -> str:
    """Only for the worst priority, else a bad month would be all lines."""
    return "".join(
        f'<line class="hair act" x1="{frame.x(m.ts)}" x2="{frame.x(m.ts)}" '
        f'y1="{top:g}" y2="{bottom:g}"/>'
        for m in marks
        if m.priority is Priority.ACT_NOW and trace_holds(frame.span, m.ts)
    )


def trace_holds(span: tuple[float, float], ts: float) -> bool:
    """True where a time lies in the drawing."""
    return span[0] <= ts < span[1]


def _pressure(frame: svg.Frame, trace: Trace, top_pa: float, y: float) -> str:
    unit, tall = trace.display.pa_per_pressure, trace.pressure_px
    out = []
    if trace.usual_pa:
        out.append(frame.pane(y, tall, band(trace.usual_pa, top_pa)))
    for value in value_ticks(0, top_pa / unit, 4)[1:-1]:
        level = y + tall * (1 - value * unit / top_pa)
        out.append(
            f'<line class="grid" x1="0" x2="{frame.at(1)}" y1="{level:.1f}" y2="{level:.1f}"/>'
        )
    out.append(frame.pane(y, tall, pressure_lines(frame, trace.series, top_pa)))
    for value in value_ticks(0, top_pa / unit, 4)[1:-1]:
        level = y + tall * (1 - value * unit / top_pa)
        if level - y > 28:  # else it would sit on the unit
            out.append(svg.text(frame.at(0.004), level - 3, f"{value:g}", "halo"))
    out.append(svg.text(frame.at(0.004), y + 13, trace.display.pressure_symbol, "halo"))
    return "".join(out)


def band(usual_pa: tuple[float, float], top_pa: float) -> str:
    """The usual band as a block in pane units."""
    low, high = svg.units_y(np.array(usual_pa), top_pa).tolist()
    return f'<path class="band" d="M0 {high}h{svg.UNITS_X}v{max(low - high, 8)}h-{svg.UNITS_X}z"/>'


def pressure_lines(frame: svg.Frame, series: Series, top_pa: float, n: int = COLUMNS) -> str:
    """The pressure in pane units: a line where samples or seconds are near, else the space
    between lowest and highest with the mean in it. Every extreme is drawn."""
    cols = columns(series.ts, (series.low_pa, series.mean_pa, series.high_pa), frame.span, n)
    out = ""
    if series.air_pa is not None and np.isfinite(series.air_pa).any():
        air = columns(series.ts, (series.air_pa,) * 3, frame.span, n)
        out += _line("air", _mean_path(frame, air, series, top_pa))
    x = frame.units_x(cols.ts)
    low, high = svg.units_y(cols.low, top_pa), svg.units_y(cols.high, top_pa)
    if series.level in (Level.RAW, Level.SECOND):
        if not cols.raw or series.level is Level.SECOND:
            return out + _line("line", svg.envelope_path(x, low, high))
        return out + _line("line", _mean_path(frame, cols, series, top_pa))
    out += _block("spread", svg.area_path(x, low, high))
    return out + _line("line", _mean_path(frame, cols, series, top_pa))


def _mean_path(frame: svg.Frame, cols: Columns, series: Series, top_pa: float) -> str:
    starts = broken(cols.ts, series.gaps, _step_s(series)) if cols.raw else np.empty(0)
    return svg.line_path(frame.units_x(cols.ts), svg.units_y(cols.mean, top_pa), starts)


def _step_s(series: Series) -> float:
    if series.level is Level.RAW:
        return float(np.median(np.diff(series.ts))) if len(series.ts) > 1 else 1.0
    return LEVEL_STEP_S[series.level]


def _line(kind: str, path: str) -> str:
    return f'<path class="{kind}" d="{path}"/>' if path else ""


def _block(kind: str, path: str) -> str:
    return f'<path class="{kind}" d="{path}"/>' if path else ""


def stroke_bins(trace: Trace) -> tuple[int, float]:
    """(bins of the strokes pane, their width in seconds): never finer than the series itself."""
    length = trace.span[1] - trace.span[0]
    floor_s = max(_step_s(trace.series), 1.0)
    n = int(max(1, min(COLUMNS // 3, length / floor_s)))
    return n, length / n


def _strokes(frame: svg.Frame, trace: Trace, y: float) -> str:
    n, bin_s = stroke_bins(trace)
    counts = sums(trace.series.ts, trace.series.strokes, trace.span, n)
    most = float(np.nanmax(counts)) if np.isfinite(counts).any() else 0.0
    top = max(value_ticks(0, max(most, 1.0), 2)[-1], 1.0)
    x = frame.units_x(np.asarray(trace.span[0] + (np.arange(n) + 0.5) * bin_s, np.float64))
    bars = _line("bars", svg.bars_path(x, svg.units_y(counts, top)))
    t = trace.t
    words = f"{t('strokes in')} {_length(bin_s)}, {t('top')} {top:g}"
    edge = f'<line class="grid strong" x1="0" x2="{frame.at(1)}" y1="{y:g}" y2="{y:g}"/>'
    return (
        edge
        + frame.pane(y + 17, STROKES_PX - 17, bars)
        + svg.text(frame.at(0.004), y + 13, words, "halo small")
    )


def _length(seconds: float) -> str:
    for size, unit in ((86_400, "d"), (3600, "h"), (60, "min")):
        if seconds >= size:
            return f"{seconds / size:.2g} {unit}"
    return f"{seconds:.2g} s"


Strip = tuple[str, str, list[tuple[float, float]]]


def _strips(trace: Trace) -> list[Strip]:
    """(words, class, spans) of the thin strips: draws, strokes without demand, demand."""
    out: list[Strip] = []
    draws = [(s.start_ts, s.end_ts) for s in trace.stretches if s.what in ("draw", "prime")]
    idle = [(s.start_ts, s.end_ts) for s in trace.stretches if s.what == "idle strokes"]
    if draws:
        out.append((trace.t("draws"), "block", draws))
    if idle:
        out.append((trace.t("strokes at rest"), "hollow", idle))
    demand = trace.series.demand_s
    if demand is not None:
        ts, step = trace.series.ts, _step_s(trace.series)
        on = np.flatnonzero(np.nan_to_num(demand) > 0)
        out.append((trace.t("demand"), "block second", [(ts[i], ts[i] + step) for i in on]))
    return out


def _lane(frame: svg.Frame, trace: Trace, wide: int) -> str:
    out = []
    for group in grouped(trace.marks, frame, wide):
        worst = min(group, key=lambda m: list(Priority).index(m.priority))
        # A mark at the edge is moved in by half its width, so that it is never cut.
        edge = GROUP_PX / 2 / wide
        where = frame.at(min(max(frame.share(group[0].ts), edge), 1 - edge))
        shape = svg.symbol(where, 15, worst.priority, str(len(group)) if len(group) > 1 else "")
        words = worst.words if len(group) == 1 else f"{len(group)} alarms, worst: {worst.words}"
        out.append(
            f'<a href="{escape(worst.href)}" data-ts="{group[0].ts:.3f}" '
            f'data-refs="{escape(" ".join(m.href for m in group))}" '
            f'aria-label="{escape(words)}"><title>{escape(words)}</title>{shape}</a>'
        )
    for note in trace.notes:
        if trace_holds(trace.span, note.ts):
            flag = f'<svg x="{frame.x(note.ts)}" y="15" overflow="visible">'
            flag += '<path class="note" d="M0 14V-8H11L8-4 11 0H1V14Z"/></svg>'
            out.append(
                f'<a href="{escape(note.href)}" aria-label="{escape(note.words)}">'
                f"<title>{escape(note.words)}</title>{flag}</a>"
            )
    return "".join(out)


def grouped(marks: tuple[Mark, ...], frame: svg.Frame, wide: int) -> list[list[Mark]]:
    """Marks of the window in order; one nearer than GROUP_PX to its group's first joins it."""
    groups: list[list[Mark]] = []
    for mark in sorted(marks, key=lambda m: m.ts):
        if not trace_holds(frame.span, mark.ts):
            continue
        near = groups and (frame.share(mark.ts) - frame.share(groups[-1][0].ts)) * wide < GROUP_PX
        if near:
            groups[-1].append(mark)
        else:
            groups.append([mark])
    return groups
