"""Templates and what every one of them has at hand."""

import hashlib
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Any
from urllib.parse import urlsplit

from fastapi import Depends, Request
from fastapi.responses import HTMLResponse, RedirectResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined, select_autoescape
from markupsafe import Markup

from monitor.advice.kinds import Priority
from monitor.api.accounts import Caller, May
from monitor.api.board import bay_words
from monitor.api.guard import CanSee
from monitor.api.live import Live
from monitor.api.rows import pump_title
from monitor.api.web import Web, WebHere
from monitor.api.words import Words
from monitor.charts.svg import CLASS, SHAPES
from monitor.pages.languages import Language, choose_language, tongues
from monitor.site import Site

HERE = Path(__file__).parent
STATIC = HERE / "static"
LOOKS = ("light", "dark")
LOOK_COOKIE = "look"


@lru_cache(maxsize=64)
def static_address(name: str) -> str:
    """The address of a file of ours, with a mark of its content so that it may be kept."""
    mark = hashlib.sha256((STATIC / name).read_bytes()).hexdigest()[:10]
    return f"/static/{name}?v={mark}"


def drawing(svg: str) -> Markup:
    """A drawing of the charts room, which escapes every word it is given, for a template."""
    return Markup(svg)  # noqa: S704 - see above


def capfirst(text: object) -> str:
    """First letter large, the rest as it is."""
    words = str(text)
    return words[:1].upper() + words[1:]


def worst(counts: dict[str, int]) -> str | None:
    """The worst priority that has any."""
    return next((p for p, n in counts.items() if n), None)


def pump_name(pump_id: str, site: Site) -> str:
    """What people call a pump of the site; its id where it is none of it any more."""
    pump = site.pump(pump_id)
    return pump.title if pump else pump_id


def make_environment() -> Environment:
    """The one environment: escaping on, a missing name is an error."""
    env = Environment(
        loader=FileSystemLoader(HERE / "templates"),
        autoescape=select_autoescape(("html",), default=True),
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.filters["capfirst"] = capfirst
    env.filters["worst"] = worst
    env.filters["pump_name"] = pump_name
    env.globals.update(
        static=static_address,
        css={p.value: CLASS[p] for p in Priority},
        shapes={p.value: SHAPES[p] for p in Priority},
        bay_words=bay_words,
        pump_title=pump_title,
        may_alarms=May.ALARMS,
        may_work=May.WORK,
        may_take_out=May.TAKE_OUT,
        administer=May.ADMINISTER,
    )
    return env


@dataclass(frozen=True, slots=True)
class Look:
    """One request's page: who asks, which site, where in the navigation."""

    request: Request
    web: Web
    caller: Caller | None
    site: Site | None = None
    nav: str = ""

    def at(self, site: Site, nav: str = "") -> "Look":
        """The same request, at a place."""
        return replace(self, site=site, nav=nav)

    @property
    def live(self) -> Live:
        """The running service."""
        return self.web.live

    @property
    def words(self) -> Words:
        """Numbers and times of the site of this page."""
        site = self.site or self.web.live.sites()[0]
        return Words(site, self.web.live.now_ts(), self.language.locale, self.language.gettext)

    @property
    def language(self) -> Language:
        """The reader's language."""
        return choose_language(self.request)

    def page(self, template: str, *, status: int = 200, **context: Any) -> HTMLResponse:
        """The page."""
        look = self.request.cookies.get(LOOK_COOKIE)
        env: Environment = self.request.app.state.templates
        text = env.get_template(template).render(
            _=self.language.gettext,
            lang=self.language.code,
            tongues=tongues(),
            words=self.words,
            look=look if look in LOOKS else None,
            site=self.site,
            nav=self.nav,
            who=self.caller,
            here=here(self.request),
            sequence=self.web.live.sequence(),
            many_sites=len(self.web.live.sites()) > 1,
            demo=self.web.settings.demo,
            **context,
        )
        return HTMLResponse(text, status_code=status)


def look_for_seeing(request: Request, web: WebHere, caller: CanSee) -> Look:
    """A page for somebody who may see."""
    return Look(request, web, caller)


SeeingLook = Annotated[Look, Depends(look_for_seeing)]


def here(request: Request) -> str:
    """Path and query of this request."""
    query = request.url.query
    return request.url.path + (f"?{query}" if query else "")


def back_to(address: str | None, otherwise: str = "/") -> RedirectResponse:
    """Back to a page of ours after a form; never to another host."""
    wanted = address or otherwise
    parts = urlsplit(wanted)
    safe = wanted.startswith("/") and not wanted.startswith(("//", "/\\")) and not parts.netloc
    return RedirectResponse(wanted if safe else otherwise, status_code=303)
