"""The visit sheet as a page to print; the paper is made from the same model."""

from dataclasses import replace

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, Response

from monitor.api.bays import TalliesHere
from monitor.api.find import get_site
from monitor.api.pump import pump_trace
from monitor.api.rows import pump_title
from monitor.api.visit import visit_sheet
from monitor.charts.picture import styled
from monitor.charts.trace import draw
from monitor.pages.files import attached
from monitor.pages.render import Look, SeeingLook, drawing
from monitor.reports.paper import visit_pdf
from monitor.reports.visit_model import PumpSheet

router = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)
PAPER_PX = 720
ABOUT_PX = 600
PRESSURE_PX = 130


@router.get("/site/{site_id}/visit")
def visit(site_id: str, look: SeeingLook, tallies: TalliesHere) -> Response:
    """All that is open, one page a pump."""
    look = look.at(get_site(look.live, site_id), "visit")
    sheet = visit_sheet(look.live, tallies, look.words.site)
    figures = {s.pump: [drawing(f) for f in traces(look, s).values()] for s in sheet.pumps}
    titles = {p.id: pump_title(p) for p in look.words.site.pumps}
    return look.page("visit.html", sheet=sheet, figures=figures, titles=titles)


@router.get("/site/{site_id}/visit.pdf")
def visit_paper(site_id: str, look: SeeingLook, tallies: TalliesHere) -> Response:
    """The same sheet on paper."""
    look = look.at(get_site(look.live, site_id))
    sheet = visit_sheet(look.live, tallies, look.words.site)
    drawings = {
        (s.pump, kind): styled(svg)
        for s in sheet.pumps
        for kind, svg in traces(look, s, width_px=PAPER_PX).items()
    }
    return attached(visit_pdf(sheet, drawings), "application/pdf", f"{site_id}-visit.pdf")


def traces(look: Look, sheet: PumpSheet, *, width_px: int | None = None) -> dict[str, str]:
    """The 'month' and the 'worst' event of one pump, as drawings."""
    words = look.words
    pump = words.site.pump(sheet.pump)
    spans = {"month": sheet.month, "worst": sheet.worst and _till_now(sheet.worst, words.now_ts)}
    if pump is None:
        return {}
    return {
        kind: draw(
            replace(
                pump_trace(look.live, pump, span, words, rows_here=False),
                pressure_px=PRESSURE_PX,
            ),
            width_px=width_px,
            about_px=ABOUT_PX,
        )
        for kind, span in spans.items()
        if span is not None
    }


def _till_now(span: tuple[float, float], now_ts: float) -> tuple[float, float]:
    """A span without what is yet to come."""
    return span[0], max(min(span[1], now_ts), span[0] + 600.0)
