"""The first pages: all sites, one site's board."""

from fastapi import APIRouter, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from monitor.api.board import board_view, card_line, sites_view
from monitor.api.find import get_site
from monitor.api.guard import CanSee
from monitor.api.web import WebHere
from monitor.api.words import Words
from monitor.pages.render import Look, drawing

router = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)


@router.get("/")
def all_sites(request: Request, web: WebHere, caller: CanSee) -> Response:
    """All sites; where there is one only, its board."""
    sites = web.live.sites()
    if len(sites) == 1:
        return RedirectResponse(f"/site/{sites[0].id}", status_code=307)
    look = Look(request, web, caller, nav="sites")
    now = web.live.now_ts()
    return look.page(
        "sites.html",
        list=sites_view(web.live, now, stale_s=web.settings.stale_s),
        site_words={
            s.id: Words(s, now, look.language.locale, look.language.gettext) for s in sites
        },
    )


@router.get("/site/{site_id}")
def board(site_id: str, request: Request, web: WebHere, caller: CanSee) -> Response:
    """One site now."""
    site = get_site(web.live, site_id)
    look = Look(request, web, caller, site, "board")
    words = look.words
    view = board_view(web.live, site, words, stale_s=web.settings.stale_s)
    lines = {
        c.pump: drawing(card_line(web.live, site, c, words)) for bay in view.bays for c in bay.pumps
    }
    return look.page(
        "board.html",
        board=view,
        lines=lines,
        notes=[f"Word not delivered: {text}" for text in web.live.dead_channels()],
        last_ended_ts=view.last_ended_ts,
    )
