"""Who asks, from where, and whether that is allowed."""

import ipaddress
from collections.abc import Callable
from typing import Annotated
from urllib.parse import urlsplit

from fastapi import Depends, Request
from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from monitor.api.accounts import ALLOWED, Caller, May
from monitor.api.web import WebHere
from monitor.errors import StrokewiseError

COOKIE = "strokewise"
SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
LOCAL_NAMES = frozenset({"localhost", "127.0.0.1", "[::1]"})
POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; worker-src 'self'; manifest-src 'self'; form-action 'self'; "
    "base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}


class NotSignedIn(StrokewiseError):
    """Sign in first."""


class NotAllowed(StrokewiseError):
    """This account may not do that; ask an administrator."""


class MustChangePassword(StrokewiseError):
    """Choose a password of your own first."""


MOST_BODY_BYTES = 1_000_000
"""Nothing we take is longer than a note (chosen: far above the longest form)."""


class Guard:
    """Refuses requests that another site's page sent or that are too long, and adds the safety
    headers to answers."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """ASGI entry."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return

        async def send_safe(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
                headers.setdefault("Cache-Control", "no-store")
            await send(message)

        reason = foreign(scope["method"], Headers(scope=scope))
        if reason:
            refusal = PlainTextResponse(f"Refused: {reason}\n", status_code=403)
            await refusal(scope, receive, send_safe)
            return
        body = await read_body(receive, scope["method"])
        if body is None:
            refusal = PlainTextResponse("Refused: the request is over 1 MB.\n", status_code=413)
            await refusal(scope, receive, send_safe)
            return
        await self._app(scope, replay(body, receive), send_safe)


async def read_body(receive: Receive, method: str) -> bytes | None:
    """The whole body, None when it is too long; safe methods have none that matters."""
    if method in SAFE_METHODS:
        return b""
    body, more = b"", True
    while more:
        message = await receive()
        body += message.get("body", b"")
        more = message["type"] == "http.request" and message.get("more_body", False)
        if len(body) > MOST_BODY_BYTES:
            return None
    return body


def replay(body: bytes, receive: Receive) -> Receive:
    """The body again in one piece, then what comes after it (the end of the connection)."""
    given = False

    async def again() -> Message:
        nonlocal given
        if not given:
            given = True
            return {"type": "http.request", "body": body, "more_body": False}
        return await receive()

    return again


def foreign(method: str, headers: Headers) -> str | None:
    """Why a request is taken as sent by a foreign page, or None.

    SameSite cookies ignore ports, so the origin itself is compared. Sec-Fetch-Site (W3C Fetch
    Metadata) is trusted where a browser sends it; plain HTTP in a LAN has none, Origin (RFC 6454)
    it has.
    """
    if method in SAFE_METHODS:
        return None
    fetch_site = headers.get("sec-fetch-site")
    if fetch_site is not None:
        if fetch_site in ("same-origin", "none"):
            return None
        return f"this request came from another page ({fetch_site})."
    origin = headers.get("origin")
    if origin is not None:
        if origin != "null" and urlsplit(origin).netloc == headers.get("host"):
            return None
        return "the Origin is not this site; send the form from its own page."
    if "cookie" in headers:
        return "a request with a cookie must name its Origin."
    return None


def is_local(request: Request) -> bool:
    """True for a caller on this machine that was not passed on by a proxy.

    The Host must be a local name too, else a page anywhere could reach us by a name of its own
    that it points at 127.0.0.1.
    """
    if request.client is None or any(
        name in request.headers for name in ("forwarded", "x-forwarded-for", "x-real-ip")
    ):
        return False
    host = request.headers.get("host", "").rsplit(":", 1)
    name = request.headers.get("host", "") if host[-1].endswith("]") else host[0]
    try:
        return ipaddress.ip_address(request.client.host).is_loopback and name in LOCAL_NAMES
    except ValueError:
        return False


def find_caller(request: Request, web: WebHere) -> Caller | None:
    """Who asks: bearer token, else session cookie, else the local role; None for a stranger."""
    bearer = request.headers.get("authorization", "")
    if bearer.lower().startswith("bearer "):
        return web.accounts.caller(bearer[7:].strip(), web.live.now_ts())
    cookie = request.cookies.get(COOKIE)
    known = web.accounts.caller(cookie, web.live.now_ts()) if cookie else None
    if known is None and web.settings.local_role is not None and is_local(request):
        role = web.settings.local_role
        return Caller("local", role, ALLOWED[role])
    return known


MaybeCaller = Annotated[Caller | None, Depends(find_caller)]


def need(what: May) -> Callable[[Request, Caller | None], Caller]:
    """A dependency that gives the caller or raises NotSignedIn, NotAllowed."""

    def check(request: Request, caller: MaybeCaller) -> Caller:
        if caller is None:
            raise NotSignedIn
        if caller.must_change:
            raise MustChangePassword
        if not caller.may(what):
            raise NotAllowed(
                f"As {caller.role.value} one may not do that (needed: the right to {what.value}); "
                "an administrator can give the account another role."
            )
        if caller.wall and not _for_walls(request.url.path):
            raise NotAllowed("A wall screen shows the board only.")
        return caller

    return check


def _for_walls(path: str) -> bool:
    """A wall screen sees the sites' boards and their events, nothing else."""
    parts = path.strip("/").split("/")
    return path in ("/", "/events") or (parts[0] == "site" and len(parts) == 2)


CanSee = Annotated[Caller, Depends(need(May.SEE))]
CanAlarms = Annotated[Caller, Depends(need(May.ALARMS))]
CanWork = Annotated[Caller, Depends(need(May.WORK))]
CanTakeOut = Annotated[Caller, Depends(need(May.TAKE_OUT))]
CanAdminister = Annotated[Caller, Depends(need(May.ADMINISTER))]


def address(request: Request) -> str:
    """Where the caller sits, for the audit."""
    return request.client.host if request.client else "unknown"
