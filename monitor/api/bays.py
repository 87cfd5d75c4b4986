"""Bays, pumps or sites side by side over whole local days."""

from datetime import timedelta
from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Query, Request

from monitor.api.find import get_site
from monitor.api.guard import CanSee
from monitor.api.live import Live
from monitor.api.rows import Row
from monitor.api.web import WebHere
from monitor.api.words import Words
from monitor.charts.ticks import day_start_ts
from monitor.reports.bays import Comparison, Unit, compare
from monitor.reports.days import DayTallies
from monitor.reports.load import Loader
from monitor.reports.table import Table, table
from monitor.reports.tally import Span
from monitor.site import Site

What = Literal["bay", "pump"]
DAYS = (7, 30, 90, 365)


class CellRow(Row):
    """A figure in words, its second line, and 'more' or 'many more' where marked."""

    text: str
    note: str
    mark: str


class PlotRow(Row):
    """Chemical a day of one unit, mL; null = not watched."""

    label: str
    daily_ml: tuple[float | None, ...]


class BaysPage(Row):
    """The comparison as a table of words; the last row is all together."""

    title: str
    period: str
    from_ts: float
    to_ts: float
    headings: tuple[str, ...]
    rows: tuple[tuple[CellRow, ...], ...]
    plots: tuple[PlotRow, ...]
    top_ml: float
    notes: tuple[str, ...]


def whole_days(site: Site, now_ts: float, days: int) -> Span:
    """The last `days` whole local days before today."""
    today = Words(site, now_ts).local(now_ts).date()
    start = day_start_ts(today - timedelta(days=days), site.zone)
    return start, day_start_ts(today, site.zone)


def periods(site: Site, now_ts: float, days: int) -> tuple[Span, Span]:
    """The last whole days, and the same length before."""
    span = whole_days(site, now_ts, days)
    return span, (2 * span[0] - span[1], span[0])


def bay_comparison(
    live: Live, tallies: DayTallies, site: Site, what: What, days: int
) -> Comparison:
    """One site's bays or pumps."""
    span, before = periods(site, live.now_ts(), days)
    loader = Loader(tallies, site)
    return loader.comparison(span, before, live.now_ts(), by=what.capitalize())


def site_comparison(live: Live, tallies: DayTallies, days: int) -> Comparison:
    """All sites, each over its own local days; money only where all pay in one currency."""
    units, everything = [], []
    one = len({site.prices.currency for site in live.sites()}) == 1
    for site in live.sites():
        loader = Loader(tallies, site, None if one else {})
        parts = loader.parts(*periods(site, live.now_ts(), days), live.now_ts())
        units.append(loader.whole(parts))
        everything += parts
    return compare("Site", units, Unit("all", "All sites", tuple(everything)))


def in_words(found: Comparison, words: Words) -> Table:
    """The comparison in the site's units and zone."""
    currency = words.site.prices.currency
    return table(found, words.display, words.site.zone, words.now_ts, currency)


def bays_page(found: Comparison, words: Words) -> BaysPage:
    """The page's model."""
    made = in_words(found, words)
    return BaysPage(
        title=made.title,
        period=made.period,
        from_ts=found.span[0],
        to_ts=found.span[1],
        headings=made.headings,
        rows=tuple(
            tuple(CellRow(text=c.text, note=c.note, mark=c.mark) for c in row) for row in made.rows
        ),
        plots=tuple(PlotRow(label=name, daily_ml=daily) for name, daily in made.plots),
        top_ml=made.top,
        notes=made.notes,
    )


def get_tallies(request: Request) -> DayTallies:
    """The application's memory of days that are over."""
    found: DayTallies = request.app.state.tallies
    return found


TalliesHere = Annotated[DayTallies, Depends(get_tallies)]
router = APIRouter(prefix="/api", tags=["comparison"])
Days = Annotated[int, Query(ge=1, le=1100, description="whole local days before today")]


@router.get("/sites/{site_id}/bays", summary="Bays or pumps side by side")
def get_bays(
    site_id: str,
    tallies: TalliesHere,
    web: WebHere,
    _: CanSee,
    days: Days = 30,
    what: What = "bay",
) -> BaysPage:
    """Figures with limits; marked only beyond chance."""
    site = get_site(web.live, site_id)
    found = bay_comparison(web.live, tallies, site, what, days)
    return bays_page(found, Words(site, web.live.now_ts()))


@router.get("/compare", summary="Sites side by side")
def get_compare(tallies: TalliesHere, web: WebHere, _: CanSee, days: Days = 30) -> BaysPage:
    """Volumes in the units of the first site."""
    found = site_comparison(web.live, tallies, days)
    return bays_page(found, Words(web.live.sites()[0], web.live.now_ts()))
