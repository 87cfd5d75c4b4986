"""Visit sheet and bay comparison on paper (PDF/UA), from the same models as the pages.

typst sets the type: the templates hold no user's text, which travels as JSON input and is never
read as markup; files outside this folder are refused to it.
"""

import json
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from monitor.reports.table import Table
from monitor.reports.visit_model import PumpSheet, Sheet
from monitor.units import Display

HERE = Path(__file__).parent

Drawings = Mapping[tuple[str, str], str]
"""(pump, 'month' or 'worst') -> the drawing as a styled SVG."""


def visit_pdf(sheet: Sheet, drawings: Drawings | None = None) -> bytes:
    """The visit sheet on A4; drawings are left out where none is given."""
    pumps = [_pump(page, drawings or {}) for page in sheet.pumps]
    whole = {name: getattr(sheet, name) for name in ("site", "date", "zone", "defer", "empty")}
    return _pdf("visit.typ", {**whole, "bring": sheet.bring, "pumps": pumps})


def _pump(page: PumpSheet, drawings: Drawings) -> dict[str, Any]:
    told = asdict(page)
    for kind in ("saving", "month", "worst"):
        del told[kind]
    told["month_svg"] = drawings.get((page.pump, "month"))
    told["worst_svg"] = drawings.get((page.pump, "worst"))
    return told


def bays_pdf(table: Table, site: str, show: Display) -> bytes:
    """The comparison on A4 across."""
    return _pdf("bays.typ", {**asdict(table), "site": site, "top_words": show.volume(table.top)})


def _pdf(template: str, data: Mapping[str, Any]) -> bytes:
    import typst  # when first needed: paper is seldom asked for

    made = typst.compile(
        str(HERE / template),
        root=str(HERE),
        format="pdf",
        pdf_standards=["ua-1"],
        sys_inputs={"data": json.dumps(data)},
    )
    return bytes(made if isinstance(made, bytes) else made[0])
