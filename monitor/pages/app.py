"""The web application: every page and the API over one running service."""

import threading
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from typing import Any
from urllib.parse import quote, urlsplit

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, RedirectResponse, Response
from starlette.exceptions import HTTPException
from starlette.middleware.gzip import GZipMiddleware
from starlette.staticfiles import StaticFiles

from monitor.api import alarms as alarms_api
from monitor.api import bays as bays_api
from monitor.api import board as board_api
from monitor.api import events, install, machine, series
from monitor.api import people as people_api
from monitor.api import priming as priming_api
from monitor.api import pump as pump_api
from monitor.api import visit as visit_api
from monitor.api import work as work_api
from monitor.api.accounts import Accounts
from monitor.api.find import NotFound
from monitor.api.guard import (
    HEADERS,
    Guard,
    MustChangePassword,
    NotAllowed,
    NotSignedIn,
    find_caller,
)
from monitor.api.live import Live
from monitor.api.web import Web, WebSettings
from monitor.errors import StoreUnavailable, StrokewiseError
from monitor.notify.ack_link import AckLinks, load_key
from monitor.pages import ack, files, people, sign_in
from monitor.pages import alarms as alarms_page
from monitor.pages import bays as bays_page
from monitor.pages import board as board_page
from monitor.pages import priming as priming_page
from monitor.pages import pump as pump_page
from monitor.pages import visit as visit_page
from monitor.pages import work as work_page
from monitor.pages.render import STATIC, Look, here, make_environment
from monitor.reports.days import DayTallies

API_ROUTERS = (
    board_api.router,
    pump_api.router,
    series.router,
    install.router,
    alarms_api.router,
    work_api.router,
    priming_api.router,
    bays_api.router,
    visit_api.router,
    people_api.router,
    events.router,
    machine.router,
)
PAGE_ROUTERS = (
    board_page.router,
    pump_page.router,
    alarms_page.router,
    work_page.router,
    priming_page.router,
    bays_page.router,
    visit_page.router,
    files.router,
    ack.router,
    sign_in.router,
    people.router,
)


class OwnFiles(StaticFiles):
    """Our own files; their address changes with their content, so browsers may keep them."""

    def file_response(self, *args: object, **kwargs: object) -> Response:
        """The file with its keeping time."""
        response: Response = super().file_response(*args, **kwargs)  # type: ignore[arg-type]
        response.headers["Cache-Control"] = "public, max-age=31536000, immutable"
        return response


def create_app(live: Live, *, settings: WebSettings) -> FastAPI:
    """The application; `live.core` must have been opened with accounts.SCHEMA and
    ack_link.SCHEMA.

    `app.state.stopping` (a threading.Event): set it before the server is told to stop, so that
    open event streams end.
    """

    @asynccontextmanager
    async def lifespan(app: FastAPI) -> AsyncIterator[None]:
        yield
        app.state.stopping.set()

    app = FastAPI(
        title="Strokewise",
        description="Watches small air-driven chemical pumps. Pressures are Pa gauge, times Unix "
        "seconds, unless a name says otherwise.",
        version="1",
        docs_url=None,
        redoc_url=None,
        openapi_url=None,
        lifespan=lifespan,
    )
    accounts = Accounts(
        live.core,
        memory_kib=settings.argon2_memory_kib,
        passes=settings.argon2_passes,
        lanes=settings.argon2_lanes,
    )
    app.state.web = Web(live, settings, accounts)
    app.state.ack_links = AckLinks(live.core, load_key(live.core.path.parent))
    app.state.lines = board_page.Lines()
    app.state.tallies = DayTallies(live.core, live.store)
    app.state.stopping = threading.Event()
    app.state.templates = make_environment()
    app.add_middleware(GZipMiddleware, minimum_size=600, compresslevel=6)
    app.add_middleware(Guard)
    for router in (*API_ROUTERS, *PAGE_ROUTERS):
        app.include_router(router)
    app.mount("/static", OwnFiles(directory=STATIC), name="static")
    app.add_exception_handler(StrokewiseError, on_error)
    app.add_exception_handler(HTTPException, on_error)
    app.add_exception_handler(RequestValidationError, on_error)
    app.add_exception_handler(Exception, on_error)
    return app


STATUS: dict[type[Exception], tuple[int, str]] = {
    NotSignedIn: (401, "Not signed in"),
    MustChangePassword: (403, "Choose your own password"),
    NotAllowed: (403, "Not allowed"),
    NotFound: (404, "Not found"),
    StoreUnavailable: (503, "The store cannot be read now"),
    RequestValidationError: (422, "Not understood"),
    StrokewiseError: (400, "Not possible"),
    Exception: (500, "Something went wrong here"),
}


def _status(problem: Exception) -> tuple[int, str]:
    if isinstance(problem, HTTPException):
        return problem.status_code, str(problem.detail)
    return next(found for kind, found in STATUS.items() if isinstance(problem, kind))


def _sentence(problem: Exception) -> str:
    if isinstance(problem, RequestValidationError):
        return "; ".join(_fault(e) for e in problem.errors())
    if isinstance(problem, HTTPException):
        return PLAIN.get(problem.status_code, str(problem.detail))
    if isinstance(problem, StrokewiseError):
        return str(problem)
    return "It was written into the log of the service; what you did was perhaps not done."


PLAIN = {
    404: "There is no page at this address; the link may be old or mistyped.",
    405: "This address cannot be used like that; go back and use the page's own buttons.",
}


def _fault(error: dict[str, Any]) -> str:
    """'kind: missing', 'days: must be greater than or equal to 1'."""
    place = ".".join(str(p) for p in error["loc"][1:]) or str(error["loc"][0])
    said = str(error["msg"]).replace("Input should be", "must be").replace("String should", "must")
    return f"{place}: {'missing' if said == 'Field required' else said}"


def came_from(request: Request) -> str:
    """Path of the page of ours that led here, '' where it is not known."""
    parts = urlsplit(request.headers.get("referer", ""))
    ours = parts.netloc == request.headers.get("host")
    if not ours or not parts.path.startswith("/") or parts.path.startswith(("//", "/sign-in")):
        return ""
    return parts.path + (f"?{parts.query}" if parts.query else "")


def wants_json(request: Request) -> bool:
    """True for the API and everything else that no person looks at."""
    return request.url.path.startswith(("/api", "/metrics", "/health", "/events"))


def on_error(request: Request, problem: Exception) -> Response:
    """Every error in words: JSON for programs, a page (or the sign-in) for people."""
    status, title = _status(problem)
    if wants_json(request):
        headers = {"WWW-Authenticate": "Bearer"} if status == 401 else None
        body = {"error": title, "detail": _sentence(problem)}
        return JSONResponse(body, status_code=status, headers=headers)
    if isinstance(problem, NotSignedIn):
        return RedirectResponse(f"/sign-in?back={quote(here(request))}", status_code=303)
    if isinstance(problem, MustChangePassword):
        return RedirectResponse("/account", status_code=303)
    web: Web = request.app.state.web
    look = Look(request, web, find_caller(request, web))
    page = look.page(
        "problem.html",
        status=status,
        title=title,
        sentence=_sentence(problem),
        came_from=came_from(request),
    )
    # An answer to what nobody foresaw leaves outside of Guard.
    page.headers.update(HEADERS)
    return page
