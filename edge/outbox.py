"""A durable, bounded queue between the sensors and the broker, in one SQLite file.

A message is safe when `add` returns (WAL, synchronous FULL: it survives power loss). It stays
unsent until the broker's receipt, then stays sent in a ring, to be sent again when the monitor
says that it never arrived. What is too much or too old is dropped, oldest first: sent messages
before unsent ones, and each unsent one that goes is counted, for ever.

Python's own sqlite3 is enough here although SQLite before 3.51.3 can corrupt a WAL file when two
connections reset it at once (release notes of SQLite 3.51.3): the outbox has a single connection,
used by a single thread, and holds an exclusive lock, so a second one cannot exist.
"""

import sqlite3
from collections.abc import Iterable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from edge.errors import OutboxError

Order = Literal["newest first", "in order"]

_SCHEMA = """
CREATE TABLE IF NOT EXISTS message(
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    pump TEXT NOT NULL, boot INTEGER NOT NULL, seq INTEGER NOT NULL,
    t0_us INTEGER NOT NULL, sent INTEGER NOT NULL DEFAULT 0, payload BLOB NOT NULL);
CREATE UNIQUE INDEX IF NOT EXISTS message_identity ON message(pump, boot, seq);
CREATE INDEX IF NOT EXISTS message_unsent ON message(id) WHERE sent = 0;
CREATE INDEX IF NOT EXISTS message_sent ON message(id) WHERE sent = 1;
CREATE TABLE IF NOT EXISTS tally(name TEXT PRIMARY KEY, value INTEGER NOT NULL);
"""
LOCK_WAIT_S = 0.5
"""Chosen: a node that was just stopped may still be closing the file."""
RECEIPTS_AT_ONCE = 500
"""Chosen: they are looked past one by one until then, and a write costs as much as 500 looks."""
_ROW_BYTES = 160
"""Computed: row header, two index entries and page slack beside the payload."""


@dataclass(frozen=True, slots=True)
class Letter:
    """One message as it lies in the outbox; id is its place in line."""

    id: int
    pump: str
    boot: int
    seq: int
    t0_us: int
    payload: bytes


@dataclass(frozen=True, slots=True)
class Bounds:
    """How much may be kept, unsent and sent together; defaults in edge.settings."""

    max_bytes: int
    max_age_s: float
    max_sent: int


class Outbox:
    """See the module. Not thread-safe by purpose: one owner, one thread."""

    def __init__(self, path: Path, bounds: Bounds) -> None:
        self._bounds = bounds
        self._acked: set[int] = set()
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._db = sqlite3.connect(path, isolation_level=None, timeout=LOCK_WAIT_S)
            self._db.execute("PRAGMA locking_mode=EXCLUSIVE")
            self._db.execute("PRAGMA journal_mode=WAL")
            self._db.execute("PRAGMA synchronous=FULL")
            self._db.execute("PRAGMA auto_vacuum=INCREMENTAL")
            self._db.executescript(_SCHEMA)
            counts = self._db.execute(
                "SELECT sent, count(*), sum(length(payload)) FROM message GROUP BY sent"
            ).fetchall()
        except (sqlite3.Error, OSError) as problem:
            if hasattr(self, "_db"):
                self._db.close()
            raise OutboxError(
                f"{path}: {problem}; check the folder's rights, the disk, and that no other "
                "strokewise-edge uses this file"
            ) from problem
        self._count: dict[int, int] = {0: 0, 1: 0} | {sent: count for sent, count, _ in counts}
        self._bytes: int = sum(size + count * _ROW_BYTES for _, count, size in counts)
        self._dropped: int = self._tally("dropped")
        self._next_id = self._read_next_id()

    # -- in ---------------------------------------------------------------------------------------

    def add(self, letters: Iterable[tuple[str, int, int, int, bytes]], now_us: int | None) -> None:
        """Take (pump, boot, seq, t0_us, payload) each; on return they are on the disk.

        Receipts noted before are made durable in the same transaction. now_us is the Unix time
        for the bound on age, or None while the clock cannot be trusted (nothing is too old then).
        Raises OutboxError; then nothing of the batch is in.
        """
        rows = list(letters)
        if not rows and not self._acked:
            return
        try:
            self._db.execute("BEGIN IMMEDIATE")
            self._db.executemany(
                "INSERT INTO message(pump, boot, seq, t0_us, payload) VALUES(?,?,?,?,?)", rows
            )
            acked = self._write_receipts()
            self._count[0] += len(rows) - acked
            self._count[1] += acked
            self._bytes += sum(len(row[4]) + _ROW_BYTES for row in rows)
            self._next_id += len(rows)
            self._keep_bounds(now_us)
            self._db.execute("COMMIT")
        except sqlite3.Error as problem:
            with suppress(sqlite3.Error):
                self._db.execute("ROLLBACK")
            self._recount()
            raise OutboxError(f"the outbox took nothing: {problem}; free some disk") from problem
        self._acked.clear()

    def ack(self, ids: Iterable[int]) -> None:
        """Note the broker's receipts; durable with the next `add` or `flush`, or when many.

        Lost by a crash before that, they only cause a second sending, which the monitor
        recognises by (pump, boot, seq).
        """
        for letter_id in ids:
            row = self._db.execute("SELECT sent FROM message WHERE id = ?", (letter_id,)).fetchone()
            if row and not row[0]:
                self._acked.add(letter_id)
        if len(self._acked) >= RECEIPTS_AT_ONCE:
            self.flush(None)

    def flush(self, now_us: int | None) -> None:
        """Make the noted receipts durable."""
        self.add((), now_us)

    def _write_receipts(self) -> int:
        self._db.executemany(
            "UPDATE message SET sent = 1 WHERE id = ?", [(i,) for i in self._acked]
        )
        return len(self._acked)

    # -- out --------------------------------------------------------------------------------------

    def unsent(
        self, limit: int, order: Order = "in order", span: tuple[int, int] | None = None
    ) -> list[Letter]:
        """Up to `limit` letters without receipt, with id in the half-open span."""
        first, end = span or (0, 2**63 - 1)
        direction = "DESC" if order == "newest first" else "ASC"
        rows = self._db.execute(
            "SELECT id, pump, boot, seq, t0_us, payload FROM message "  # noqa: S608 - two words
            f"WHERE sent = 0 AND id >= ? AND id < ? ORDER BY id {direction} LIMIT ?",
            (first, end, limit + len(self._acked)),
        )
        return [letter for letter in map(_letter, rows) if letter.id not in self._acked][:limit]

    def find(self, pump: str, boot: int, first: int, last: int, limit: int) -> list[Letter]:
        """Letters of a range of sequence numbers, sent or not, in order."""
        rows = self._db.execute(
            "SELECT id, pump, boot, seq, t0_us, payload FROM message "
            "WHERE pump = ? AND boot = ? AND seq BETWEEN ? AND ? ORDER BY seq LIMIT ?",
            (pump, boot, first, last, limit),
        )
        return [_letter(row) for row in rows]

    @property
    def next_id(self) -> int:
        """The id that the next letter will get."""
        return self._next_id

    def _read_next_id(self) -> int:
        row = self._db.execute("SELECT seq FROM sqlite_sequence WHERE name = 'message'").fetchone()
        return int(row[0]) + 1 if row else 1

    # -- bounds and counts ------------------------------------------------------------------------

    def _keep_bounds(self, now_us: int | None) -> None:
        bounds = self._bounds
        self._discard("sent = 1", max(0, self._count[1] - bounds.max_sent))
        if now_us is not None:
            for sent in (1, 0):
                self._discard_old(sent, now_us - round(bounds.max_age_s * 1e6))
        for sent in (1, 0):
            while self._bytes > bounds.max_bytes and self._count[sent]:
                over = self._bytes - bounds.max_bytes
                self._discard(f"sent = {sent}", 1 + over // (_ROW_BYTES + 2048))

    def _discard_old(self, sent: int, old_us: int) -> None:
        """Age is that of the data; lines are nearly in order of time, so look from the head."""
        while self._count[sent]:
            rows = self._db.execute(
                "SELECT t0_us FROM message WHERE sent = ? ORDER BY id LIMIT 500", (sent,)
            ).fetchall()
            old = next((i for i, (t0_us,) in enumerate(rows) if t0_us >= old_us), len(rows))
            self._discard(f"sent = {sent}", old)
            if old < len(rows) or not rows:
                return

    def _discard(self, which: str, count: int) -> None:
        if count <= 0:
            return
        rows = self._db.execute(
            f"DELETE FROM message WHERE id IN (SELECT id FROM message WHERE {which} "  # noqa: S608
            "ORDER BY id LIMIT ?) RETURNING length(payload), sent",
            (count,),
        ).fetchall()
        unsent = sum(1 for _, sent in rows if not sent)
        self._bytes -= sum(size + _ROW_BYTES for size, _ in rows)
        self._count[0] -= unsent
        self._count[1] -= len(rows) - unsent
        if unsent:
            self._dropped += unsent
            self._db.execute(
                "INSERT INTO tally VALUES('dropped', ?) "
                "ON CONFLICT(name) DO UPDATE SET value = excluded.value",
                (self._dropped,),
            )
        self._db.execute("PRAGMA incremental_vacuum(64)")

    def _tally(self, name: str) -> int:
        row = self._db.execute("SELECT value FROM tally WHERE name = ?", (name,)).fetchone()
        return int(row[0]) if row else 0

    def _recount(self) -> None:
        with suppress(sqlite3.Error):
            self._count = {
                sent: int(
                    self._db.execute(
                        "SELECT count(*) FROM message WHERE sent = ?", (sent,)
                    ).fetchone()[0]
                )
                for sent in (0, 1)
            }
            size = self._db.execute(
                "SELECT coalesce(sum(length(payload) + ?), 0) FROM message", (_ROW_BYTES,)
            ).fetchone()
            self._bytes = int(size[0])
            self._dropped = self._tally("dropped")
            self._next_id = self._read_next_id()

    @property
    def waiting(self) -> int:
        """Letters without receipt."""
        return self._count[0] - len(self._acked)

    @property
    def kept(self) -> int:
        """Letters with receipt that can be sent again."""
        return self._count[1] + len(self._acked)

    @property
    def dropped(self) -> int:
        """Letters that went before any receipt, over the life of this file."""
        return self._dropped

    @property
    def size_bytes(self) -> int:
        """What the letters take, payload and overhead."""
        return self._bytes

    def close(self, now_us: int | None) -> None:
        """Make receipts durable and let the file go."""
        with suppress(OutboxError):
            self.flush(now_us)
        self._db.close()


def _letter(row: Sequence[object]) -> Letter:
    return Letter(*row)  # type: ignore[arg-type]  # the columns of the schema, in this order
