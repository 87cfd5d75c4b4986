"""The relational file `core.db`: one writer, many readers, migrations by version.

SQLite must be 3.51.3 or newer: earlier versions can corrupt a WAL file that two connections use
(release notes of SQLite 3.51.3).
"""

import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import apsw

from monitor.errors import StoreFull, StoreUnavailable, StrokewiseError

NEEDED_SQLITE = (3, 51, 3)
BUSY_MS = 5000
"""How long another writer is waited for (chosen: far over a slow disk's commit)."""

Row = tuple[Any, ...]


@dataclass(frozen=True, slots=True)
class Schema:
    """The tables of one room: step i brings version i to i + 1; old steps are never edited."""

    name: str
    steps: tuple[str, ...]


class Core:
    """A folder's `core.db`. `write()` is a transaction; `rows()` reads in the calling thread."""

    def __init__(self, folder: Path, schemas: Sequence[Schema]) -> None:
        found = tuple(int(x) for x in apsw.sqlite_lib_version().split("."))
        if found < NEEDED_SQLITE:
            raise StrokewiseError(
                f"SQLite {apsw.sqlite_lib_version()} can corrupt a shared WAL file; "
                "install apsw 3.51.3 or newer"
            )
        folder.mkdir(parents=True, exist_ok=True)
        self.path = folder / "core.db"
        self.lock = threading.RLock()
        """The writer's lock. A room with state beside its tables guards it with this very lock, so
        that no two rooms can wait for each other."""
        self.check: Callable[[apsw.Connection], None] | None = None
        """Asked at the beginning of each transaction; raises when it must not be (`owner`)."""
        self.fenced = False
        """Another process has taken the folder over; nothing is committed here any more."""
        self._local = threading.local()
        self._readers: list[apsw.Connection] = []
        self._writer = self._open()
        try:
            self._writer.execute("PRAGMA auto_vacuum=INCREMENTAL")
            for pragma in ("journal_mode=WAL", "synchronous=FULL", "foreign_keys=ON"):
                self._writer.execute(f"PRAGMA {pragma}")
            self._writer.execute("PRAGMA journal_size_limit=33554432")
            self._migrate(schemas)
        except (apsw.CorruptError, apsw.NotADBError) as problem:
            self._writer.close()
            raise StrokewiseError(
                f"{self.path} is damaged ({problem}); restore a backup over this folder"
            ) from problem
        except (apsw.BusyError, apsw.IOError) as problem:
            self._writer.close()
            raise StoreUnavailable(f"{self.path}: {problem}") from problem

    def _open(self) -> apsw.Connection:
        db = apsw.Connection(str(self.path))
        db.set_busy_timeout(BUSY_MS)
        return db

    def _migrate(self, schemas: Sequence[Schema]) -> None:
        with self.write() as db:
            db.execute("CREATE TABLE IF NOT EXISTS room_schema(name TEXT PRIMARY KEY, version INT)")
            for schema in schemas:
                row = db.execute(
                    "SELECT version FROM room_schema WHERE name=?", (schema.name,)
                ).fetchone()
                done = int(row[0]) if row else 0
                if done > len(schema.steps):
                    raise StrokewiseError(
                        f"{self.path} was written by a newer Strokewise ({schema.name} {done}); "
                        "install that version or restore a backup"
                    )
                for step in schema.steps[done:]:
                    db.execute(step)
                db.execute(
                    "INSERT OR REPLACE INTO room_schema VALUES(?,?)",
                    (schema.name, len(schema.steps)),
                )

    @contextmanager
    def write(self) -> Iterator[apsw.Connection]:
        """One durable transaction; nested use joins the outer one.

        Raises StoreFull, StoreUnavailable, and what `check` raises.
        """
        with self.lock:
            if self._writer.in_transaction:
                yield self._writer
                return
            try:
                self._writer.execute("BEGIN IMMEDIATE")
                self._local.writing = True
                if self.check is not None:
                    self.check(self._writer)
                yield self._writer
                self._writer.execute("COMMIT")
            except BaseException as problem:
                if self._writer.in_transaction:
                    self._writer.execute("ROLLBACK")
                told = _told(self.path, problem)
                if told is not None:
                    raise told from problem
                raise
            finally:
                self._local.writing = False

    def rows(self, sql: str, params: Sequence[Any] = ()) -> list[Row]:
        """All rows at once; the cursor is closed so that it never pins the log.

        Inside this thread's `write()` it sees what the transaction has written. Raises
        StoreUnavailable.
        """
        if getattr(self._local, "writing", False):
            return list(self._writer.execute(sql, params))
        try:
            return list(self._reader().execute(sql, params))
        except (apsw.CorruptError, apsw.NotADBError, apsw.IOError, apsw.BusyError) as problem:
            raise _told(self.path, problem) or problem from problem

    def _reader(self) -> apsw.Connection:
        db = getattr(self._local, "db", None)
        if db is None:
            db = self._local.db = self._open()
            with self.lock:
                self._readers.append(db)
        return db

    def close(self) -> None:
        """Close every connection; the folder can be opened again."""
        with self.lock:
            for db in [*self._readers, self._writer]:
                db.close()
            self._readers.clear()
            self._local = threading.local()


def _told(path: Path, problem: BaseException) -> StoreUnavailable | None:
    """What SQLite says in our words; None for what is no trouble of the file."""
    if isinstance(problem, apsw.FullError):
        return StoreFull()
    if isinstance(problem, apsw.CorruptError | apsw.NotADBError):
        return StoreUnavailable(f"{path} is damaged ({problem}); stop, and restore a backup")
    if isinstance(problem, apsw.BusyError | apsw.IOError):
        return StoreUnavailable(f"{path}: {problem}")
    return None
