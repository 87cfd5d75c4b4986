"""Bay comparison and site comparison for the owner."""

from dataclasses import replace

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, Response

from monitor.api.bays import (
    DAYS,
    BaysPage,
    Days,
    TalliesHere,
    What,
    bay_comparison,
    bays_page,
    in_words,
    site_comparison,
)
from monitor.api.find import get_site
from monitor.charts.card import small
from monitor.pages.files import attached
from monitor.pages.render import Look, SeeingLook, drawing
from monitor.reports.export import csv_chunks, table
from monitor.reports.paper import bays_pdf

router = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)


def _show(look: Look, page: BaysPage, base: str, what: What, days: int) -> Response:
    words = look.words
    figures = [
        (
            plot.label,
            drawing(
                small(
                    list(plot.daily_ml),
                    page.top_ml or 1.0,
                    words=f"{plot.label}: {words.t('chemical a day, highest')} "
                    f"{words.volume(max((v for v in plot.daily_ml if v is not None), default=0))}",
                )
            ),
        )
        for plot in page.plots
    ]
    return look.page(
        "bays.html",
        page=page,
        base=base,
        what=what,
        days=days,
        choices=DAYS,
        figures=figures,
    )


@router.get("/site/{site_id}/bays")
def bays(
    site_id: str, look: SeeingLook, tallies: TalliesHere, days: Days = 30, what: What = "bay"
) -> Response:
    """One site."""
    site = get_site(look.live, site_id)
    look = look.at(site, "bays")
    found = bay_comparison(look.live, tallies, site, what, days)
    return _show(look, bays_page(found, look.words), f"/site/{site.id}/bays", what, days)


@router.get("/compare")
def sites(look: SeeingLook, tallies: TalliesHere, days: Days = 30) -> Response:
    """All sites."""
    look = replace(look, nav="compare")
    found = site_comparison(look.live, tallies, days)
    return _show(look, bays_page(found, look.words), "/compare", "bay", days)


@router.get("/site/{site_id}/bays.csv")
def bays_csv(
    site_id: str, look: SeeingLook, tallies: TalliesHere, days: Days = 30, what: What = "bay"
) -> Response:
    """The table as CSV (RFC 4180)."""
    site = get_site(look.live, site_id)
    found = bay_comparison(look.live, tallies, site, what, days)
    return csv_answer(bays_page(found, look.at(site).words), f"{site.id}-{what}s-{days}-days.csv")


@router.get("/site/{site_id}/bays.pdf")
def bays_paper(
    site_id: str, look: SeeingLook, tallies: TalliesHere, days: Days = 30, what: What = "bay"
) -> Response:
    """The table and the small plots on paper."""
    site = get_site(look.live, site_id)
    words = look.at(site).words
    found = bay_comparison(look.live, tallies, site, what, days)
    made = bays_pdf(in_words(found, words), site.label or site.id, words.display)
    return attached(made, "application/pdf", f"{site.id}-{what}s-{days}-days.pdf")


@router.get("/compare.csv")
def compare_csv(look: SeeingLook, tallies: TalliesHere, days: Days = 30) -> Response:
    """The table as CSV (RFC 4180)."""
    found = site_comparison(look.live, tallies, days)
    return csv_answer(bays_page(found, look.words), f"sites-{days}-days.csv")


@router.get("/compare.pdf")
def compare_paper(look: SeeingLook, tallies: TalliesHere, days: Days = 30) -> Response:
    """All sites on paper."""
    found = site_comparison(look.live, tallies, days)
    made = bays_pdf(in_words(found, look.words), look.words.t("All sites"), look.words.display)
    return attached(made, "application/pdf", f"sites-{days}-days.pdf")


def csv_answer(page: BaysPage, name: str) -> Response:
    """Each figure with its second line and its mark."""
    headings = [h for heading in page.headings for h in (heading, f"{heading}: range or note")]
    body = [[t for c in row for t in (c.text, noted(c.note, c.mark))] for row in page.rows]
    made = b"".join(csv_chunks(table(headings, body)))
    return attached(made, "text/csv; charset=utf-8; header=present", name)


def noted(note: str, mark: str) -> str:
    """A note with its mark in words."""
    return "; ".join(t for t in (note, f"{mark} than by chance" if mark else "") if t)
