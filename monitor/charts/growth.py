"""How figures grow with the number of pumps: small panels side by side, one drawing."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from markupsafe import escape

from monitor.charts.picture import PAPER
from monitor.charts.svg import text
from monitor.charts.ticks import value_ticks

CELL_W, CELL_H, COLUMNS = 400, 240, 2
LEFT, RIGHT, TOP, BOTTOM = 46, 112, 34, 34
"""Room round a panel's field: numbers left, names right, the title above, sizes below."""
LEAST_APART = 12.0
"""Names nearer than this would overlap (a line of 10 px text)."""
TONES = (0.95, 0.72, 0.52, 0.36, 0.22, 0.1)
DASHES = ("", "5 3", "1.5 2.5")


@dataclass(frozen=True, slots=True)
class Panel:
    """One figure over the sizes. lines: name -> a value for each size, None = not measured.

    stacked: the lines are parts of a whole and stand on each other as bars. goal: words and value
    of a level that is drawn across, when there is one for all sizes.
    """

    title: str
    lines: Mapping[str, Sequence[float | None]]
    stacked: bool = False
    goal: tuple[str, float] | None = None


@dataclass(frozen=True, slots=True)
class _Field:
    """Where values and sizes lie within a panel."""

    top_value: float
    count: int

    def x(self, index: int) -> float:
        width = CELL_W - LEFT - RIGHT
        return LEFT + width * (index + 0.5) / self.count

    def y(self, value: float) -> float:
        height = CELL_H - TOP - BOTTOM
        return TOP + height * (1 - value / self.top_value)


def draw(title: str, sizes: Sequence[int], panels: Sequence[Panel]) -> str:
    """The drawing as one SVG document of fixed size, its style inside, title and numbers told."""
    rows = -(-len(panels) // COLUMNS)
    width, height = CELL_W * COLUMNS, CELL_H * rows + 30
    body = [text("12", 20, title, "head")]
    for number, panel in enumerate(panels):
        x, y = CELL_W * (number % COLUMNS), 30 + CELL_H * (number // COLUMNS)
        body.append(f'<g transform="translate({x} {y})">{_panel(panel, sizes)}</g>')
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{width}" height="{height}" '
        f'viewBox="0 0 {width} {height}" role="img"><title>{escape(title)}</title>'
        f"<desc>{escape(_told(sizes, panels))}</desc><style>{_style()}</style>"
        f'<rect width="{width}" height="{height}" fill="{PAPER["field"]}"/>{"".join(body)}</svg>\n'
    )


def _style() -> str:
    return (
        "text{font-family:'DejaVu Sans',sans-serif;font-size:10px;fill:" + PAPER["ink"] + "}"
        ".head{font-size:13px;font-weight:bold}.name{font-size:11.5px;font-weight:bold}"
        f".value{{paint-order:stroke;stroke:{PAPER['field']};stroke-width:3px}}"
        f".small{{fill:{PAPER['second']}}}.grid{{stroke:{PAPER['grid']};stroke-width:.6}}"
        f".edge{{stroke:{PAPER['edge']};stroke-width:.8}}"
        f".goal{{stroke:{PAPER['act']};stroke-width:1;stroke-dasharray:6 4}}"
        f".part{{fill:{PAPER['trace']};stroke:{PAPER['field']};stroke-width:1}}"
        f".line{{fill:none;stroke:{PAPER['trace']};stroke-width:1.6}}.dot{{fill:{PAPER['trace']}}}"
    )


def _told(sizes: Sequence[int], panels: Sequence[Panel]) -> str:
    """The numbers in words, for who does not see the drawing."""
    said = []
    for panel in panels:
        lines = "; ".join(
            f"{name} {', '.join('not measured' if v is None else figure(v) for v in values)}"
            for name, values in panel.lines.items()
        )
        said.append(f"{panel.title}: {lines}.")
    return f"At {', '.join(f'{s:,}' for s in sizes)} pumps. " + " ".join(said)


def figure(value: float) -> str:
    """About three figures that count, never a power of ten."""
    if value >= 100:
        return f"{value:,.0f}"
    if value >= 10:
        return f"{value:.1f}"
    return f"{value:.2f}" if value >= 0.1 else f"{value:.3f}"


def _panel(panel: Panel, sizes: Sequence[int]) -> str:
    highest = _highest(panel)
    ticks = value_ticks(0.0, 1.08 * highest, 4)
    field = _Field(ticks[-1], len(sizes))
    right = CELL_W - RIGHT
    out = [text("12", 16, panel.title, "name")]
    for tick in ticks:
        y = field.y(tick)
        kind = "grid" if tick else "edge"
        out.append(f'<path class="{kind}" d="M{LEFT} {y:.1f}H{right}"/>')
        out.append(text(str(LEFT - 5), y + 3.5, f"{tick:g}", "small", "end"))
    for i, size in enumerate(sizes):
        out.append(text(f"{field.x(i):.1f}", CELL_H - BOTTOM + 15, f"{size:,}", "small", "middle"))
    middle = (LEFT + right) / 2
    out.append(text(f"{middle:.1f}", CELL_H - BOTTOM + 28, "pumps", "small", "middle"))
    out.append(_bars(panel, field) if panel.stacked else _lines(panel, field))
    if panel.goal is not None:
        y = field.y(panel.goal[1])
        out.append(f'<path class="goal" d="M{LEFT} {y:.1f}H{right}"/>')
    out.append(_names(panel, field))
    return "".join(out)


def _highest(panel: Panel) -> float:
    columns = zip(*panel.lines.values(), strict=True)
    known = [[v for v in column if v is not None] for column in columns]
    tops = [sum(c) if panel.stacked else max(c, default=0.0) for c in known]
    return max([*tops, panel.goal[1] if panel.goal else 0.0, 1e-9])


def _bars(panel: Panel, field: _Field) -> str:
    half = 0.32 * (CELL_W - LEFT - RIGHT) / field.count
    out = []
    for i in range(field.count):
        floor = 0.0
        for part, values in enumerate(panel.lines.values()):
            value = values[i] or 0.0
            y, height = field.y(floor + value), field.y(floor) - field.y(floor + value)
            out.append(
                f'<rect class="part" fill-opacity="{TONES[part % len(TONES)]}" '
                f'x="{field.x(i) - half:.1f}" y="{y:.1f}" width="{2 * half:.1f}" '
                f'height="{height:.1f}"/>'
            )
            floor += value
        out.append(text(f"{field.x(i):.1f}", field.y(floor) - 4, figure(floor), "", "middle"))
    return "".join(out)


def _lines(panel: Panel, field: _Field) -> str:
    out = []
    for number, values in enumerate(panel.lines.values()):
        points = [(field.x(i), v) for i, v in enumerate(values) if v is not None]
        if not points:
            continue
        path = "L".join(f"{x:.1f} {field.y(v):.1f}" for x, v in points)
        dash = DASHES[number % len(DASHES)]
        out.append(f'<path class="line" stroke-dasharray="{dash}" d="M{path}"/>')
        for x, value in points:
            y = field.y(value)
            out.append(f'<circle class="dot" cx="{x:.1f}" cy="{y:.1f}" r="3"/>')
            # The lower of two lines has its numbers below, so that they do not meet; near the
            # axis there is no room for them.
            label_y = y + (14.0 if number else -7.0)
            if label_y < CELL_H - BOTTOM:
                out.append(text(f"{x:.1f}", label_y, figure(value), "value", "middle"))
    return "".join(out)


def _names(panel: Panel, field: _Field) -> str:
    """Each line's name at the right of its end, apart enough to be read."""
    wanted: list[tuple[float, str]] = []
    floor = 0.0
    for name, values in panel.lines.items():
        last = next((v for v in reversed(values) if v is not None), 0.0)
        wanted.append((field.y(floor + last / 2 if panel.stacked else last), name))
        floor += last if panel.stacked else 0.0
    if panel.goal is not None:
        wanted.append((field.y(panel.goal[1]), panel.goal[0]))
    out, before = [], float("inf")
    for y, name in sorted(wanted, reverse=True):
        y = min(y, before - LEAST_APART)
        before = y
        out.append(text(str(CELL_W - RIGHT + 6), y + 3.5, name, "small"))
    return "".join(out)
