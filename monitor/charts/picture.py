"""A fixed drawing as a picture for mail and paper, light look, with its style inside."""

import json

from monitor.charts.svg import UNITS_X

PAPER = {
    "ink": "#1E2422",
    "second": "#454D49",
    "edge": "#6A736E",
    "grid": "#C2C7C4",
    "field": "#FFFFFF",
    "trace": "#2F4650",
    "trace2": "#59615C",
    "act": "#9C0F3C",
    "shift": "#7F4300",
    "visit": "#4A3A8A",
}
"""The light palette on white paper."""


def styled(drawing: str, *, style: dict[str, str] | None = None) -> str:
    """The drawing with its style written into it, for renderers without our style sheet."""
    c = style or PAPER
    # Stretched panes also stretch their lines, for want of non-scaling strokes elsewhere: widths
    # are given in pane units of the usual drawing (720 px wide, 220 px high).
    w = UNITS_X / 720
    css = (
        f".field{{fill:{c['field']};stroke:{c['edge']};stroke-width:.5}}"
        f".grid{{stroke:{c['grid']};stroke-width:.6}}.grid.strong{{stroke:{c['edge']}}}"
        f".hair{{stroke:{c['act']};stroke-width:1}}"
        f"text{{font-family:'DejaVu Sans Mono','DejaVu Sans',sans-serif;font-size:11px;"
        f"fill:{c['ink']}}}text.small{{font-size:10px;fill:{c['second']}}}"
        f"text.count{{fill:#FFFFFF;font-size:11px}}"
        f".line{{fill:none;stroke:{c['trace']};stroke-width:{w:g}}}"
        f".air{{fill:none;stroke:{c['trace2']};stroke-width:{w:g};stroke-dasharray:40 25}}"
        f".spread{{fill:{c['trace']};fill-opacity:.3}}.band{{fill:{c['trace']};fill-opacity:.13}}"
        f".bars{{fill:none;stroke:{c['trace']};stroke-width:{2 * w:g}}}"
        f".block{{fill:{c['trace']}}}.block.second{{fill:{c['trace2']}}}"
        f".hollow{{fill:none;stroke:{c['act']};stroke-width:{w:g}}}"
        f".mark.act{{fill:{c['act']}}}.mark.shift{{fill:{c['shift']}}}"
        f".mark.visit{{fill:{c['visit']}}}.note{{fill:{c['ink']}}}"
    )
    head, rest = drawing.split(">", 1)
    return f"{head}><style>{css}</style>{rest}"


def png(drawing: str, *, width_px: int, height_px: int, scale: float = 2.0) -> bytes:
    """A PNG of a fixed drawing. typst draws without a browser and releases the lock on Python."""
    template = (
        f"#set page(width: {width_px}pt, height: {height_px}pt, margin: 0pt, fill: white)\n"
        "#let drawing = json(bytes(sys.inputs.data)).svg\n"
        f'#image(bytes(drawing), format: "svg", width: {width_px}pt)'
    )
    import typst  # when first needed: paper is seldom asked for

    out = typst.compile(
        template.encode(),
        format="png",
        ppi=72 * scale,
        sys_inputs={"data": json.dumps({"svg": styled(drawing)})},
    )
    return bytes(out if isinstance(out, bytes) else out[0])


PDF_TEMPLATE = """
#let data = json(bytes(sys.inputs.data))
#set document(title: data.title)
#set page(paper: "a4", flipped: true, margin: 15mm, numbering: "1")
#set text(size: 10pt, lang: "en")
#heading(level: 1, data.title)
#figure(image(bytes(data.svg), format: "svg", width: 100%, alt: data.alt))
#for line in data.lines [#par(line)]
"""


def pdf(drawing: str, *, title: str, alt: str, lines: list[str]) -> bytes:
    """A page A4 with a fixed drawing and lines of text, tagged (PDF/UA-1, ISO 14289-1).

    Words travel as data, never as markup.
    """
    data = {"title": title, "alt": alt, "lines": lines, "svg": styled(drawing)}
    import typst  # when first needed: paper is seldom asked for

    out = typst.compile(
        PDF_TEMPLATE.encode(),
        format="pdf",
        pdf_standards=["ua-1"],
        sys_inputs={"data": json.dumps(data)},
    )
    return bytes(out if isinstance(out, bytes) else out[0])
