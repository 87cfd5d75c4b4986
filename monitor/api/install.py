"""The installation check of a pump, from the site file."""

from fastapi import APIRouter

from monitor.api.find import get_pump
from monitor.api.guard import CanSee
from monitor.api.rows import Row
from monitor.api.web import WebHere
from monitor.api.words import Words
from monitor.hydraulics.installation import check_pump
from monitor.site import Pump, Site


class CheckRow(Row):
    """One line of the installation check."""

    pump: str
    name: str
    value: float | None
    unit: str
    text: str
    limit: str
    verdict: str
    source: str
    what_to_change: str


def check_rows(site: Site, pump: Pump, words: Words) -> tuple[CheckRow, ...]:
    """The installation check of one pump."""
    return tuple(
        CheckRow(
            pump=line.pump,
            name=line.name,
            value=line.value,
            unit=line.unit,
            text=words.value(line.value, line.unit),
            limit=line.limit,
            verdict=line.verdict,
            source=line.source,
            what_to_change=line.what_to_change,
        )
        for line in check_pump(site, pump)
    )


router = APIRouter(prefix="/api/sites/{site_id}/pumps/{pump_id}", tags=["pump"])


@router.get("/check", summary="The installation check of the pump")
def get_check(site_id: str, pump_id: str, web: WebHere, _: CanSee) -> tuple[CheckRow, ...]:
    """Is it fitted so that it can work, and what to expect of it."""
    site, pump = get_pump(web.live, site_id, pump_id)
    return check_rows(site, pump, Words(site, web.live.now_ts()))
