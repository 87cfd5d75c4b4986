"""The priming watch for the phone, one hand, once a second."""

from typing import Annotated

from fastapi import APIRouter, Form
from fastapi.responses import HTMLResponse, Response

from monitor.advice.procedures import AIRLOCK
from monitor.api.find import get_pump
from monitor.api.priming import LOOK_S, priming_view
from monitor.api.pump import concerns
from monitor.api.rows import alarm_row, stands, worst_first
from monitor.api.web import WebHere
from monitor.api.words import Words
from monitor.api.work import WorkerHere, WorkRequest
from monitor.charts.card import card
from monitor.pages.render import SeeingLook, back_to, drawing
from monitor.store.interface import Level
from monitor.store.work_log import Work

router = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)
PLOT_S = 120.0

WORDS = {
    "no data": "No data",
    "not primed": "Not primed yet",
    "priming": "Priming",
    "late": "Longer than expected",
    "missed": "Does not prime",
    "primed": "Primed",
    "holds": "Holds pressure",
}
SIGN = {"no data": "next visit", "late": "this shift", "missed": "act now"}


@router.get("/site/{site_id}/pump/{pump_id}/priming")
def priming(site_id: str, pump_id: str, look: SeeingLook) -> Response:
    """The watch."""
    site, pump = get_pump(look.live, site_id, pump_id)
    look = look.at(site, "board")
    words = look.words
    view = priming_view(look.live, site, pump, words)
    span = (words.now_ts - PLOT_S, words.now_ts)
    series = look.live.store.read(site.id, pump.id, span, level=Level.SECOND, max_points=4000)
    band = (view.stall_low_pa, view.stall_high_pa)
    said = f"{words.t('Pressure over two minutes; primed it holds')} {words.pressure_range(band)}"
    return look.page(
        "priming.html",
        view=view,
        pump=pump,
        word=WORDS[view.word],
        sign=SIGN.get(view.word),
        figure=drawing(card(series, span, band, words=said, height_px=110)),
        minutes=LOOK_S / 60,
        cure=AIRLOCK,
        standing=[
            alarm_row(a, site, words)
            for a in worst_first(look.live.alarms(site.id))
            if a.active and stands(a) and concerns(a, pump)
        ],
    )


@router.post("/site/{site_id}/pump/{pump_id}/priming")
def note(
    site_id: str,
    pump_id: str,
    web: WebHere,
    worker: WorkerHere,
    result: Annotated[str, Form(max_length=10)] = "primed",
) -> Response:
    """Write the outcome into the work log."""
    site, pump = get_pump(web.live, site_id, pump_id)
    view = priming_view(web.live, site, pump, Words(site, web.live.now_ts()))
    said = "Primed" if result == "primed" else "Would not prime"
    worker.add(
        site,
        WorkRequest(pump=pump.id, kind=Work.NOTE, text=f"{said}. Priming watch: {view.sentence}"),
    )
    return back_to(f"/site/{site_id}/pump/{pump_id}")
