"""What people did to a pump. Nothing is erased: an entry is undone, and stays readable."""

import json
from dataclasses import dataclass, field
from enum import StrEnum

from monitor.errors import StrokewiseError
from monitor.store.core import Core, Row, Schema

SCHEMA = Schema(
    "work_log",
    (
        """
        CREATE TABLE work(id INTEGER PRIMARY KEY, site TEXT NOT NULL, pump TEXT NOT NULL,
            ts REAL NOT NULL, kind TEXT NOT NULL, by TEXT NOT NULL, text TEXT NOT NULL,
            data TEXT NOT NULL, undone_ts REAL, undone_by TEXT);
        CREATE INDEX work_place ON work(site, pump, ts);
        """,
    ),
)


class Work(StrEnum):
    """What was done; the value is what is shown."""

    PUMP_CHANGED = "pump changed"
    SEALS = "seals"
    FOOT_VALVE = "foot valve cleaned"
    DRUM_CHANGED = "drum changed"
    SET_POINT = "set point changed"
    CATCH_TEST = "catch test"
    NOTE = "note"


class NoSuchEntry(StrokewiseError):
    """There is no such entry in the work log, or it is undone already; look at the list again."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the log; values in SI with the unit in the name; id 0 = not kept yet."""

    site: str
    pump: str
    ts: float
    kind: Work
    by: str
    text: str = ""
    values: dict[str, float] = field(default_factory=dict)
    id: int = 0
    undone_ts: float | None = None
    undone_by: str | None = None


class WorkLog:
    """The log in `core.db`."""

    def __init__(self, core: Core) -> None:
        self._core = core

    def add(self, entry: Entry) -> int:
        """Keep it; its id."""
        with self._core.write() as db:
            db.execute(
                "INSERT INTO work(site, pump, ts, kind, by, text, data) VALUES(?,?,?,?,?,?,?)",
                (
                    entry.site,
                    entry.pump,
                    entry.ts,
                    entry.kind.value,
                    entry.by,
                    entry.text,
                    json.dumps(entry.values),
                ),
            )
            return int(db.last_insert_rowid())

    def list(
        self,
        site: str,
        pump: str | None = None,
        span: tuple[float, float] = (0.0, 1e11),
        *,
        with_undone: bool = False,
    ) -> list[Entry]:
        """The entries of [from, to), newest first; pump None = the whole site."""
        rows = self._core.rows(
            "SELECT id, site, pump, ts, kind, by, text, data, undone_ts, undone_by FROM work"
            " WHERE site=?1 AND (?2 IS NULL OR pump=?2) AND ts>=?3 AND ts<?4"
            " AND (?5 OR undone_ts IS NULL) ORDER BY ts DESC, id DESC",
            (site, pump, *span, with_undone),
        )
        return [_entry(row) for row in rows]

    def undo(self, entry_id: int, by: str, ts: float) -> None:
        """Take an entry back; it stays in the file. Raises NoSuchEntry."""
        with self._core.write() as db:
            db.execute(
                "UPDATE work SET undone_ts=?, undone_by=? WHERE id=? AND undone_ts IS NULL",
                (ts, by, entry_id),
            )
            if db.changes() == 0:
                raise NoSuchEntry


def _entry(row: Row) -> Entry:
    number, site, pump, ts, kind, by, text, data, undone_ts, undone_by = row
    return Entry(
        site, pump, ts, Work(kind), by, text, json.loads(data), number, undone_ts, undone_by
    )
