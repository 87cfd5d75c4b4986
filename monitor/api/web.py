"""What every request has at hand: the running service, the settings of the pages, the accounts."""

from dataclasses import dataclass
from typing import Annotated

from fastapi import Depends, Request
from pydantic import Field

from monitor.api.accounts import Accounts, Role
from monitor.api.live import Live
from monitor.site import Frozen


class WebSettings(Frozen):
    """How pages and API behave.

    local_role: what a caller on this very machine may do without signing in; None asks everybody
    to sign in. Leave it None behind a reverse proxy. Callers from elsewhere always sign in.
    """

    local_role: Role | None = None
    secure_cookies: bool = False
    demo: bool = False
    event_wait_s: float = Field(10.0, gt=0, le=25, description="keep-alive of the event stream")
    stale_s: float = Field(30.0, gt=0, description="older data is no data; 30 lost seconds")
    argon2_memory_kib: int = Field(19_456, ge=8, description="OWASP minimum for argon2id")
    argon2_passes: int = Field(2, ge=1)
    argon2_lanes: int = Field(1, ge=1)


@dataclass(frozen=True, slots=True)
class Web:
    """The three together, kept on the application."""

    live: Live
    settings: WebSettings
    accounts: Accounts


def get_web(request: Request) -> Web:
    """The application's Web."""
    web: Web = request.app.state.web
    return web


WebHere = Annotated[Web, Depends(get_web)]
