"""The page behind the link in a message: it shows a button, and only the button acknowledges."""

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, Response

from monitor.api.alarms import find_alarm
from monitor.api.find import get_site
from monitor.api.guard import address
from monitor.api.rows import alarm_row
from monitor.api.web import WebHere
from monitor.notify.ack_link import AckLinks, Link
from monitor.pages.render import Look

router = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)


def links(request: Request) -> AckLinks:
    """The application's links."""
    found: AckLinks = request.app.state.ack_links
    return found


def _page(request: Request, web: WebHere, link: Link, *, done: bool) -> Response:
    alarm, standing = find_alarm(web.live, link.alarm_id)
    look = Look(request, web, None, get_site(web.live, link.site))
    return look.page(
        "ack.html",
        a=alarm_row(alarm, get_site(web.live, link.site), look.words),
        person=link.person,
        standing=standing,
        done=done,
    )


@router.get("/ack/{token}")
def look(token: str, request: Request, web: WebHere) -> Response:
    """What the link is for; nothing happens yet, since mail scanners open links too."""
    return _page(request, web, links(request).look(token, web.live.now_ts()), done=False)


@router.post("/ack/{token}")
def acknowledge(token: str, request: Request, web: WebHere) -> Response:
    """Use the link up and take the alarm on."""
    now_ts = web.live.now_ts()
    link = links(request).redeem(token, now_ts)
    _, standing = find_alarm(web.live, link.alarm_id)
    if standing:
        web.live.acknowledge(link.alarm_id, by=link.person)
    web.accounts.note(
        now_ts, link.person, "acknowledged by link", link.alarm_id, "", address(request)
    )
    return _page(request, web, link, done=True)
