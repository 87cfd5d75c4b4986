"""Accounts, sessions and the audit, for administrators who are signed in (no token may)."""

from typing import Annotated

from fastapi import APIRouter, Query

from monitor.api.accounts import Account, Deed, Session
from monitor.api.guard import CanAdminister
from monitor.api.rows import Row
from monitor.api.web import WebHere


class People(Row):
    """Everybody with an account, what is open, and who did what, newest first."""

    accounts: tuple[Account, ...]
    sessions: tuple[Session, ...]
    audit: tuple[Deed, ...]


router = APIRouter(prefix="/api", tags=["people"])


@router.get("/people", summary="Accounts, sessions and tokens, audit")
def get_people(
    web: WebHere, _: CanAdminister, limit: Annotated[int, Query(ge=1, le=5000)] = 200
) -> People:
    """What the administrator's page shows; no secrets are in it."""
    return People(
        accounts=tuple(web.accounts.accounts()),
        sessions=tuple(web.accounts.sessions()),
        audit=tuple(web.accounts.audit(limit=limit)),
    )
