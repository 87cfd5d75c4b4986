"""Day files: one SQLite file per UTC day, one compressed chunk per pump and minute.

A day goes by unlinking its file, so its space is back at once. Keys run time first
(minute of the day, then series), so writing appends almost in order.
"""

import threading
from collections import OrderedDict
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path

import apsw

from monitor.errors import StoreFull, StoreUnavailable
from monitor.store import codec
from monitor.store.codec import Columns

MINUTES_PER_DAY = 1440
SID_BITS = 24
MANY_DAYS = 8
KEEP_OPEN = 6
"""Day files kept open for reading; chosen, because a page looks at a week at most."""

_TABLES = """
CREATE TABLE IF NOT EXISTS chunk(id INTEGER PRIMARY KEY, body BLOB NOT NULL);
CREATE TABLE IF NOT EXISTS series(id INTEGER PRIMARY KEY, site TEXT NOT NULL, pump TEXT NOT NULL);
"""


@dataclass(frozen=True, slots=True, eq=False)
class Chunk:
    """One pump's minute (by the start of each message)."""

    sid: int
    minute: int
    columns: Columns


@dataclass(frozen=True, slots=True)
class Damage:
    """Something that could not be read back, with its place."""

    file: str
    place: str
    problem: str


class DayFiles:
    """All `raw-<day>.db` of a folder; one writer thread, any number of readers."""

    def __init__(self, folder: Path, names: codec.Names) -> None:
        self.folder = folder
        self._names = names
        self._lock = threading.Lock()
        self._writers: OrderedDict[int, apsw.Connection] = OrderedDict()
        self._idle: OrderedDict[int, list[apsw.Connection]] = OrderedDict()
        self._known: dict[int, set[int]] = {}
        self.damage: dict[tuple[str, str], Damage] = {}

    def path(self, day: int) -> Path:
        """The file of a day (days since 1970-01-01 UTC)."""
        return self.folder / f"raw-{day}.db"

    def days(self) -> list[int]:
        """The days that have a file, oldest first."""
        found = []
        for path in self.folder.glob("raw-*.db"):
            with suppress(ValueError):
                found.append(int(path.stem.removeprefix("raw-")))
        return sorted(found)

    def put(self, chunks: Sequence[Chunk]) -> list[Chunk]:
        """Merge by (boot, seq), durable on return; gives each whole minute back. Idempotent.

        Raises StoreFull or StoreUnavailable; days already written stay written.
        """
        by_day: dict[int, list[Chunk]] = {}
        for chunk in chunks:
            by_day.setdefault(chunk.minute // MINUTES_PER_DAY, []).append(chunk)
        merged: list[Chunk] = []
        for day, members in sorted(by_day.items()):
            merged += self._put_day(day, members)
        return merged

    def _put_day(self, day: int, chunks: Sequence[Chunk]) -> list[Chunk]:
        try:
            return self._merge(self._writer(day), day, chunks)
        except apsw.FullError as problem:
            raise StoreFull from problem
        except (apsw.CorruptError, apsw.NotADBError) as problem:
            self._set_aside(day, str(problem))
            return self._merge(self._writer(day), day, chunks)
        except (apsw.BusyError, apsw.IOError, apsw.CantOpenError) as problem:
            raise StoreUnavailable(f"{self.path(day)}: {problem}") from problem

    def _merge(self, db: apsw.Connection, day: int, chunks: Sequence[Chunk]) -> list[Chunk]:
        merged = []
        known = self._known.setdefault(day, set())
        try:
            db.execute("BEGIN IMMEDIATE")
            for chunk in chunks:
                key = (chunk.minute % MINUTES_PER_DAY) << SID_BITS | chunk.sid
                parts = [chunk.columns]
                row = db.execute("SELECT body FROM chunk WHERE id=?", (key,)).fetchone()
                if row:
                    parts += self._parts(row[0], day, key)
                whole = codec.join(parts).union()
                db.execute("INSERT OR REPLACE INTO chunk VALUES(?,?)", (key, codec.pack(whole)))
                if chunk.sid not in known:
                    named = (chunk.sid, *self._names(chunk.sid))
                    db.execute("INSERT OR REPLACE INTO series VALUES(?,?,?)", named)
                merged.append(Chunk(chunk.sid, chunk.minute, whole))
            db.execute("COMMIT")
        except BaseException:
            if db.in_transaction:
                db.execute("ROLLBACK")
            raise
        known.update(chunk.sid for chunk in chunks)
        return merged

    def get(self, sid: int, first: int, last: int) -> list[Chunk]:
        """The chunks of minutes first..last (both included), in time order."""
        found: list[Chunk] = []
        for day in self._days_between(first // MINUTES_PER_DAY, last // MINUTES_PER_DAY):
            start = day * MINUTES_PER_DAY
            low, high = max(first - start, 0), min(last - start, MINUTES_PER_DAY - 1)
            keys = [(minute << SID_BITS | sid) for minute in range(low, high + 1)]
            for key, body in self._bodies(day, keys):
                minute = start + (key >> SID_BITS)
                found += [Chunk(sid, minute, c) for c in self._parts(body, day, key)]
        return found

    def _days_between(self, first: int, last: int) -> list[int]:
        """The days first..last that have a file; a look at a few names beats listing a folder."""
        if last - first < MANY_DAYS:
            return [day for day in range(first, last + 1) if self.path(day).exists()]
        return [day for day in self.days() if first <= day <= last]

    def _bodies(self, day: int, keys: list[int]) -> list[tuple[int, bytes]]:
        try:
            with self._reader(day) as db:
                out: list[tuple[int, bytes]] = []
                for key in keys:
                    out += list(db.execute("SELECT id, body FROM chunk WHERE id=?", (key,)))
                return out
        except (apsw.CorruptError, apsw.NotADBError) as problem:
            self._report(day, "file", str(problem))
        except apsw.SQLError:
            # A power cut can leave a day file without its table: it holds nothing yet.
            return []
        except apsw.CantOpenError:
            return []
        except (apsw.IOError, apsw.BusyError) as problem:
            raise StoreUnavailable(f"{self.path(day)}: {problem}") from problem
        return []

    def _parts(self, body: bytes, day: int, key: int) -> list[Columns]:
        try:
            return [codec.unpack(body)]
        except codec.DamagedChunk as problem:
            minute, sid = key >> SID_BITS, key & ((1 << SID_BITS) - 1)
            self._report(day, f"minute {minute} of series {sid}", str(problem))
            return []

    def _report(self, day: int, place: str, problem: str) -> None:
        name = self.path(day).name
        self.damage[name, place] = Damage(name, place, problem)

    def _writer(self, day: int) -> apsw.Connection:
        db = self._writers.get(day)
        if db is None:
            db = self._open(day)
            for pragma in ("page_size=8192", "journal_mode=WAL", "synchronous=FULL"):
                db.execute(f"PRAGMA {pragma}")
            db.execute("PRAGMA journal_size_limit=33554432")
            db.execute(_TABLES)
            self._writers[day] = db
            while len(self._writers) > KEEP_OPEN:
                self._writers.popitem(last=False)[1].close()
        self._writers.move_to_end(day)
        return db

    def _open(self, day: int) -> apsw.Connection:
        db = apsw.Connection(str(self.path(day)))
        db.set_busy_timeout(5000)
        return db

    @contextmanager
    def _reader(self, day: int) -> Iterator[apsw.Connection]:
        with self._lock:
            idle = self._idle.setdefault(day, [])
            self._idle.move_to_end(day)
            db = idle.pop() if idle else None
        if db is None:
            if not self.path(day).exists():
                raise apsw.CantOpenError
            db = self._open(day)
        try:
            yield db
        except BaseException:
            db.close()
            raise
        with self._lock:
            if day not in self._idle:
                db.close()
                return
            self._idle[day].append(db)
            while len(self._idle) > KEEP_OPEN:
                for old in self._idle.popitem(last=False)[1]:
                    old.close()

    def _let_go(self, day: int) -> None:
        writer = self._writers.pop(day, None)
        if writer is not None:
            with suppress(apsw.Error):
                writer.close()
        with self._lock:
            for db in self._idle.pop(day, []):
                db.close()
        self._known.pop(day, None)

    def _set_aside(self, day: int, problem: str) -> None:
        """A file SQLite calls corrupt keeps its bytes under another name; a fresh one starts."""
        self._let_go(day)
        path = self.path(day)
        number = len(list(self.folder.glob(f"{path.name}.damaged-*"))) + 1
        aside = path.with_name(f"{path.name}.damaged-{number}")
        self._report(day, "file", f"{problem}; set aside as {aside.name}")
        for suffix in ("", "-wal", "-shm"):
            part = path.with_name(path.name + suffix)
            if part.exists():
                part.rename(aside.with_name(aside.name + suffix))

    def drop(self, day: int) -> None:
        """Unlink a day; its space is free at once."""
        self._let_go(day)
        for suffix in ("", "-wal", "-shm"):
            self.path(day).with_name(self.path(day).name + suffix).unlink(missing_ok=True)

    def sids(self, day: int) -> list[int]:
        """The series that have chunks in that day's file."""
        try:
            with self._reader(day) as db:
                return [int(row[0]) for row in db.execute("SELECT id FROM series")]
        except apsw.Error:
            return []

    def named(self, day: int) -> list[tuple[int, str, str]]:
        """(series, site, pump) as that day's file knows them."""
        try:
            with self._reader(day) as db:
                return list(db.execute("SELECT id, site, pump FROM series"))
        except apsw.Error:
            return []

    def scan(self, day: int) -> Iterator[list[Chunk]]:
        """All chunks of a day in time order, a minute's worth at a time."""
        for minute in range(day * MINUTES_PER_DAY, (day + 1) * MINUTES_PER_DAY):
            low = minute % MINUTES_PER_DAY << SID_BITS
            chunks = []
            for key, body in self._between(day, low, low + (1 << SID_BITS)):
                for columns in self._parts(body, day, key):
                    chunks.append(Chunk(key - low, minute, columns))
            if chunks:
                yield chunks

    def _between(self, day: int, low: int, end: int) -> list[tuple[int, bytes]]:
        try:
            with self._reader(day) as db:
                return list(
                    db.execute("SELECT id, body FROM chunk WHERE id>=? AND id<?", (low, end))
                )
        except apsw.Error as problem:
            self._report(day, "file", str(problem))
            return []

    def size_bytes(self) -> int:
        """What all day files take on disk."""
        return sum(p.stat().st_size for p in self.folder.glob("raw-*.db*"))

    def verify(self) -> list[Damage]:
        """Read every page and every chunk; what is wrong, with its place."""
        for day in self.days():
            try:
                with self._reader(day) as db:
                    for (line,) in db.execute("PRAGMA integrity_check"):
                        if line != "ok":
                            self._report(day, "file", str(line))
                    if db.execute("SELECT 1 FROM sqlite_master").fetchone() is None:
                        continue  # power went while it was being made: nothing was in it yet
                    for key, body in db.execute("SELECT id, body FROM chunk"):
                        self._parts(body, day, key)
            except apsw.Error as problem:
                self._report(day, "file", str(problem))
        return sorted(self.damage.values(), key=lambda d: (d.file, d.place))

    def close(self) -> None:
        """Let go of every file."""
        for day in [*self._writers, *self._idle]:
            self._let_go(day)
