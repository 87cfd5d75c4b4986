"""The number of each (site, pump) in the store, and how far its data reach."""

from collections.abc import Iterable

from monitor.store.codec import Columns
from monitor.store.core import Core, Schema

SCHEMA = Schema(
    "series",
    (
        "CREATE TABLE series(id INTEGER PRIMARY KEY, site TEXT NOT NULL, pump TEXT NOT NULL,"
        " last_us INTEGER NOT NULL DEFAULT 0, dt_us INTEGER NOT NULL DEFAULT 50000,"
        " UNIQUE(site, pump))",
    ),
)


class SeriesBook:
    """(site, pump) <-> number; numbers are small, because they share a key with the minute."""

    def __init__(self, core: Core) -> None:
        self._core = core
        self._ids: dict[tuple[str, str], int] = {}
        self._names: dict[int, tuple[str, str]] = {}
        self.end_us: dict[int, int] = {}
        self.dt_us: dict[int, int] = {}
        for sid, site, pump, last_us, dt_us in core.rows("SELECT * FROM series"):
            self._learn(sid, (site, pump))
            self.end_us[sid], self.dt_us[sid] = last_us, dt_us

    def _learn(self, sid: int, name: tuple[str, str]) -> None:
        self._ids[name] = sid
        self._names[sid] = name

    def find(self, site: str, pump: str) -> int | None:
        """The number, or None when nothing of that pump was ever stored."""
        return self._ids.get((site, pump))

    def register(self, names: Iterable[tuple[str, str]]) -> None:
        """Give new pumps their numbers, durably and all in one transaction."""
        new = sorted({name for name in names if name not in self._ids})
        if not new:
            return
        with self._core.write() as db:
            found = []
            for site, pump in new:
                db.execute("INSERT INTO series(site, pump) VALUES(?,?)", (site, pump))
                found.append(int(db.last_insert_rowid()))
        for name, sid in zip(new, found, strict=True):
            self._learn(sid, name)

    def adopt(self, sid: int, site: str, pump: str) -> None:
        """Take a number over from a day file, when `core.db` does not know it (any more)."""
        if sid in self._names:
            return
        with self._core.write() as db:
            db.execute("INSERT INTO series(id, site, pump) VALUES(?,?,?)", (sid, site, pump))
        self._learn(sid, (site, pump))

    def number(self, site: str, pump: str) -> int:
        """The number of a pump, given out when it is new."""
        self.register([(site, pump)])
        return self._ids[site, pump]

    def name(self, sid: int) -> tuple[str, str]:
        """(site, pump) of a number."""
        return self._names[sid]

    def names(self) -> dict[int, tuple[str, str]]:
        """All of them."""
        return dict(self._names)

    def note(self, columns: Columns) -> None:
        """These messages are durable now."""
        head = columns.head
        ends = head["t0"] + (head["n16"] + head["n64"]) * head["dt"]
        triples = zip(head["sid"].tolist(), ends.tolist(), head["dt"].tolist(), strict=True)
        for sid, end, dt in triples:
            if end > self.end_us.get(sid, 0):
                self.end_us[sid] = end
                self.dt_us[sid] = dt

    def rows_of(self, sids: set[int]) -> list[tuple[int, int, int]]:
        """(last_us, dt_us, id) for an UPDATE."""
        return [(self.end_us[s], self.dt_us[s], s) for s in sids if s in self.end_us]
