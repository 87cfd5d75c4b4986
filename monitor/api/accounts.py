"""Who may sign in, their sessions, tokens and what they did, in `core.db`.

Passwords: argon2id (RFC 9106). Sessions and tokens are random; only their SHA-256 is kept, so a
copy of the file opens nothing. Everything can be taken back at once.
"""

import hashlib
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerifyMismatchError

from monitor.errors import StrokewiseError
from monitor.store.core import Core, Schema


class Role(StrEnum):
    """What a person is to the site; the order is by how much each may do."""

    VIEWER = "viewer"
    OPERATOR = "operator"
    TECH = "tech"
    OWNER = "owner"
    ADMINISTRATOR = "administrator"


class May(StrEnum):
    """One thing that a role or a token allows."""

    SEE = "see"
    ALARMS = "alarms"
    WORK = "work"
    TAKE_OUT = "take out of service"
    ADMINISTER = "administer"


ALLOWED: dict[Role, frozenset[May]] = {
    Role.VIEWER: frozenset({May.SEE}),
    Role.OPERATOR: frozenset({May.SEE, May.ALARMS, May.WORK}),
    Role.TECH: frozenset({May.SEE, May.ALARMS, May.WORK, May.TAKE_OUT}),
    Role.OWNER: frozenset({May.SEE, May.ALARMS, May.WORK, May.TAKE_OUT}),
    Role.ADMINISTRATOR: frozenset(May),
}

SCOPES = (May.SEE, May.ALARMS, May.WORK)
"""What an API token may be given; administration needs a person."""

IDLE_S = 14 * 86_400
ABSOLUTE_S = 90 * 86_400
"""Chosen: a phone stays signed in over a holiday, and nobody for ever."""

FREE_TRIES = 5
SLOWEST_S = 300
"""After five failures per account and address each further one waits twice as long, to 5 min."""

SCHEMA = Schema(
    "accounts",
    (
        """
        CREATE TABLE account(
            name TEXT PRIMARY KEY, role TEXT NOT NULL, hash TEXT NOT NULL,
            must_change INT NOT NULL DEFAULT 0, disabled INT NOT NULL DEFAULT 0,
            made_ts REAL NOT NULL);
        CREATE TABLE session(
            token_sha256 BLOB PRIMARY KEY, account TEXT NOT NULL, role TEXT NOT NULL,
            kind TEXT NOT NULL, label TEXT NOT NULL, scopes TEXT NOT NULL,
            made_ts REAL NOT NULL, seen_ts REAL NOT NULL, ends_ts REAL);
        CREATE TABLE failure(key TEXT PRIMARY KEY, count INT NOT NULL, last_ts REAL NOT NULL);
        CREATE TABLE audit(
            id INTEGER PRIMARY KEY, ts REAL NOT NULL, who TEXT NOT NULL, what TEXT NOT NULL,
            subject TEXT NOT NULL, detail TEXT NOT NULL, address TEXT NOT NULL);
        CREATE INDEX audit_ts ON audit(ts);
        """,
    ),
)


class BadAccount(StrokewiseError):
    """The account cannot be made or changed like this."""


class Throttled(StrokewiseError):
    """Too many failed sign-ins; wait and try again."""

    def __init__(self, wait_s: float) -> None:
        self.wait_s = wait_s
        super().__init__(f"Too many failed sign-ins; try again in {wait_s:.0f} s.")


@dataclass(frozen=True, slots=True)
class Caller:
    """Who asks: an account's name, or the label of a token; and what is allowed."""

    name: str
    role: Role
    allowed: frozenset[May]
    session: bytes | None = None
    must_change: bool = False
    wall: bool = False

    def may(self, what: May) -> bool:
        """True where the caller may do it."""
        return what in self.allowed


@dataclass(frozen=True, slots=True)
class Account:
    """One account as the administrator sees it."""

    name: str
    role: Role
    must_change: bool
    disabled: bool
    made_ts: float


@dataclass(frozen=True, slots=True)
class Session:
    """One open session or token; `id` is the start of its SHA-256, enough to revoke it."""

    id: str
    account: str
    role: Role
    kind: str
    label: str
    scopes: tuple[str, ...]
    made_ts: float
    seen_ts: float
    ends_ts: float | None


@dataclass(frozen=True, slots=True)
class Deed:
    """One line of the audit."""

    ts: float
    who: str
    what: str
    subject: str
    detail: str
    address: str


class Accounts:
    """All of it over one `core.db` (opened with SCHEMA among its schemas).

    memory_kib / passes / lanes: argon2id cost. Default 19 MiB, 2, 1: the minimum that the
    password storage guidance of OWASP gives for argon2id; it fits a small site computer.
    """

    def __init__(
        self, core: Core, *, memory_kib: int = 19_456, passes: int = 2, lanes: int = 1
    ) -> None:
        self._core = core
        self._hasher = PasswordHasher(time_cost=passes, memory_cost=memory_kib, parallelism=lanes)

    @cached_property
    def _no_one(self) -> str:
        """Checked where no such account exists, so that the answer takes as long.

        Made at the first sign-in: at the start it would cost 20 MB that nobody may need.
        """
        return self._hasher.hash(secrets.token_urlsafe(16))

    # accounts

    def first_administrator(self, now_ts: float) -> tuple[str, str] | None:
        """Make (name, one-time password) when there is no account at all; else None."""
        if self._core.rows("SELECT 1 FROM account LIMIT 1"):
            return None
        password = secrets.token_urlsafe(12)
        self.add("admin", Role.ADMINISTRATOR, password, now_ts, must_change=True)
        return "admin", password

    def add(
        self, name: str, role: Role, password: str, now_ts: float, *, must_change: bool = False
    ) -> None:
        """Make an account; raises BadAccount with the reason."""
        name = name.strip()
        if not name or len(name) > 64 or not name.isprintable() or "/" in name:
            raise BadAccount("An account's name has 1 to 64 printable letters and no '/'.")
        _check_password(password)
        made = self._hasher.hash(password)
        with self._core.write() as db:
            if db.execute("SELECT 1 FROM account WHERE name=?", (name,)).fetchone():
                raise BadAccount(f"There is already an account named {name}.")
            db.execute(
                "INSERT INTO account VALUES(?,?,?,?,0,?)",
                (name, role.value, made, int(must_change), now_ts),
            )

    def accounts(self) -> list[Account]:
        """All accounts by name."""
        rows = self._core.rows(
            "SELECT name, role, must_change, disabled, made_ts FROM account ORDER BY name"
        )
        return [Account(r[0], Role(r[1]), bool(r[2]), bool(r[3]), r[4]) for r in rows]

    def set_password(self, name: str, password: str, *, must_change: bool = False) -> None:
        """A new password; every session of the account ends."""
        _check_password(password)
        made = self._hasher.hash(password)
        with self._core.write() as db:
            self._known(name)
            db.execute(
                "UPDATE account SET hash=?, must_change=? WHERE name=?",
                (made, int(must_change), name),
            )
            db.execute("DELETE FROM session WHERE account=? AND kind='person'", (name,))

    def set_role(self, name: str, role: Role) -> None:
        """A new role, at once also for open sessions; the last administrator stays one."""
        with self._core.write() as db:
            self._known(name)
            if role is not Role.ADMINISTRATOR:
                self._keep_one_administrator(name)
            db.execute("UPDATE account SET role=? WHERE name=?", (role.value, name))
            db.execute(
                "UPDATE session SET role=? WHERE account=? AND kind='person'", (role.value, name)
            )

    def set_disabled(self, name: str, *, disabled: bool) -> None:
        """Close an account (its sessions and tokens end) or open it again."""
        with self._core.write() as db:
            self._known(name)
            if disabled:
                self._keep_one_administrator(name)
                db.execute("DELETE FROM session WHERE account=?", (name,))
            db.execute("UPDATE account SET disabled=? WHERE name=?", (int(disabled), name))

    def _known(self, name: str) -> None:
        names = [account.name for account in self.accounts()]
        if name not in names:
            there = ", ".join(names) or "none yet"
            raise BadAccount(f"There is no account named {name}; there are: {there}.")

    def _keep_one_administrator(self, name: str) -> None:
        open_ = "SELECT name FROM account WHERE role='administrator' AND disabled=0"
        if [row[0] for row in self._core.rows(open_)] == [name]:
            raise BadAccount("The last administrator cannot be taken away; make another first.")

    # sign-in

    def sign_in(self, name: str, password: str, address: str, now_ts: float) -> str | None:
        """A session token, or None for a wrong name or password; raises Throttled."""
        key = f"{name}\n{address}"
        self._check_throttle(key, now_ts)
        rows = self._core.rows(
            "SELECT hash, role, disabled FROM account WHERE name=?", (name.strip(),)
        )
        good = self._verify(rows[0][0] if rows else self._no_one, password)
        if not rows or not good or rows[0][2]:
            self._count_failure(key, now_ts)
            self.note(now_ts, name[:64], "sign-in refused", "", "", address)
            return None
        with self._core.write() as db:
            db.execute("DELETE FROM failure WHERE key=?", (key,))
        if self._hasher.check_needs_rehash(rows[0][0]):
            with self._core.write() as db:
                db.execute(
                    "UPDATE account SET hash=? WHERE name=?", (self._hasher.hash(password), name)
                )
        self.note(now_ts, name.strip(), "signed in", "", "", address)
        return self._open(name.strip(), Role(rows[0][1]), "person", "", (), now_ts)

    def _verify(self, made: str, password: str) -> bool:
        try:
            return self._hasher.verify(made, password)
        except (VerifyMismatchError, InvalidHashError):
            return False

    def _check_throttle(self, key: str, now_ts: float) -> None:
        rows = self._core.rows("SELECT count, last_ts FROM failure WHERE key=?", (key,))
        if not rows or rows[0][0] < FREE_TRIES:
            return
        wait = min(2.0 ** (rows[0][0] - FREE_TRIES + 1), SLOWEST_S) - (now_ts - rows[0][1])
        if wait > 0:
            raise Throttled(wait)

    def _count_failure(self, key: str, now_ts: float) -> None:
        with self._core.write() as db:
            db.execute("DELETE FROM failure WHERE last_ts<?", (now_ts - 86_400,))
            db.execute(
                "INSERT INTO failure VALUES(?,1,?) ON CONFLICT(key) DO UPDATE SET "
                "count=count+1, last_ts=excluded.last_ts",
                (key, now_ts),
            )

    # sessions and tokens

    def issue(
        self,
        kind: str,
        label: str,
        now_ts: float,
        *,
        by: str,
        scopes: Sequence[May] = (),
    ) -> str:
        """A token for a 'wall' screen (board only) or for the 'api' with scopes; shown once."""
        if kind not in ("wall", "api") or not label.strip():
            raise BadAccount("A token is for a 'wall' screen or the 'api', and has a label.")
        if any(s not in SCOPES for s in scopes):
            raise BadAccount(f"A token's scopes are of: {', '.join(SCOPES)}.")
        names = tuple(s.value for s in scopes) or (May.SEE.value,)
        return self._open(by, Role.VIEWER, kind, label.strip()[:64], names, now_ts)

    def _open(
        self,
        account: str,
        role: Role,
        kind: str,
        label: str,
        scopes: tuple[str, ...],
        now_ts: float,
    ) -> str:
        token = secrets.token_urlsafe(32)
        ends = now_ts + ABSOLUTE_S if kind == "person" else None
        with self._core.write() as db:
            db.execute(
                "INSERT INTO session VALUES(?,?,?,?,?,?,?,?,?)",
                (
                    _sha256(token),
                    account,
                    role.value,
                    kind,
                    label,
                    ",".join(scopes),
                    now_ts,
                    now_ts,
                    ends,
                ),
            )
        return token

    def caller(self, token: str, now_ts: float) -> Caller | None:
        """Who holds this token; None when it is unknown, over, idle too long or revoked."""
        digest = _sha256(token)
        rows = self._core.rows(
            "SELECT s.account, s.role, s.kind, s.label, s.scopes, s.seen_ts, s.ends_ts, "
            "a.must_change FROM session s LEFT JOIN account a ON a.name=s.account "
            "WHERE s.token_sha256=?",
            (digest,),
        )
        if not rows:
            return None
        account, role, kind, label, scopes, seen_ts, ends_ts, must_change = rows[0]
        idle_out = kind == "person" and now_ts - seen_ts > IDLE_S
        if idle_out or (ends_ts is not None and now_ts >= ends_ts):
            self.end(digest)
            return None
        if now_ts - seen_ts > 300:
            with self._core.write() as db:
                db.execute("UPDATE session SET seen_ts=? WHERE token_sha256=?", (now_ts, digest))
        if kind == "person":
            allowed = ALLOWED[Role(role)]
            return Caller(account, Role(role), allowed, digest, bool(must_change))
        allowed = frozenset(May(s) for s in scopes.split(","))
        return Caller(f"{label} ({kind})", Role(role), allowed, digest, wall=kind == "wall")

    def end(self, session: bytes) -> None:
        """End one session or token."""
        with self._core.write() as db:
            db.execute("DELETE FROM session WHERE token_sha256=?", (session,))

    def revoke(self, session_id: str, *, account: str | None = None) -> bool:
        """End the one whose id begins so, of one account or of any; False if there is none."""
        for row in self._core.rows("SELECT token_sha256, account FROM session"):
            if row[0].hex()[:16] == session_id and account in (None, row[1]):
                self.end(row[0])
                return True
        return False

    def sessions(self, account: str | None = None) -> list[Session]:
        """Open sessions and tokens, newest first."""
        rows = self._core.rows(
            "SELECT token_sha256, account, role, kind, label, scopes, made_ts, seen_ts, ends_ts "
            "FROM session WHERE ?1 IS NULL OR account=?1 ORDER BY made_ts DESC",
            (account,),
        )
        return [
            Session(r[0].hex()[:16], r[1], Role(r[2]), r[3], r[4], tuple(r[5].split(",")), *r[6:9])
            for r in rows
        ]

    # audit

    def note(self, ts: float, who: str, what: str, subject: str, detail: str, address: str) -> None:
        """Write down who did what."""
        with self._core.write() as db:
            db.execute(
                "INSERT INTO audit(ts, who, what, subject, detail, address) VALUES(?,?,?,?,?,?)",
                (ts, who, what, subject, detail[:400], address),
            )

    def audit(self, *, limit: int = 200, before_id: int | None = None) -> list[Deed]:
        """The newest lines first."""
        rows = self._core.rows(
            "SELECT ts, who, what, subject, detail, address FROM audit "
            "WHERE ?1 IS NULL OR id<?1 ORDER BY id DESC LIMIT ?2",
            (before_id, limit),
        )
        return [Deed(*row) for row in rows]


def _check_password(password: str) -> None:
    if not 10 <= len(password) <= 256:
        raise BadAccount("A password has 10 to 256 letters; three or four plain words do well.")


def _sha256(token: str) -> bytes:
    return hashlib.sha256(token.encode()).digest()
