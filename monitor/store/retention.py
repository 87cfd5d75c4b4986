"""What is kept how long, what is pinned, and what happens when the disk runs low.

Minutes, hours and everything about alarms are never dropped; raw days go first, oldest first.
"""

import shutil
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass

from monitor.errors import StoreUnavailable
from monitor.store import codec
from monitor.store.core import Core, Schema
from monitor.store.days import MINUTES_PER_DAY, Chunk, DayFiles
from monitor.store.levels import Rows
from monitor.store.rollups import Rollups

SECONDS_PER_DAY = 86_400
SETTLE_S = 7200
"""Chosen: a day is sealed two hours after its end, when most late messages are in."""

SCHEMA = Schema(
    "retention",
    (
        """
        CREATE TABLE pin(id INTEGER PRIMARY KEY, sid INTEGER NOT NULL, first INTEGER NOT NULL,
            last INTEGER NOT NULL, why TEXT NOT NULL);
        CREATE INDEX pin_place ON pin(sid, first);
        CREATE TABLE pinned_chunk(sid INTEGER, minute INTEGER, body BLOB NOT NULL,
            PRIMARY KEY(sid, minute)) WITHOUT ROWID;
        CREATE TABLE dropped(day INTEGER PRIMARY KEY, why TEXT NOT NULL);
        """,
    ),
)


@dataclass(frozen=True, slots=True)
class Retention:
    """How long each level stays, and how much of the disk stays free."""

    raw_days: int = 90
    """Chosen: a quarter, so that a slow change can be looked at sample by sample."""
    second_days: int = 730
    """Chosen: two of each season."""
    floor_days: int = 7
    """Chosen: even a full disk keeps the last week of raw samples."""
    free_share: float = 0.05
    """Chosen: with less a file system slows down and the system has no room for its logs."""
    free_bytes: int = 2 << 30
    """Chosen: 2 GiB is a day of 2,000 pumps."""


Seconds = Callable[[int, int, int], Rows]


class Keeper:
    """Seals, pins, drops. All times come in as arguments."""

    def __init__(self, core: Core, days: DayFiles, rollups: Rollups, keep: Retention) -> None:
        self.may_drop: Callable[[int], bool] = lambda _day: True
        self._core = core
        self._days = days
        self._rollups = rollups
        self._keep = keep
        self._todo: list[tuple[int, int]] = []
        self._minute = 0
        self.low_space = False
        self._dropped = {int(day) for (day,) in core.rows("SELECT day FROM dropped")}
        self._unwritten: dict[int, str] = {}

    def pin(self, sid: int, span: tuple[float, float], why: str) -> None:
        """Keep the raw minutes that touch this span."""
        with self._core.write() as db:
            db.execute(
                "INSERT INTO pin(sid, first, last, why) VALUES(?,?,?,?)",
                (sid, int(span[0] // 60) - 1, int(span[1] // 60), why),
            )

    def pinned(self, sid: int, first: int, last: int) -> list[Chunk]:
        """Copies of pinned minutes whose day is gone."""
        rows = self._core.rows(
            "SELECT minute, body FROM pinned_chunk WHERE sid=? AND minute BETWEEN ? AND ?"
            " ORDER BY minute",
            (sid, first, last),
        )
        return [Chunk(sid, minute, codec.unpack(body)) for minute, body in rows]

    def gone(self, day: int) -> bool:
        """Whether that day's raw samples were dropped."""
        return day in self._dropped

    def tend(self, now_ts: float, sids: Sequence[int], seconds: Seconds) -> None:
        """One small piece of work: seal one pump-day; each minute look at age and space."""
        minute = int(now_ts // 60)
        if self._todo:
            self.seal(*self._todo.pop(), seconds)
        if minute == self._minute:
            return
        self._minute = minute
        today = int(now_ts // SECONDS_PER_DAY)
        if not self._todo:
            settled = int((now_ts - SETTLE_S) // SECONDS_PER_DAY)
            self._todo = self._rollups.unsealed_before(sids, settled)
        self._space(today, seconds)
        self._age(today, sids, seconds)
        with suppress(StoreUnavailable), self._core.write() as db:
            # Each step frees one page, so all of them must be taken.
            db.execute("PRAGMA incremental_vacuum(500)").fetchall()

    def seal(self, sid: int, day: int, seconds: Seconds) -> None:
        """Keep the day's seconds and pack its minutes; harmless when done twice."""
        start = day * SECONDS_PER_DAY
        rows = None if self.gone(day) else seconds(sid, start, start + SECONDS_PER_DAY)
        with self._core.write() as db:
            self._rollups.seal(db, sid, day, rows)

    def _age(self, today: int, sids: Sequence[int], seconds: Seconds) -> None:
        for day in self._days.days():
            if day < today - self._keep.raw_days and self.may_drop(day):
                self.drop(day, "age", seconds)
        with self._core.write() as db:
            self._rollups.drop_seconds(db, sids, (today - self._keep.second_days) * 24)

    def _space(self, today: int, seconds: Seconds) -> None:
        usage = shutil.disk_usage(self._days.folder)
        needed = max(usage.total * self._keep.free_share, self._keep.free_bytes)
        self.low_space = usage.free < needed
        if self.low_space:
            oldest = [d for d in self._days.days() if d < today - self._keep.floor_days]
            if oldest and self.may_drop(oldest[0]):
                self.drop(oldest[0], "low space", seconds)

    def drop(self, day: int, why: str, seconds: Seconds) -> None:
        """Keep what is pinned and the seconds, then unlink the day.

        On a full disk a day that is sealed and has no pins goes without writing anything first.
        """
        for sid in self._days.sids(day):
            if not self._rollups.is_sealed(sid, day):
                self.seal(sid, day, seconds)
            self._keep_pinned(sid, day * MINUTES_PER_DAY)
        self._days.drop(day)
        self._dropped.add(day)
        self._unwritten[day] = why
        with suppress(StoreUnavailable), self._core.write() as db:
            db.executemany(
                "INSERT OR REPLACE INTO dropped VALUES(?,?)", list(self._unwritten.items())
            )
            self._unwritten.clear()

    def _keep_pinned(self, sid: int, start: int) -> None:
        spans = self._core.rows(
            "SELECT first, last FROM pin WHERE sid=? AND last>=? AND first<?",
            (sid, start, start + MINUTES_PER_DAY),
        )
        for first, last in spans:
            low, high = max(first, start), min(last, start + MINUTES_PER_DAY - 1)
            chunks = self._days.get(sid, low, high)
            with self._core.write() as db:
                db.executemany(
                    "INSERT OR REPLACE INTO pinned_chunk VALUES(?,?,?)",
                    [(sid, c.minute, codec.pack(c.columns)) for c in chunks],
                )

    def stats(self) -> dict[str, float]:
        """Sizes in bytes, days kept, and whether space is low (1) or not (0)."""
        days = self._days.days()
        return {
            "raw_bytes": self._days.size_bytes(),
            "raw_days": len(days),
            "core_bytes": self._core.path.stat().st_size,
            "free_bytes": shutil.disk_usage(self._days.folder).free,
            "low_space": float(self.low_space),
            "dropped_days": len(self._dropped),
        }
