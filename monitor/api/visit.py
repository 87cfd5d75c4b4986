"""The visit sheet: what is open at a site, in the order of what a visit would save."""

from dataclasses import asdict
from typing import Any

from fastapi import APIRouter

from monitor.alarms.types import State
from monitor.api.bays import TalliesHere
from monitor.api.find import get_site
from monitor.api.guard import CanSee
from monitor.api.live import Live
from monitor.api.rows import needs_someone
from monitor.api.web import WebHere
from monitor.reports.days import DayTallies
from monitor.reports.load import Loader
from monitor.reports.visit_model import Sheet
from monitor.site import Site


def visit_sheet(live: Live, tallies: DayTallies, site: Site) -> Sheet:
    """The sheet of one site: what is open or put aside, without the consequences of others."""
    alarms = [a for a in live.alarms(site.id) if needs_someone(a) or a.state is State.SHELVED]
    return Loader(tallies, site).sheet(alarms, live.now_ts())


router = APIRouter(prefix="/api", tags=["visit"])


@router.get("/sites/{site_id}/visit", summary="The visit sheet")
def get_visit(site_id: str, tallies: TalliesHere, web: WebHere, _: CanSee) -> dict[str, Any]:
    """Why to go, what first, what to bring; pumps in the order of what a visit saves."""
    return asdict(visit_sheet(web.live, tallies, get_site(web.live, site_id)))
