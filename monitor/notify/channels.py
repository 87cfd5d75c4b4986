"""Hands one message to one address through the library apprise: mail, webhook, push, SMS.

Addresses hold secrets: they are asked for at the moment of sending and never logged or kept in
an error.
"""

import logging
import re
from collections.abc import Callable
from typing import Any
from urllib.parse import quote, urlsplit

from monitor.errors import StrokewiseError
from monitor.notify.outbox import Message

log = logging.getLogger(__name__)

PICTURE_NAME = "trace.png"
_MAIL = frozenset({"mailto", "mailtos"})
_HOOKS = frozenset({"json", "jsons", "xml", "xmls", "form", "forms"})

Address = Callable[[str, str], str]
"""(site, channel) -> the address with its secret; raises StrokewiseError."""


class NotDelivered(StrokewiseError):
    """The channel did not take the message; it is kept and tried again."""


class ApprisePost:
    """Sends through apprise; one call, one address, bounded by the library's own time limits."""

    def __init__(self, address: Address) -> None:
        self._address = address

    def send(self, message: Message, picture: bytes | None = None) -> None:
        """Deliver or raise NotDelivered with a reason free of secrets."""
        url = self._address(message.site, message.channel)
        scheme = url.split(":", 1)[0].lower()
        target = _open(_marked(url, scheme, message.key))
        if target is None:
            raise NotDelivered(f"'{scheme}' is no address this program can send to")
        mail = scheme in _MAIL
        try:
            result = _notify(target, message, mail=mail, picture=picture)
        except (OSError, ValueError, TypeError) as problem:
            raise NotDelivered(scrub(f"{type(problem).__name__}: {problem}", url)) from None
        if not result:
            raise NotDelivered(scrub(_reason(result), url))


def _open(url: str) -> Any:
    # The library takes a third of a second and 34 MB to import: only who sends pays.
    import apprise

    asset = apprise.AppriseAsset(
        app_id="Strokewise", app_desc="Pump watch", app_url="", async_mode=False,
        secure_logging=True, storage_mode="memory",
    )  # fmt: skip
    box = apprise.Apprise(asset=asset)
    return box if box.add(url) else None


def _notify(target: Any, message: Message, *, mail: bool, picture: bytes | None) -> Any:
    from apprise import AppriseAttachment, NotifyFormat
    from apprise.attachment.memory import AttachMemory

    attach = None
    if picture is not None:
        attach = AppriseAttachment()
        memory: Any = AttachMemory  # untyped in the library
        attach.add(memory(content=picture, name=PICTURE_NAME, mimetype="image/png"))
    return target.notify(
        body=message.html if mail else message.text,
        title=message.subject,
        body_format=NotifyFormat.HTML if mail else NotifyFormat.TEXT,
        attach=attach,
    )


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
                words += [str(entry.message) for entry in attempt.logs]
    except (TypeError, AttributeError):
        log.debug("reason unreadable")
    said = [w for w in words if w and "Sending" not in w]
    return "; ".join(dict.fromkeys(said[:3])) or "the channel refused it or did not answer"


def scrub(text: str, url: str) -> str:
    """The text without the address, its user, password, path and parameters."""
    parts = urlsplit(url)
    secrets = {url, parts.username, parts.password, parts.query, parts.netloc}
    secrets |= {p for p in re.split(r"[/?&=]", f"{parts.path}?{parts.query}") if len(p) >= 6}
    for secret in sorted((s for s in secrets if s), key=len, reverse=True):
        text = text.replace(secret, "…")
    return text[:300]
