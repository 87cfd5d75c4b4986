"""The alarm list, one alarm, the rules behind, the figures; and the buttons."""

from dataclasses import asdict
from typing import Annotated

from fastapi import APIRouter, Form
from fastapi.responses import HTMLResponse, Response

from monitor.advice.kinds import Kind, Priority
from monitor.advice.rationalization import rationalization
from monitor.api.alarms import (
    ActorHere,
    AlarmQuery,
    Filters,
    OutRequest,
    ShelveRequest,
    alarm_list,
    alarm_page,
    figures_page,
    find_alarm,
    span_or_none,
)
from monitor.api.find import NotFound, get_site
from monitor.api.guard import CanTakeOut
from monitor.api.pump import pump_trace
from monitor.api.web import WebHere
from monitor.api.window import Window, read_time
from monitor.charts.trace import draw
from monitor.errors import StrokewiseError
from monitor.pages.render import SeeingLook, back_to, drawing

router = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)
AROUND_S = 900.0
Back = Annotated[str, Form(max_length=500)]
Reason = Annotated[str, Form(max_length=400)]

FIGURE_WORDS = {
    "per_day": "alarms a day",
    "per_hour": "alarms an hour",
    "per_10_min": "alarms in 10 minutes, on average",
    "busy_hour_share": "share of hours with more than 30",
    "flood_period_share": "share of 10-minute periods with more than 10",
    "max_in_10_min": "most in any 10 minutes",
    "flood_time_share": "share of time in a flood",
    "chattering": "alarms that chattered",
    "stale": "most that stood over a day at once",
}


class MissingReason(StrokewiseError):
    """Shelving needs a reason and an end."""


@router.get("/site/{site_id}/alarms")
def alarms(site_id: str, look: SeeingLook, asked: Filters, window: Window) -> Response:
    """The list with its filter line."""
    site = get_site(look.live, site_id)
    look = look.at(site, "alarms")
    words = look.words
    span = span_or_none(window, words.now_ts, site)
    return look.page(
        "alarms.html",
        list=alarm_list(look.live, site, asked, span, words),
        asked=asked,
        filtered=asked != AlarmQuery() or span is not None,
        window=window,
        out=look.live.out(site.id),
        kinds=[k.value for k in Kind],
        priorities=[p.value for p in Priority],
        bays=sorted({b for p in site.pumps for b in p.bays}),
    )


@router.get("/site/{site_id}/alarms/rules")
def rules(site_id: str, look: SeeingLook) -> Response:
    """Why each alarm exists, its priority and what to do."""
    look = look.at(get_site(look.live, site_id), "alarms")
    return look.page("rules.html", records=[rationalization(kind) for kind in Kind])


@router.get("/site/{site_id}/alarms/figures")
def alarm_figures(site_id: str, look: SeeingLook, window: Window) -> Response:
    """The published figures."""
    site = get_site(look.live, site_id)
    look = look.at(site, "alarms")
    span = window.span(look.words.now_ts, site.zone, usual="30d")
    page = figures_page(look.live, site, span)
    return look.page("figures.html", page=page, names=FIGURE_WORDS)


@router.get("/site/{site_id}/alarm/{alarm_id}")
def alarm(site_id: str, alarm_id: str, look: SeeingLook) -> Response:
    """One alarm with everything about it."""
    site = get_site(look.live, site_id)
    found, standing = find_alarm(look.live, alarm_id)
    if found.site != site.id:
        raise NotFound(f"Alarm '{alarm_id[:120]}' is not of this site.")
    look = look.at(site, "alarms")
    words = look.words
    page = alarm_page(look.live, site, found, words, standing=standing)
    pump = site.pump(found.subject)
    figure = None
    if pump is not None:
        at = found.raised_ts or found.since_ts
        span = (at - AROUND_S, max(min(at + AROUND_S, words.now_ts), at + 60.0))
        figure = drawing(draw(pump_trace(look.live, pump, span, words, rows_here=False)))
    return look.page(
        "alarm.html",
        page=page,
        a=page.alarm,
        fields=asdict(page.record),
        figure=figure,
        soonest=words.local(words.now_ts + 8 * 3600).strftime("%Y-%m-%dT%H:%M"),
        out=look.live.out(site.id).get(found.subject),
    )


@router.post("/site/{site_id}/alarm/{alarm_id}/acknowledge")
def acknowledge(site_id: str, alarm_id: str, actor: ActorHere, back: Back = "") -> Response:
    """The button."""
    actor.acknowledge(alarm_id)
    return back_to(back, f"/site/{site_id}")


@router.post("/site/{site_id}/alarm/{alarm_id}/reset")
def reset(site_id: str, alarm_id: str, actor: ActorHere, back: Back = "") -> Response:
    """The button."""
    actor.reset(alarm_id)
    return back_to(back, f"/site/{site_id}/alarms")


@router.post("/site/{site_id}/alarm/{alarm_id}/shelve")
def shelve(
    site_id: str,
    alarm_id: str,
    web: WebHere,
    actor: ActorHere,
    reason: Reason = "",
    until: Annotated[str, Form(max_length=40)] = "",
) -> Response:
    """The form; the end is site time."""
    site = get_site(web.live, site_id)
    if len(reason.strip()) < 3 or not until:
        raise MissingReason
    until_ts = read_time(until, site.zone)
    actor.shelve(alarm_id, ShelveRequest(reason=reason.strip(), until_ts=until_ts))
    return back_to(f"/site/{site_id}/alarms?state=hidden")


@router.post("/site/{site_id}/alarm/{alarm_id}/unshelve")
def unshelve(site_id: str, alarm_id: str, actor: ActorHere, back: Back = "") -> Response:
    """The button."""
    actor.unshelve(alarm_id)
    return back_to(back, f"/site/{site_id}/alarms")


@router.post("/site/{site_id}/out-of-service")
def out_of_service(
    site_id: str,
    web: WebHere,
    actor: ActorHere,
    _: CanTakeOut,
    subject: Annotated[str, Form(max_length=100)],
    reason: Reason = "",
    on: Annotated[str, Form(max_length=3)] = "yes",
) -> Response:
    """The form, both ways."""
    site = get_site(web.live, site_id)
    taking = on == "yes"
    words = reason.strip() or ("" if taking else "work done")
    if len(words) < 3:
        raise MissingReason("Taking alarms out of service needs a reason.")
    actor.out(site, OutRequest(subject=subject, reason=words, on=taking))
    return back_to(f"/site/{site_id}/alarms?state=hidden")
