"""The alarms' memory: an append-only history of every change, and the machine as it stands.

Both are written in one transaction, so after a crash the machine goes on exactly where its
history ends. Each row carries a digest over the row before it: a row taken out or altered by a
foreign hand is found by `verify`.
"""

import hashlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import apsw
import msgspec

from monitor.alarms.types import Change, State
from monitor.errors import StrokewiseError
from monitor.store.core import Core, Row, Schema

SCHEMA = Schema(
    "alarms",
    (
        """
        CREATE TABLE alarm_change(
            seq INTEGER PRIMARY KEY AUTOINCREMENT,
            site TEXT NOT NULL, ts REAL NOT NULL, subject TEXT NOT NULL,
            kind TEXT, alarm_id TEXT, state TEXT, what TEXT NOT NULL, who TEXT NOT NULL,
            body TEXT NOT NULL, link TEXT NOT NULL
        );
        CREATE INDEX alarm_change_site ON alarm_change(site, ts);
        CREATE INDEX alarm_change_subject ON alarm_change(site, subject, ts);
        CREATE INDEX alarm_change_alarm ON alarm_change(alarm_id);
        CREATE TRIGGER alarm_change_stays BEFORE UPDATE ON alarm_change
            BEGIN SELECT RAISE(ABORT, 'the alarm history is only ever added to'); END;
        CREATE TRIGGER alarm_change_lasts BEFORE DELETE ON alarm_change
            BEGIN SELECT RAISE(ABORT, 'the alarm history is only ever added to'); END;
        CREATE TABLE alarm_machine(site TEXT PRIMARY KEY, saved TEXT NOT NULL);
        """,
    ),
)


class HistoryBroken(StrokewiseError):
    """A row of the alarm history is missing or was altered; restore core.db from a backup."""


@dataclass(frozen=True, slots=True)
class Asked:
    """Which changes to look for; None = any. The span is half-open, [from_ts, to_ts)."""

    site: str | None = None
    subject: str | None = None
    state: State | None = None
    alarm_id: str | None = None
    from_ts: float | None = None
    to_ts: float | None = None


@dataclass(frozen=True, slots=True)
class Entry:
    """One row of the history; seq only grows."""

    seq: int
    site: str
    change: Change


class AlarmBook:
    """Keeps the alarms of every site in `core.db`."""

    def __init__(self, core: Core) -> None:
        self._core = core

    def save(self, site: str, changes: Sequence[Change], machine: dict[str, Any]) -> None:
        """Add the changes and keep the machine's dump, both or neither; raises StoreFull."""
        with self._core.write() as db:
            for change in changes:
                self._add(db, site, change)
            db.execute(
                "INSERT OR REPLACE INTO alarm_machine VALUES(?,?)",
                (site, msgspec.json.encode(machine).decode()),
            )

    def _add(self, db: apsw.Connection, site: str, change: Change) -> None:
        last = db.execute("SELECT link FROM alarm_change ORDER BY seq DESC LIMIT 1").fetchone()
        alarm = change.after
        body = msgspec.json.encode(change).decode()
        db.execute(
            "INSERT INTO alarm_change(site,ts,subject,kind,alarm_id,state,what,who,body,link)"
            " VALUES(?,?,?,?,?,?,?,?,?,?)",
            (
                site,
                change.ts,
                change.subject,
                alarm.kind.value if alarm else None,
                alarm.id if alarm else None,
                alarm.state.value if alarm else None,
                change.what.value,
                change.by,
                body,
                _link(last[0] if last else "", site, body),
            ),
        )

    def load(self, site: str) -> dict[str, Any] | None:
        """The machine's dump as last saved, or None."""
        rows = self._core.rows("SELECT saved FROM alarm_machine WHERE site=?", (site,))
        return dict(msgspec.json.decode(rows[0][0])) if rows else None

    def history(
        self, asked: Asked, *, limit: int = 500, before_seq: int | None = None
    ) -> list[Entry]:
        """The newest changes first; go on with the last seq as `before_seq`."""
        tests = {
            "site=?": asked.site,
            "subject=?": asked.subject,
            "state=?": asked.state.value if asked.state else None,
            "alarm_id=?": asked.alarm_id,
            "ts>=?": asked.from_ts,
            "ts<?": asked.to_ts,
            "seq<?": before_seq,
        }
        given = {test: value for test, value in tests.items() if value is not None}
        where = " AND ".join(given) or "1"
        # The tests are the fixed words above; values travel as parameters.
        sql = f"SELECT seq, site, body FROM alarm_change WHERE {where} ORDER BY seq DESC LIMIT ?"  # noqa: S608 - fixed words only
        return [_entry(row) for row in self._core.rows(sql, (*given.values(), limit))]

    def occurrences(
        self, site: str, from_ts: float, *, subject: str | None = None, limit: int = 2000
    ) -> list[Entry]:
        """The last change since a time of each occurrence (alarm id), newest first."""
        rows = self._core.rows(
            "SELECT seq, site, body FROM alarm_change WHERE seq IN"
            " (SELECT max(seq) FROM alarm_change WHERE site=?1 AND ts>=?2"
            " AND (?3 IS NULL OR subject=?3) AND alarm_id IS NOT NULL GROUP BY alarm_id)"
            " ORDER BY seq DESC LIMIT ?4",
            (site, from_ts, subject, limit),
        )
        return [_entry(row) for row in rows]

    def verify(self) -> int:
        """How many rows the history has; raises HistoryBroken at the first that does not follow."""
        link, count = "", 0
        for seq, site, body, found in self._all():
            count += 1
            link = _link(link, site, body)
            if found != link or seq != count:
                raise HistoryBroken(
                    f"alarm history row {count} is missing or altered; restore a backup of core.db"
                )
        return count

    def _all(self) -> Iterator[Row]:
        seq = 0
        while True:
            rows = self._core.rows(
                "SELECT seq, site, body, link FROM alarm_change WHERE seq>?"
                " ORDER BY seq LIMIT 1000",
                (seq,),
            )
            if not rows:
                return
            yield from rows
            seq = rows[-1][0]


def _link(before: str, site: str, body: str) -> str:
    return hashlib.sha256(f"{before}\n{site}\n{body}".encode()).hexdigest()


def _entry(row: Row) -> Entry:
    seq, site, body = row
    return Entry(int(seq), str(site), msgspec.json.decode(body, type=Change))
