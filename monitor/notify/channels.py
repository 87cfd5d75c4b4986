"""Hands one message to one address through the library apprise: mail, webhook, push, SMS.

Addresses hold secrets: they are asked for at the moment of sending and never logged or kept in
an error.
"""

import logging
import re
import warnings
from collections.abc import Callable
from functools import cache
from typing import Any
from urllib.parse import quote, urlsplit

from monitor.errors import StrokewiseError
from monitor.notify.outbox import Message
from monitor.notify.words import brief, without_picture

log = logging.getLogger(__name__)

PICTURE_NAME = "trace.png"
_MAIL = frozenset({"mailto", "mailtos"})
_HOOKS = frozenset({"json", "jsons", "xml", "xmls", "form", "forms"})
_TROUBLE = frozenset({"WARNING", "ERROR", "CRITICAL"})

Address = Callable[[str, str], str]
"""(site, channel) -> the address with its secret; raises StrokewiseError, KeyError if unknown."""


class NotDelivered(StrokewiseError):
    """The channel did not take the message; it is kept and tried again."""


class ApprisePost:
    """Sends through apprise; one call, one address, bounded by the library's own time limits."""

    def __init__(self, address: Address) -> None:
        self._address = address

    def send(self, message: Message, picture: bytes | None = None) -> None:
        """Deliver or raise NotDelivered with a reason free of secrets."""
        try:
            url = self._address(message.site, message.channel)
        except KeyError:
            raise NotDelivered(
                f"no channel '{message.channel}' in the site file any more; put it back, "
                "or the message waits"
            ) from None
        scheme = url.split(":", 1)[0].lower()
        target = _open(_marked(url, scheme, message.key))
        if target is None:
            raise NotDelivered(f"'{scheme}' is no address this program can send to")
        body = message.text if scheme in _HOOKS else brief(message.text)
        try:
            if scheme in _MAIL:
                html = message.html if picture is not None else without_picture(message.html)
                result = _notify(target, message, html, "html", picture)
            else:
                result = _notify(target, message, body, "text", picture)
        except (OSError, ValueError, TypeError) as problem:
            raise NotDelivered(scrub(f"{type(problem).__name__}: {problem}", url)) from None
        if not result:
            raise NotDelivered(scrub(_reason(result), url))


@cache
def _library() -> Any:
    # It takes a third of a second and 34 MB to import: only who sends pays. It looks for a
    # module the standard library will drop, which is its own matter.
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)
        import apprise
        import apprise.attachment.memory

        apprise.Apprise.instantiate("json://127.0.0.1")  # makes it load its plug-ins
    # At debug level these write addresses with the tokens in them.
    for name in ("apprise", "urllib3", "requests"):
        logging.getLogger(name).setLevel(logging.WARNING)
    return apprise


def _open(url: str) -> Any:
    apprise = _library()
    asset = apprise.AppriseAsset(
        app_id="Strokewise", app_desc="Pump watch", app_url="", async_mode=False,
        secure_logging=True, storage_mode="memory",
    )  # fmt: skip
    box = apprise.Apprise(asset=asset)
    return box if box.add(url) else None


def _notify(target: Any, message: Message, body: str, form: str, picture: bytes | None) -> Any:
    apprise = _library()
    attach = None
    if picture is not None:
        attach = apprise.AppriseAttachment()
        memory = apprise.attachment.memory.AttachMemory
        attach.add(memory(content=picture, name=PICTURE_NAME, mimetype="image/png"))
    return target.notify(body=body, title=message.subject, body_format=form, attach=attach)


def _marked(url: str, scheme: str, key: str) -> str:
    """The address with our marks: no holiday replies (RFC 3834), a name to drop doubles by."""
    if scheme in _MAIL:
        extra = "inline=yes&format=html&+Auto-Submitted=auto-generated&+X-Strokewise-Message="
    elif scheme in _HOOKS:
        extra = "+X-Strokewise-Message="
    else:
        return url
    return f"{url}{'&' if '?' in url else '?'}{extra}{quote(key, safe='')}"


def _reason(result: Any) -> str:
    words: list[str] = []
    try:
        for service in result:
            for attempt in service:
                words += [str(e.message) for e in attempt.logs if e.level in _TROUBLE]
    except (TypeError, AttributeError):
        log.debug("reason unreadable")
    return "; ".join(dict.fromkeys(words[:3])) or "the channel refused it or did not answer"


def scrub(text: str, url: str) -> str:
    """The text without the address, its user, password, path and parameters."""
    parts = urlsplit(url)
    secrets = {url, parts.password or "", parts.query, parts.netloc}
    pieces = re.split(r"[/?&=]", f"{parts.username or ''}?{parts.path}?{parts.query}")
    # Shorter pieces are no secrets, and would tear words apart.
    secrets |= {piece for piece in pieces if len(piece) >= 6}
    for secret in sorted(secrets - {""}, key=len, reverse=True):
        text = text.replace(secret, "…")
    return text[:300]
