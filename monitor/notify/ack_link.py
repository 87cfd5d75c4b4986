"""A link in a message that acknowledges one alarm, once, until it expires, and does nothing else.

The token is a payload and its HMAC-SHA-256 (RFC 2104), so nothing about it is stored until it is
used. Mail scanners open links: `look` is for the page that shows a button, `redeem` for the
button (RFC 9110 section 9.2.1: GET must be safe).
"""

import base64
import binascii
import hashlib
import hmac
import os
import secrets
import stat
from pathlib import Path

import msgspec

from monitor.alarms.types import Alarm
from monitor.errors import StrokewiseError
from monitor.store.core import Core, Schema

SCHEMA = Schema(
    "ack_link",
    ("CREATE TABLE ack_link_used(nonce TEXT PRIMARY KEY, ts REAL NOT NULL) WITHOUT ROWID",),
)

LIFE_S = 86400.0
"""Chosen: a day; older news is looked at on the board, signed in."""
KEY_BYTES = 32


class LinkRefused(StrokewiseError):
    """This link cannot be used; open the board and acknowledge there."""


class Link(msgspec.Struct, frozen=True, array_like=True):
    """What a token stands for."""

    site: str
    alarm_id: str
    person: str
    expires_ts: float
    nonce: str


def load_key(folder: Path) -> bytes:
    """The signing key of this data folder, made on first use, readable by its owner only.

    Raises StrokewiseError when others may read it or it is damaged.
    """
    path = folder / "ack.key"
    try:
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    except FileExistsError:
        pass
    else:
        with os.fdopen(handle, "wb") as file:
            file.write(secrets.token_bytes(KEY_BYTES))
            file.flush()
            os.fsync(file.fileno())
    if path.stat().st_mode & (stat.S_IRWXG | stat.S_IRWXO):
        raise StrokewiseError(f"{path}: others may use this key; run: chmod 600 {path}")
    key = path.read_bytes()
    if len(key) != KEY_BYTES:
        raise StrokewiseError(f"{path}: the key is damaged; delete it and a new one is made")
    return key


class AckLinks:
    """Makes and takes the tokens."""

    def __init__(self, core: Core, key: bytes) -> None:
        self._core = core
        self._key = key

    def issue(self, alarm: Alarm, person: str, now_ts: float, life_s: float = LIFE_S) -> str:
        """A token for this person to acknowledge this alarm; safe in a URL's path."""
        link = Link(alarm.site, alarm.id, person, now_ts + life_s, secrets.token_urlsafe(9))
        body = msgspec.json.encode(link)
        return f"{_text(body)}.{_text(self._sign(body))}"

    def look(self, token: str, now_ts: float) -> Link:
        """What the token stands for; raises LinkRefused when altered, expired or used."""
        link = self._read(token)
        if now_ts >= link.expires_ts:
            raise LinkRefused("this link has expired; open the board and acknowledge there")
        if self._core.rows("SELECT 1 FROM ack_link_used WHERE nonce=?", (link.nonce,)):
            raise LinkRefused("this link was used already; the board shows how the alarm stands")
        return link

    def redeem(self, token: str, now_ts: float) -> Link:
        """Use the token up; raises LinkRefused. Joins an open transaction."""
        link = self.look(token, now_ts)
        with self._core.write() as db:
            db.execute("INSERT OR IGNORE INTO ack_link_used VALUES(?,?)", (link.nonce, now_ts))
            if not db.changes():
                raise LinkRefused("this link was used already")
        return link

    def tend(self, now_ts: float) -> None:
        """Forget uses that have expired anyway."""
        with self._core.write() as db:
            db.execute("DELETE FROM ack_link_used WHERE ts<?", (now_ts - 2 * LIFE_S,))

    def _read(self, token: str) -> Link:
        try:
            body, mark = (_bytes(part) for part in token.split("."))
            if hmac.compare_digest(mark, self._sign(body)):
                return msgspec.json.decode(body, type=Link)
        except (ValueError, binascii.Error, msgspec.DecodeError):
            pass
        raise LinkRefused("this link is damaged; open the board and acknowledge there")

    def _sign(self, body: bytes) -> bytes:
        return hmac.new(self._key, body, hashlib.sha256).digest()


def _text(raw: bytes) -> str:
    return base64.urlsafe_b64encode(raw).rstrip(b"=").decode()


def _bytes(text: str) -> bytes:
    return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))
