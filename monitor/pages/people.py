"""For administrators: accounts, sessions, tokens, and who did what."""

from dataclasses import replace
from typing import Annotated

from fastapi import APIRouter, Depends, Form, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from monitor.api.accounts import SCOPES, May, Role
from monitor.api.guard import CanAdminister, address
from monitor.api.web import WebHere
from monitor.pages.render import Look

router = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)
Field = Annotated[str, Form(max_length=300)]


class Desk:
    """An administrator at work; every deed goes into the audit."""

    def __init__(self, request: Request, web: WebHere, caller: CanAdminister) -> None:
        self.look = Look(request, web, caller)
        self.accounts = web.accounts
        self.by = caller.name
        self.now_ts = web.live.now_ts()
        self._address = address(request)

    def note(self, what: str, subject: str, detail: str = "") -> None:
        """Write it down."""
        self.accounts.note(self.now_ts, self.by, what, subject, detail, self._address)

    def page(self, *, token: str = "", kind: str = "", label: str = "") -> Response:
        """The page; a new token is shown this once."""
        return replace(self.look, nav="people").page(
            "people.html",
            accounts=self.accounts.accounts(),
            sessions=self.accounts.sessions(),
            deeds=self.accounts.audit(limit=100),
            roles=[r.value for r in Role],
            scopes=[s.value for s in SCOPES],
            shown={"token": token, "kind": kind, "label": label},
        )


DeskHere = Annotated[Desk, Depends()]
BACK = "/people"


@router.get("/people")
def people(desk: DeskHere) -> Response:
    """All of it on one page."""
    return desk.page()


@router.post("/people/add")
def add(
    desk: DeskHere, role: Annotated[Role, Form()], name: Field = "", password: Field = ""
) -> Response:
    """A new account; its owner chooses an own password at the first sign-in."""
    desk.accounts.add(name, role, password, desk.now_ts, must_change=True)
    desk.note("made an account", name, role.value)
    return RedirectResponse(BACK, status_code=303)


@router.post("/people/{name}/role")
def role(name: str, desk: DeskHere, role: Annotated[Role, Form()]) -> Response:
    """Another role, at once."""
    desk.accounts.set_role(name, role)
    desk.note("changed the role", name, role.value)
    return RedirectResponse(BACK, status_code=303)


@router.post("/people/{name}/password")
def password(name: str, desk: DeskHere, password: Field = "") -> Response:
    """A new one-time password; all sessions of the account end."""
    desk.accounts.set_password(name, password, must_change=True)
    desk.note("set a new password", name)
    return RedirectResponse(BACK, status_code=303)


@router.post("/people/{name}/close")
def close(name: str, desk: DeskHere, disabled: Field = "yes") -> Response:
    """Close the account, or open it again."""
    desk.accounts.set_disabled(name, disabled=disabled == "yes")
    desk.note("closed the account" if disabled == "yes" else "opened the account", name)
    return RedirectResponse(BACK, status_code=303)


@router.post("/people/session/{session_id}/end")
def end(session_id: str, desk: DeskHere) -> Response:
    """End any session or token."""
    desk.accounts.revoke(session_id)
    desk.note("ended a session or token", session_id)
    return RedirectResponse(BACK, status_code=303)


@router.post("/people/token")
def token(
    desk: DeskHere,
    label: Field = "",
    kind: Field = "api",
    scopes: Annotated[list[May] | None, Form()] = None,
) -> Response:
    """A token for a wall screen or a program; shown once."""
    made = desk.accounts.issue(kind, label, desk.now_ts, by=desk.by, scopes=scopes or ())
    desk.note(f"made a token ({kind})", label)
    return desk.page(token=made, kind=kind, label=label)
