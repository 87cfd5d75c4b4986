"""The first pages: all sites, one site's board."""

from dataclasses import replace

from fastapi import APIRouter
from fastapi.responses import HTMLResponse, RedirectResponse, Response
from markupsafe import Markup

from monitor.api.board import PumpCard, board_view, card_line, sites_view
from monitor.api.find import get_site
from monitor.api.live import Live
from monitor.api.words import Words
from monitor.pages.render import SeeingLook, drawing

router = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)


class Lines:
    """The cards' drawings, each drawn at most every ten seconds for all who look: an hour's line
    moves by a pixel in that time (chosen), and a site may have sixty pumps and many screens."""

    FRESH_S = 10.0

    def __init__(self) -> None:
        self._drawn: dict[tuple[str, str, str], tuple[float, Markup]] = {}

    def get(self, live: Live, words: Words, card: PumpCard) -> Markup:
        """The drawing of one card."""
        key = (words.site.id, card.pump, words.locale)
        known = self._drawn.get(key)
        if known is not None and 0 <= words.now_ts - known[0] < self.FRESH_S:
            return known[1]
        made = drawing(card_line(live, words.site, card, words))
        self._drawn[key] = (words.now_ts, made)
        return made


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
    drawn: Lines = look.request.app.state.lines
    view = board_view(live, words.site, words, stale_s=look.web.settings.stale_s)
    return look.page(
        "board.html",
        board=view,
        lines={c.pump: drawn.get(live, words, c) for bay in view.bays for c in bay.pumps},
        notes=_notes(live, words),
        last_ended_ts=view.last_ended_ts,
    )


def _notes(live: Live, words: Words) -> list[str]:
    """What people must know of the service itself."""
    notes = [f"{words.t('Word not delivered')}: {text}" for text in live.dead_channels()]
    if asleep := live.asleep(words.site.id):
        learnt = words.t("Pumps whose past is still being learnt after the start")
        notes.append(f"{learnt}: {asleep}")
    return notes
