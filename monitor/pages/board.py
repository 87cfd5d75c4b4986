"""The first pages: all sites, one site's board."""

from dataclasses import replace

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from monitor.api.board import board_view, card_line, sites_view
from monitor.api.find import get_site
from monitor.api.words import Words
from monitor.pages.render import SeeingLook, drawing

router = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)


@router.get("/")
def all_sites(look: SeeingLook) -> Response:
    """All sites; where there is one only, its board."""
    sites = look.live.sites()
    if len(sites) == 1:
        return RedirectResponse(f"/site/{sites[0].id}", status_code=307)
    now, language = look.live.now_ts(), look.language
    return replace(look, nav="sites").page(
        "sites.html",
        list=sites_view(look.live, now, stale_s=look.web.settings.stale_s),
        site_words={s.id: Words(s, now, language.locale, language.gettext) for s in sites},
    )


@router.get("/site/{site_id}")
def board(site_id: str, look: SeeingLook) -> Response:
    """One site now."""
    look = look.at(get_site(look.live, site_id), "board")
    words, live = look.words, look.live
    view = board_view(live, words.site, words, stale_s=look.web.settings.stale_s)
    return look.page(
        "board.html",
        board=view,
        lines={
            c.pump: drawing(card_line(live, words.site, c, words))
            for bay in view.bays
            for c in bay.pumps
        },
        notes=[f"{words.t('Word not delivered')}: {text}" for text in live.dead_channels()],
        last_ended_ts=view.last_ended_ts,
    )
