"""The embedded store: journal and ledger in `core.db`, samples in day files, exactly once.

Order makes it safe without a transaction over both files: journal first (then the receipt),
day file second, levels and the end of the journal row third. A crash between repeats a merge
that changes nothing the second time.
"""

import logging
import threading
from collections.abc import Sequence
from contextlib import ExitStack, suppress
from pathlib import Path

import apsw

from monitor.clock import steady_s
from monitor.errors import StoreUnavailable
from monitor.store import codec, journal, owner, retention, rollups, series
from monitor.store.codec import Columns
from monitor.store.core import Core, Row, Schema
from monitor.store.days import Chunk, Damage, DayFiles
from monitor.store.fold import Fold, Parts
from monitor.store.interface import Level, Receipt, Series
from monitor.store.journal import Journal
from monitor.store.ledger import Key, Ledger
from monitor.store.owner import Claim
from monitor.store.refusal import refusal
from monitor.store.retention import Keeper, Retention
from monitor.store.rollups import Rollups
from monitor.store.series import SeriesBook
from monitor.store.views import Raw, Source, View
from monitor.wire import Message

log = logging.getLogger(__name__)

LEDGER_SCHEMA = Schema(
    "ledger",
    (
        """
        CREATE TABLE stream(sid INTEGER, boot INTEGER, held BLOB NOT NULL, lost BLOB NOT NULL,
            PRIMARY KEY(sid, boot)) WITHOUT ROWID;
        CREATE TABLE gap(sid INTEGER, boot INTEGER, first INTEGER, last INTEGER,
            PRIMARY KEY(sid, boot, first)) WITHOUT ROWID;
        """,
    ),
)
OWN_SCHEMAS = (
    series.SCHEMA,
    journal.SCHEMA,
    LEDGER_SCHEMA,
    rollups.SCHEMA,
    retention.SCHEMA,
    owner.SCHEMA,
)


class EmbeddedStore:
    """A folder with `core.db` and one `raw-<day>.db` a day; see `interface.Store`.

    schemas: the tables of other rooms that live in `core`. Raises FolderInUse when another
    process has the folder, unless read_only is set (then append and tend are refused) or the
    claim knows that process to be gone.
    """

    def __init__(
        self,
        folder: Path,
        schemas: Sequence[Schema] = (),
        *,
        keep: Retention | None = None,
        read_only: bool = False,
        claim: Claim | None = None,
    ) -> None:
        self.folder = folder
        self._writes = not read_only
        self._owner = None if read_only else owner.lock(folder, claim)
        with ExitStack() as failed:
            if self._owner is not None:
                failed.callback(self._owner.close)
            self.core = Core(folder, [*OWN_SCHEMAS, *schemas])
            failed.callback(self.core.close)
            if self._writes:
                # Before anything is read: what its last owner committed later would be unknown.
                owner.take(self.core, claim.name if claim else "")
            failed.pop_all()
        # The same lock as the writer's: a room that reads the store inside its own transaction must
        # not wait for an append that waits for that transaction.
        self._lock = self.core.lock
        self._folding = threading.Lock()
        self._book = SeriesBook(self.core)
        self._ledger = Ledger(self._stream_row)
        self._journal = Journal()
        self._days = DayFiles(folder, self._book.name)
        self._rollups = Rollups(self.core)
        self._keeper = Keeper(self.core, self._days, self._rollups, keep or Retention())
        self._raw = self._raw_source()
        self._parts = Parts(
            self.core,
            self._book,
            self._ledger,
            self._journal,
            self._days,
            self._rollups,
            self._keeper,
            self._raw,
        )
        self._fold = Fold(self._parts, self._recalled, self._settled)
        self._view = View(
            Source(self._book, self._waiting, self._raw, self._keeper.pinned, self._rollups)
        )
        self._counts: dict[str, float] = {"stored_messages": 0, "duplicate_messages": 0}
        self._commit_ms = 0.0
        self.trouble = ""
        """Why samples stay in the journal; empty when all is well."""
        for columns in self._journal.load(self.core):
            self._parts.remember(columns)

    def _raw_source(self) -> Raw:
        """Where folded chunks are read from; a member with more places overrides it."""
        return self._days

    def _recalled(self, chunk: Chunk) -> Columns | None:
        """The whole minute of a day that was dropped here; None = not to be had any more."""
        known = self._rollups.has_minute(chunk.sid, chunk.minute)
        return None if known else chunk.columns

    def _settled(self, db: apsw.Connection, merged: Sequence[Chunk]) -> None:
        """Called in the transaction that ends the journal rows of these chunks."""

    def _stream_row(self, key: Key) -> tuple[bytes, bytes] | None:
        rows = self.core.rows("SELECT held, lost FROM stream WHERE sid=? AND boot=?", key)
        return (rows[0][0], rows[0][1]) if rows else None

    def append(self, batch: Sequence[Message]) -> list[Receipt]:
        """Store all or nothing, durable on return; raises StoreFull or StoreUnavailable."""
        if not self._writes:
            raise StoreUnavailable("this store was opened for reading only")
        with self._lock:
            receipts, fresh, sids = self._sort(batch)
            if fresh:
                columns = codec.from_messages(fresh, sids)
                began = steady_s()
                with self.core.write() as db:
                    row = self._journal.insert(db, columns)
                self._commit_ms = (steady_s() - began) * 1000
                self._journal.added(row, columns)
                self._parts.remember(columns)
            self._counts["stored_messages"] += len(fresh)
            self._counts["duplicate_messages"] += receipts.count(Receipt.DUPLICATE)
            return receipts

    def _sort(self, batch: Sequence[Message]) -> tuple[list[Receipt], list[Message], list[int]]:
        receipts: list[Receipt] = []
        fresh: list[Message] = []
        sids: list[int] = []
        seen: set[tuple[int, int, int]] = set()
        self._book.register((m.site, m.pump) for m in batch)
        for message in batch:
            reason = refusal(message)
            if reason:
                receipts.append(Receipt.REJECTED)
                name = f"refused_messages_{reason}"
                self._counts[name] = self._counts.get(name, 0) + 1
                continue
            sid = self._book.number(message.site, message.pump)
            identity = (sid, message.boot, message.seq)
            if identity in seen or self._ledger.holds(identity[:2], message.seq):
                receipts.append(Receipt.DUPLICATE)
                continue
            seen.add(identity)
            receipts.append(Receipt.STORED)
            fresh.append(message)
            sids.append(sid)
        return receipts, fresh, sids

    def watermark(self, site: str, pump: str, boot: int) -> tuple[int, list[tuple[int, int]]]:
        """(highest contiguous sequence or -1, missing inclusive ranges above it)."""
        sid = self._book.find(site, pump)
        if sid is None:
            return -1, []
        with self._lock:
            return self._ledger.watermark((sid, boot))

    def declare_lost(self, site: str, pump: str, boot: int, first: int, last: int) -> None:
        """The edge no longer has these; a gap is written and nobody asks again."""
        with self._lock:
            sid = self._book.number(site, pump)
            with self.core.write() as db:
                db.execute("INSERT OR REPLACE INTO gap VALUES(?,?,?,?)", (sid, boot, first, last))
                self._ledger.declare_lost((sid, boot), first, last)
                self._parts.write_streams(db)

    def gaps(self, site: str, pump: str) -> list[Row]:
        """(boot, first seq, last seq) of everything declared lost."""
        sid = self._book.find(site, pump)
        return self.core.rows("SELECT boot, first, last FROM gap WHERE sid=?", (sid,))

    def messages(self, site: str, pump: str, from_ts: float, to_ts: float) -> list[Message]:
        """The stored messages of [from, to) by their t0, as they came, in time order."""
        return self._view.messages(site, pump, from_ts, to_ts)

    def read(
        self,
        site: str,
        pump: str,
        span: tuple[float, float],
        *,
        level: Level | None = None,
        max_points: int = 4000,
    ) -> Series:
        """The series over the half-open span; level None = the finest within max_points."""
        return self._view.read(site, pump, span, level=level, max_points=max_points)

    def latest_ts(self) -> dict[tuple[str, str], float]:
        """(site, pump) -> end of the newest stored message."""
        with self._lock:
            return {self._book.name(s): end / 1e6 for s, end in self._book.end_us.items() if end}

    def pin(self, site: str, pump: str, span: tuple[float, float], why: str) -> None:
        """Keep this span's raw samples whatever the retention says."""
        self._keeper.pin(self._book.number(site, pump), span, why)

    def tend(self, now_ts: float) -> None:
        """Fold what is due, seal, drop, watch the disk; call about once a second.

        A full or failing disk is noted in `trouble`; everything stays in the journal meanwhile.
        """
        if not self._writes:
            return
        if self._owner is None:
            # Taken over without the lock: it is free when the process that held it is gone.
            with suppress(owner.FolderInUse):
                self._owner = owner.Owner(self.folder)
        with self._folding:
            try:
                self._fold.due(now_ts)
                found = ""
            except StoreUnavailable as problem:
                found = str(problem)
            try:
                self._keeper.tend(now_ts, list(self._book.names()), self._view.seconds)
            except StoreUnavailable as problem:
                found = found or str(problem)
            if found and found != self.trouble:
                log.error("housekeeping failed problem=%s", found)
            self.trouble = found

    def _waiting(self, sid: int, from_us: int, to_us: int) -> Columns:
        return self._journal.select(
            lambda c: (c.head["sid"] == sid) & (c.head["t0"] >= from_us) & (c.head["t0"] < to_us)
        ).columns

    def rebuild(self, first_day: int) -> int:
        """Bring ledger and levels up to what the day files hold from a day on; how many minutes.

        For a restored backup, or a lost or older `core.db`; harmless when nothing is missing.
        """
        with self._folding:
            return self._fold.rebuild(first_day)

    def damage(self) -> list[Damage]:
        """What could not be read back so far."""
        return list(self._days.damage.values())

    def verify(self) -> list[Damage]:
        """Read every page and chunk of every file; an empty list is good news."""
        try:
            said = [str(line) for (line,) in self.core.rows("PRAGMA integrity_check")]
        except StoreUnavailable as problem:
            said = [str(problem)]
        found = [Damage("core.db", "file", line) for line in said if line != "ok"]
        return found + self._days.verify()

    def stats(self) -> dict[str, float]:
        """Counters and sizes, name with unit -> value."""
        with self._lock:
            return {
                **self._counts,
                "given_up_messages": self._ledger.given_up,
                "journal_rows": self._journal.rows,
                "journal_messages": self._journal.messages,
                "commit_ms": self._commit_ms,
                "series": len(self._book.names()),
                "damaged_places": len(self._days.damage),
                "in_trouble": float(bool(self.trouble)),
                **self._keeper.stats(),
            }

    def fold_all(self) -> None:
        """Fold everything now, the running minute too."""
        with self._folding:
            self._fold.everything()

    def close(self) -> None:
        """Fold what can be folded and let go of the files."""
        if self._writes:
            try:
                self.fold_all()
            except StoreUnavailable as problem:
                log.warning("left in the journal for the next start: %s", problem)
        self._days.close()
        self.core.close()
        if self._owner is not None:
            self._owner.close()
