"""The journal: what was appended and is not yet in a minute chunk, durable and in memory.

A row may go only when every one of its messages is in a committed chunk; deleting by range of
ids loses what came late (seen in a kill test: 706 of 186,873 messages).
"""

import threading
from collections.abc import Callable
from dataclasses import dataclass

import apsw
import numpy as np
from numpy.typing import NDArray

from monitor.store import codec
from monitor.store.codec import Columns
from monitor.store.core import Core, Schema

SCHEMA = Schema("journal", ("CREATE TABLE journal(id INTEGER PRIMARY KEY, body BLOB NOT NULL)",))
ROW_EFFORT = 1
"""zlib's fastest: a row lives for a minute or two."""

Choice = Callable[[Columns], NDArray[np.bool_]]


@dataclass(slots=True, eq=False)
class Pending:
    """One journal row: its messages and which of them are still outstanding."""

    row: int
    columns: Columns
    outstanding: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Selection:
    """Messages chosen from the journal, remembered so that they can be settled."""

    columns: Columns
    parts: tuple[tuple[Pending, NDArray[np.bool_]], ...]


class Journal:
    """Rows in `core.db` and the same messages in memory. Reading never waits for a commit."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._pending: dict[int, Pending] = {}
        self._next = 1
        self.messages = 0

    def load(self, core: Core) -> list[Columns]:
        """Read what an earlier run left; damaged rows raise DamagedChunk."""
        parts = []
        for row, body in core.rows("SELECT id, body FROM journal ORDER BY id"):
            columns = codec.unpack(body)
            self.added(row, columns)
            parts.append(columns)
        return parts

    @property
    def rows(self) -> int:
        """Rows not yet deleted."""
        return len(self._pending)

    def insert(self, db: apsw.Connection, columns: Columns) -> int:
        """Write a row inside the caller's transaction; call added() after the commit."""
        row = self._next
        db.execute("INSERT INTO journal VALUES(?,?)", (row, codec.pack(columns, ROW_EFFORT)))
        return row

    def added(self, row: int, columns: Columns) -> None:
        """The row is durable: its messages are outstanding now."""
        with self._lock:
            self._pending[row] = Pending(row, columns, np.ones(len(columns), np.bool_))
            self._next = max(self._next, row + 1)
            self.messages += len(columns)

    def select(self, choose: Choice) -> Selection:
        """The outstanding messages for which choose(columns) is true."""
        parts = []
        taken = []
        with self._lock:
            everything = [(p, p.outstanding) for p in self._pending.values()]
        for pending, outstanding in everything:
            mask = choose(pending.columns) & outstanding
            if mask.any():
                parts.append((pending, mask))
                taken.append(pending.columns.take(np.flatnonzero(mask)))
        return Selection(codec.join(taken), tuple(parts))

    def finished(self, selection: Selection) -> list[int]:
        """The rows that would have nothing outstanding once the selection is settled."""
        return [
            pending.row
            for pending, mask in selection.parts
            if not (pending.outstanding & ~mask).any()
        ]

    def settle(self, selection: Selection) -> None:
        """The selection is in committed chunks and its finished rows are deleted."""
        with self._lock:
            for pending, mask in selection.parts:
                # A new array: a reader may be looking at the old one.
                pending.outstanding = pending.outstanding & ~mask
                self.messages -= int(mask.sum())
                if not pending.outstanding.any():
                    del self._pending[pending.row]
