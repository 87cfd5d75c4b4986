"""The coarser levels in `core.db`: minutes, hours, and seconds of sealed days.

Minutes of open days are rows; a sealed day is one blob per pump (5.6 bytes a minute instead of
58). Hours stay rows for ever: questions over a fleet read one key range a pump.
"""

from collections.abc import Iterable

import apsw

from monitor.store import levels
from monitor.store.core import Core, Schema
from monitor.store.levels import Rows

DAY_BITS = 16
HOUR_BITS = 32
MINUTES_PER_DAY = 1440
_COLUMNS = "cnt INTEGER, low REAL, mean REAL, high REAL, strokes INTEGER, demand_s REAL, air REAL"

SCHEMA = Schema(
    "rollups",
    (
        f"""
        CREATE TABLE m1(sid INTEGER, minute INTEGER, {_COLUMNS}, PRIMARY KEY(sid, minute))
            WITHOUT ROWID;
        CREATE TABLE h1(sid INTEGER, hour INTEGER, {_COLUMNS}, PRIMARY KEY(sid, hour))
            WITHOUT ROWID;
        CREATE TABLE m1_day(id INTEGER PRIMARY KEY, body BLOB NOT NULL);
        CREATE TABLE s1_hour(id INTEGER PRIMARY KEY, body BLOB NOT NULL);
        """,
    ),
)

_HOUR_SQL = """
INSERT OR REPLACE INTO h1
SELECT sid, minute / 60, sum(cnt), min(low), sum(mean * cnt) / nullif(sum(cnt), 0), max(high),
       sum(strokes), sum(demand_s), avg(air)
FROM m1 WHERE sid = ?1 AND minute >= ?2 * 60 AND minute < ?2 * 60 + 60 GROUP BY sid
"""


class Rollups:
    """Reads in the calling thread; writes inside the caller's transaction."""

    def __init__(self, core: Core) -> None:
        self._core = core

    def put_minutes(self, db: apsw.Connection, rows: Iterable[tuple[int, Rows]]) -> None:
        """Write (sid, minute rows) and the hours they belong to; sealed days are opened again."""
        hours: set[tuple[int, int]] = set()
        records = []
        for sid, part in rows:
            for values in zip(*(c.tolist() for c in part.columns()), strict=True):
                records.append((sid, *(None if v != v else v for v in values)))
                hours.add((sid, values[0] // 60))
        for sid, day in {(sid, hour // 24) for sid, hour in hours}:
            self._unseal(db, sid, day)
        db.executemany("INSERT OR REPLACE INTO m1 VALUES(?,?,?,?,?,?,?,?,?)", records)
        db.executemany(_HOUR_SQL, sorted(hours))

    def _unseal(self, db: apsw.Connection, sid: int, day: int) -> None:
        key = sid << DAY_BITS | day
        row = db.execute("SELECT body FROM m1_day WHERE id=?", (key,)).fetchone()
        if row is None:
            return
        rows = levels.unpack(row[0])
        records = [
            (sid, *(None if v != v else v for v in values))
            for values in zip(*(c.tolist() for c in rows.columns()), strict=True)
        ]
        db.executemany("INSERT OR IGNORE INTO m1 VALUES(?,?,?,?,?,?,?,?,?)", records)
        db.execute("DELETE FROM m1_day WHERE id=?", (key,))
        first = sid << HOUR_BITS | day * 24
        db.execute("DELETE FROM s1_hour WHERE id BETWEEN ? AND ?", (first, first + 23))

    def seal(self, db: apsw.Connection, sid: int, day: int, seconds: Rows | None) -> None:
        """Turn a day's minute rows into one blob and keep its seconds, if there are any."""
        start = day * MINUTES_PER_DAY
        rows = levels.rows_from(
            list(
                db.execute(
                    "SELECT minute, cnt, low, mean, high, strokes, demand_s, air FROM m1"
                    " WHERE sid=? AND minute>=? AND minute<? ORDER BY minute",
                    (sid, start, start + MINUTES_PER_DAY),
                )
            )
        )
        if len(rows):
            key = sid << DAY_BITS | day
            db.execute("INSERT OR REPLACE INTO m1_day VALUES(?,?)", (key, levels.pack(rows)))
            db.execute(
                "DELETE FROM m1 WHERE sid=? AND minute>=? AND minute<?",
                (sid, start, start + MINUTES_PER_DAY),
            )
        if seconds is None:
            return
        for hour in range(day * 24, day * 24 + 24):
            part = seconds.between(hour * 3600, hour * 3600 + 3600)
            if len(part):
                blob = levels.pack(part)
                db.execute("INSERT OR REPLACE INTO s1_hour VALUES(?,?)", (sid << 32 | hour, blob))

    def is_sealed(self, sid: int, day: int) -> bool:
        """Whether that day is one blob, with its seconds kept."""
        key = sid << DAY_BITS | day
        return bool(self._core.rows("SELECT 1 FROM m1_day WHERE id=?", (key,)))

    def has_minute(self, sid: int, minute: int) -> bool:
        """Whether that minute is summarised already, sealed or not."""
        return len(self.minutes(sid, minute, minute + 1)) > 0

    def newest_minute(self, sid: int) -> int:
        """No minute after this one is summarised; -1 when none is."""
        row = self._core.rows("SELECT max(minute) FROM m1 WHERE sid=?", (sid,))[0]
        if row[0] is not None:
            return int(row[0])
        low = sid << DAY_BITS
        row = self._core.rows(
            "SELECT max(id) FROM m1_day WHERE id>=? AND id<?", (low, low + (1 << DAY_BITS))
        )[0]
        return -1 if row[0] is None else (int(row[0]) - low + 1) * MINUTES_PER_DAY - 1

    def minutes(self, sid: int, first: int, end: int) -> Rows:
        """The minutes of [first, end), sealed or not."""
        low = sid << DAY_BITS | first // MINUTES_PER_DAY
        high = sid << DAY_BITS | (end - 1) // MINUTES_PER_DAY
        blobs = self._core.rows(
            "SELECT body FROM m1_day WHERE id BETWEEN ? AND ? ORDER BY id", (low, high)
        )
        parts = [levels.unpack(body) for (body,) in blobs]
        parts.append(self._table("m1", "minute", sid, first, end))
        return levels.join(parts).between(first, end)

    def hours(self, sid: int, first: int, end: int) -> Rows:
        """The hours of [first, end)."""
        return self._table("h1", "hour", sid, first, end)

    def _table(self, table: str, key: str, sid: int, first: int, end: int) -> Rows:
        sql = (
            f"SELECT {key}, cnt, low, mean, high, strokes, demand_s, air FROM {table}"  # noqa: S608 - both names are literals of this file
            f" WHERE sid=? AND {key}>=? AND {key}<? ORDER BY {key}"
        )
        return levels.rows_from(self._core.rows(sql, (sid, first, end)))

    def seconds(self, sid: int, first: int, end: int) -> Rows:
        """The kept seconds of [first, end); only sealed hours have them."""
        low, high = sid << HOUR_BITS | first // 3600, sid << HOUR_BITS | (end - 1) // 3600
        blobs = self._core.rows(
            "SELECT body FROM s1_hour WHERE id BETWEEN ? AND ? ORDER BY id", (low, high)
        )
        return levels.join([levels.unpack(body) for (body,) in blobs]).between(first, end)

    def unsealed_before(self, sids: Iterable[int], day: int) -> list[tuple[int, int]]:
        """(sid, oldest day) of every series that has open minutes before that day."""
        out = []
        for sid in sids:
            row = self._core.rows("SELECT min(minute) FROM m1 WHERE sid=?", (sid,))[0]
            if row[0] is not None and row[0] // MINUTES_PER_DAY < day:
                out.append((sid, row[0] // MINUTES_PER_DAY))
        return out

    def drop_seconds(self, db: apsw.Connection, sids: Iterable[int], before_hour: int) -> None:
        """Forget the seconds before an hour."""
        for sid in sids:
            low = sid << HOUR_BITS
            db.execute("DELETE FROM s1_hour WHERE id>=? AND id<?", (low, low | before_hour))
