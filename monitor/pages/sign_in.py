"""Signing in and out, one's own account, the wall screen, how the pages look."""

from typing import Annotated

from fastapi import APIRouter, Form, Query, Request
from fastapi.responses import HTMLResponse, RedirectResponse, Response

from monitor.api.accounts import ABSOLUTE_S, BadAccount, Caller, Throttled
from monitor.api.find import NotFound
from monitor.api.guard import COOKIE, MaybeCaller, NotSignedIn, address
from monitor.api.web import Web, WebHere
from monitor.pages.languages import COOKIE as LANGUAGE_COOKIE
from monitor.pages.languages import languages
from monitor.pages.render import LOOK_COOKIE, LOOKS, Look, back_to

router = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)
Field = Annotated[str, Form(max_length=300)]
YEAR_S = 366 * 86_400


def set_cookie(response: Response, web: Web, name: str, value: str, age_s: float) -> None:
    """A cookie no script can read and no other site's page sends along with a form."""
    response.set_cookie(
        name,
        value,
        max_age=int(age_s),
        httponly=True,
        samesite="lax",
        secure=web.settings.secure_cookies,
    )


@router.get("/sign-in")
def sign_in_page(
    request: Request, web: WebHere, back: Annotated[str, Query(max_length=500)] = "/"
) -> Response:
    """The form."""
    return Look(request, web, None).page("sign_in.html", back=back, problem="")


@router.post("/sign-in")
def sign_in(
    request: Request, web: WebHere, name: Field = "", password: Field = "", back: Field = "/"
) -> Response:
    """Check and open a session."""
    look, status, token = Look(request, web, None), 401, None
    problem = "The name or the password is not right."
    try:
        token = web.accounts.sign_in(name, password, address(request), web.live.now_ts())
    except Throttled as wait:
        problem, status = str(wait), 429
    if token is None:
        return look.page("sign_in.html", status=status, back=back, problem=problem)
    response = back_to(back)
    set_cookie(response, web, COOKIE, token, ABSOLUTE_S)
    return response


@router.post("/sign-out")
def sign_out(web: WebHere, caller: MaybeCaller) -> Response:
    """End this session."""
    if caller is not None and caller.session is not None:
        web.accounts.end(caller.session)
    response = RedirectResponse("/sign-in", status_code=303)
    response.delete_cookie(COOKIE)
    return response


def person(caller: Caller | None) -> Caller:
    """Somebody with an account of their own; raises NotSignedIn."""
    if caller is None or caller.session is None or caller.wall:
        raise NotSignedIn
    return caller


@router.get("/account")
def account(request: Request, web: WebHere, caller: MaybeCaller) -> Response:
    """One's own account: password and open sessions."""
    return _account(request, web, person(caller), "")


def _account(
    request: Request, web: Web, caller: Caller, problem: str, *, status: int = 200
) -> Response:
    return Look(request, web, caller).page(
        "account.html",
        status=status,
        problem=problem,
        sessions=web.accounts.sessions(caller.name),
        mine=caller.session.hex()[:16] if caller.session else "",
    )


@router.post("/account/password")
def change_password(
    request: Request, web: WebHere, caller: MaybeCaller, old: Field = "", new: Field = ""
) -> Response:
    """A new password; other sessions end."""
    me = person(caller)
    now, where = web.live.now_ts(), address(request)
    try:
        # Through sign_in, so that guesses are slowed down here as well.
        if web.accounts.sign_in(me.name, old, where, now) is None:
            raise BadAccount("The present password is not right.")
        if new == old:
            raise BadAccount("The new password is the old one.")
        web.accounts.set_password(me.name, new)
    except (BadAccount, Throttled) as problem:
        return _account(request, web, me, str(problem), status=400)
    web.accounts.note(now, me.name, "changed the password", me.name, "", where)
    response = RedirectResponse("/", status_code=303)
    token = web.accounts.sign_in(me.name, new, where, now)
    set_cookie(response, web, COOKIE, token or "", ABSOLUTE_S)
    return response


@router.post("/account/session/{session_id}/end")
def end_session(session_id: str, web: WebHere, caller: MaybeCaller) -> Response:
    """End one of one's own sessions."""
    web.accounts.revoke(session_id, account=person(caller).name)
    return RedirectResponse("/account", status_code=303)


@router.get("/wall/{token}")
def wall(token: str, web: WebHere) -> Response:
    """A wall screen's own address: it becomes a read-only session for the board."""
    caller = web.accounts.caller(token, web.live.now_ts())
    if caller is None or not caller.wall:
        raise NotFound(
            "This wall screen's address is not valid, or not any more: an administrator makes a "
            "new one on the page People and tokens."
        )
    response = RedirectResponse("/", status_code=303)
    set_cookie(response, web, COOKIE, token, YEAR_S)
    return response


@router.post("/look")
def choose_look(web: WebHere, look: Field = "system", back: Field = "/") -> Response:
    """Light, dark, or as the device has it."""
    response = back_to(back)
    if look in LOOKS:
        set_cookie(response, web, LOOK_COOKIE, look, YEAR_S)
    else:
        response.delete_cookie(LOOK_COOKIE)
    return response


@router.post("/language")
def choose(web: WebHere, language: Field = "", back: Field = "/") -> Response:
    """The language of the pages."""
    response = back_to(back)
    if language in languages():
        set_cookie(response, web, LANGUAGE_COOKIE, language, YEAR_S)
    return response
