"""Small states that outlive a restart: name -> JSON, with how far they have seen the data."""

import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from monitor.store.core import Core, Schema

SCHEMA = Schema(
    "state",
    (
        "CREATE TABLE state(name TEXT PRIMARY KEY, seen_ts REAL NOT NULL, data TEXT NOT NULL)"
        " WITHOUT ROWID",
    ),
)


@dataclass(frozen=True, slots=True)
class Saved:
    """A state and the time up to which its data were processed."""

    seen_ts: float
    data: Any


class StateBook:
    """The states in `core.db`; names like 'detectors/<site>/<pump>'."""

    def __init__(self, core: Core) -> None:
        self._core = core

    def save(self, states: Iterable[tuple[str, float, Any]]) -> None:
        """Keep (name, seen_ts, data) all or nothing; data must be plain JSON."""
        rows = [(name, seen_ts, json.dumps(data)) for name, seen_ts, data in states]
        with self._core.write() as db:
            db.executemany("INSERT OR REPLACE INTO state VALUES(?,?,?)", rows)

    def load(self, name: str) -> Saved | None:
        """The state of that name, or None."""
        rows = self._core.rows("SELECT seen_ts, data FROM state WHERE name=?", (name,))
        return Saved(rows[0][0], json.loads(rows[0][1])) if rows else None

    def names(self, prefix: str = "") -> list[str]:
        """The names that begin so."""
        rows = self._core.rows("SELECT name FROM state ORDER BY name")
        return [name for (name,) in rows if name.startswith(prefix)]

    def forget(self, name: str) -> None:
        """Drop one."""
        with self._core.write() as db:
            db.execute("DELETE FROM state WHERE name=?", (name,))
