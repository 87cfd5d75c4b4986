"""Folding: messages leave the journal for minute chunks, and the levels follow.

Day file first, levels and the end of the journal row second, in one transaction: a crash between
repeats a merge that changes nothing the second time.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import apsw
import numpy as np
from numpy.typing import NDArray

from monitor.store import levels
from monitor.store.codec import Columns
from monitor.store.core import Core
from monitor.store.days import MINUTES_PER_DAY, Chunk, DayFiles
from monitor.store.journal import Journal, Selection
from monitor.store.ledger import Key, Ledger
from monitor.store.levels import Before, Rows
from monitor.store.retention import Keeper
from monitor.store.rollups import Rollups
from monitor.store.series import SeriesBook
from monitor.store.views import Raw

SLICES = 12
"""A minute is folded in slices of pumps, 5 s each, so that no call is long."""
SLICE_S = 5
FLOOD_MESSAGES = 200_000
"""Chosen: about 60 MB waiting; beyond it everything but the running minute is folded at once."""


@dataclass(frozen=True, slots=True, eq=False)
class Parts:
    """What a store is made of."""

    core: Core
    book: SeriesBook
    ledger: Ledger
    journal: Journal
    days: DayFiles
    rollups: Rollups
    keeper: Keeper
    raw: Raw

    def remember(self, columns: Columns) -> None:
        """These messages are durable: ledger and newest times know them now."""
        head = columns.head
        rows = zip(head["sid"].tolist(), head["boot"].tolist(), head["seq"].tolist(), strict=True)
        for sid, boot, seq in rows:
            self.ledger.add((sid, boot), seq)
        self.book.note(columns)

    def write_streams(self, db: apsw.Connection) -> list[Key]:
        """Write the ledger's changed streams; call ledger.written(keys) after the commit."""
        changed = self.ledger.changed()
        rows = [(sid, boot, held, lost) for (sid, boot), held, lost in changed]
        db.executemany("INSERT OR REPLACE INTO stream VALUES(?,?,?,?)", rows)
        return [key for key, _, _ in changed]


Recall = Callable[[Chunk], Columns | None]
Settled = Callable[[apsw.Connection, Sequence[Chunk]], None]


class Fold:
    """One thread at a time.

    recall(chunk): the whole minute of a day whose file was dropped, or None. settled(db, chunks):
    called in the transaction that ends their journal rows. Raises StoreFull, StoreUnavailable;
    then everything stays in the journal.
    """

    def __init__(self, parts: Parts, recall: Recall, settled: Settled) -> None:
        self._in = parts
        self._recall = recall
        self._settled = settled
        self._tails: dict[int, tuple[int, Before | None]] = {}
        self._newest: dict[int, int] = {}
        self._slot = 0

    def due(self, now_ts: float) -> None:
        """Fold the slices of pumps whose turn has come since the last call."""
        slot = int(now_ts // SLICE_S)
        behind = slot - self._slot
        count = SLICES if not 0 <= behind < SLICES else behind
        running = int((now_ts - SLICE_S) // 60)
        for number in range(slot - count + 1, slot + 1):
            self._fold(running, number % SLICES)
        self._slot = slot
        if self._in.journal.messages > FLOOD_MESSAGES:
            self._fold(running, None)

    def everything(self) -> None:
        """Fold all there is, the running minute too."""
        self._fold(None, None)

    def _fold(self, running: int | None, part: int | None) -> None:
        def due(columns: Columns) -> NDArray[np.bool_]:
            minutes = columns.minutes()
            mask = np.ones(len(columns), np.bool_)
            if running is not None:
                mask &= (minutes < running) | (minutes > running + 2)
            if part is not None:
                mask &= columns.head["sid"] % SLICES == part
            return mask

        selection = self._in.journal.select(due)
        if len(selection.columns):
            merged = self._in.days.put(_chunks(selection.columns))
            self._settle(selection, merged)

    def _settle(self, selection: Selection, merged: Sequence[Chunk]) -> None:
        parts = self._in
        rows = self._minute_rows(merged)
        with parts.core.lock:
            done = parts.journal.finished(selection)
            with parts.core.write() as db:
                keys = self._write_levels(db, rows, merged)
                self._settled(db, merged)
                db.executemany("DELETE FROM journal WHERE id=?", [(row,) for row in done])
            parts.journal.settle(selection)
            parts.ledger.written(keys)

    def rebuild(self, first_day: int) -> int:
        """Bring ledger and levels up to what the day files hold from a day on; how many minutes."""
        parts, count = self._in, 0
        for day in (d for d in parts.days.days() if d >= first_day):
            for named in parts.days.named(day):
                parts.book.adopt(*named)
            for chunks in parts.days.scan(day):
                rows = self._minute_rows(chunks)
                with parts.core.lock:
                    for chunk in chunks:
                        parts.remember(chunk.columns)
                    with parts.core.write() as db:
                        keys = self._write_levels(db, rows, chunks)
                    parts.ledger.written(keys)
                count += len(chunks)
        return count

    def _write_levels(
        self, db: apsw.Connection, rows: list[tuple[int, Rows]], chunks: Sequence[Chunk]
    ) -> list[Key]:
        parts = self._in
        parts.rollups.put_minutes(db, rows)
        ends = parts.book.rows_of({chunk.sid for chunk in chunks})
        db.executemany("UPDATE series SET last_us=?, dt_us=? WHERE id=?", ends)
        return parts.write_streams(db)

    def _minute_rows(self, merged: Sequence[Chunk]) -> list[tuple[int, Rows]]:
        """(series, its row) of every minute that changed, the one after a late minute too."""
        whole: dict[tuple[int, int], Columns] = {}
        for chunk in merged:
            columns: Columns | None = chunk.columns
            if self._in.keeper.gone(chunk.minute // MINUTES_PER_DAY):
                # The raw day was dropped: late crumbs must not replace a whole minute.
                columns = self._recall(chunk)
            if columns is not None:
                whole[chunk.sid, chunk.minute] = columns
        out = []
        for sid, minute in sorted(whole):
            late = self._newest_minute(sid) > minute
            out.append((sid, self._row(sid, minute, whole)))
            if late and (sid, minute + 1) not in whole:
                before = levels.last_counter(whole[sid, minute])
                for chunk in self._in.raw.get(sid, minute + 1, minute + 1):
                    out.append((sid, levels.minute_row(chunk.columns, chunk.minute, before)))
        return out

    def _newest_minute(self, sid: int) -> int:
        if sid not in self._newest:
            self._newest[sid] = self._in.rollups.newest_minute(sid)
        return self._newest[sid]

    def _row(self, sid: int, minute: int, whole: dict[tuple[int, int], Columns]) -> Rows:
        columns = whole[sid, minute]
        tail = self._tails.get(sid)
        if (sid, minute - 1) in whole:
            before = levels.last_counter(whole[sid, minute - 1])
        elif tail is not None and tail[0] == minute - 1:
            before = tail[1]
        else:
            earlier = self._in.raw.get(sid, minute - 1, minute - 1)
            before = levels.last_counter(earlier[0].columns) if earlier else None
        if tail is None or tail[0] <= minute:
            self._tails[sid] = (minute, levels.last_counter(columns))
        self._newest[sid] = max(self._newest[sid], minute)
        return levels.minute_row(columns, minute, before)


def _chunks(columns: Columns) -> list[Chunk]:
    """Split many pumps' messages into one chunk per pump and minute."""
    minutes = columns.minutes()
    sids = columns.head["sid"].astype(np.int64)
    order = np.lexsort((columns.head["t0"], minutes, sids))
    breaks = np.flatnonzero((np.diff(sids[order]) != 0) | (np.diff(minutes[order]) != 0)) + 1
    return [
        Chunk(int(sids[group[0]]), int(minutes[group[0]]), columns.take(group))
        for group in np.split(order, breaks)
    ]
