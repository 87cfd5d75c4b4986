"""One service a folder: a lock that dies with its process, and a number that fences who woke late.

The lock keeps two out. A process that is frozen (stopped, swapped out, its machine suspended)
keeps the lock and cannot be asked. Whoever knows otherwise that it is gone may take the folder
over without the lock: each owner writes a higher number into `core.db`, every transaction asks
whether the number is still its own, and so the one that wakes can commit nothing more (fencing
tokens; SQLite has one writer at a time, so number and data are judged in one transaction).
"""

from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import apsw

from monitor.errors import StoreUnavailable, StrokewiseError
from monitor.store.core import Core, Schema

SCHEMA = Schema(
    "owner",
    (
        """
        CREATE TABLE ownership(one INTEGER PRIMARY KEY CHECK(one = 1), number INTEGER NOT NULL,
            name TEXT NOT NULL);
        """,
    ),
)


class FolderInUse(StrokewiseError):
    """Another Strokewise runs on this folder; stop it first or name another folder."""


class Fenced(StoreUnavailable):
    """Another collector has taken this folder over; this one writes nothing more and lets go."""


@dataclass(frozen=True, slots=True)
class Claim:
    """Who takes a folder, and whom it may take it from. gone(name): is that owner known to be no
    longer there, by some other way than this folder?"""

    name: str
    gone: Callable[[str], bool]


class Owner:
    """Holds `owner.db` exclusively until close() or the end of the process."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._db = apsw.Connection(str(folder / "owner.db"))
        try:
            self._db.execute("BEGIN EXCLUSIVE")
        except apsw.BusyError as problem:
            self._db.close()
            raise FolderInUse(
                f"another Strokewise runs on {folder}; stop it first or name another folder"
            ) from problem

    def close(self) -> None:
        """Let the next one in."""
        self._db.close()


def lock(folder: Path, claim: Claim | None) -> Owner | None:
    """The folder's lock; None when its holder is gone for good by the claim. Raises FolderInUse."""
    try:
        return Owner(folder)
    except FolderInUse:
        name = holder(folder)
        if claim is None or not name or name == claim.name or not claim.gone(name):
            raise
        return None


def holder(folder: Path) -> str:
    """The name of the folder's last owner; empty when none gave one."""
    try:
        with closing(apsw.Connection(str(folder / "core.db"), apsw.SQLITE_OPEN_READONLY)) as db:
            return str(next(iter(db.execute("SELECT name FROM ownership")), ("",))[0])
    except apsw.Error:
        return ""  # no such file or table yet: then nobody has owned it by name


def take(core: Core, name: str) -> None:
    """Make this process the owner: from here on every transaction asks whether it still is."""
    with core.write() as db:
        row = db.execute("SELECT number FROM ownership").fetchone()
        number = 1 + (int(row[0]) if row else 0)
        db.execute("INSERT OR REPLACE INTO ownership VALUES(1,?,?)", (number, name))

    def check(db: apsw.Connection) -> None:
        if db.execute("SELECT number FROM ownership").fetchone() != (number,):
            core.fenced = True
            raise Fenced(f"{core.path.parent}: another collector has taken it over")

    core.check = check
