"""What people may have to hear of, and who was told what: survives a restart."""

from collections.abc import Iterable, Sequence

import msgspec

from monitor.advice.kinds import Priority
from monitor.alarms.flood import WINDOW_S
from monitor.alarms.types import ANNUNCIATED, Alarm, Change, State
from monitor.notify.routes import NEWS, Case, Notice, Told, Word
from monitor.store.core import Core, Schema

SCHEMA = Schema(
    "notify_case",
    (
        """
        CREATE TABLE notify_case(
            alarm_id TEXT PRIMARY KEY, site TEXT NOT NULL, heard_ts REAL NOT NULL,
            ts REAL NOT NULL, open INT NOT NULL, alarm TEXT NOT NULL
        );
        CREATE INDEX notify_case_site ON notify_case(site, ts);
        CREATE TABLE notify_told(
            alarm_id TEXT NOT NULL, person TEXT NOT NULL, word TEXT NOT NULL, count INT NOT NULL,
            PRIMARY KEY(alarm_id, person)
        ) WITHOUT ROWID;
        CREATE TABLE notify_heard(site TEXT NOT NULL, ts REAL NOT NULL);
        CREATE INDEX notify_heard_site ON notify_heard(site, ts);
        CREATE TABLE notify_done(key TEXT PRIMARY KEY, ts REAL NOT NULL) WITHOUT ROWID;
        """,
        "ALTER TABLE notify_told ADD COLUMN priority TEXT NOT NULL DEFAULT 'act now'",
    ),
)

KEEP_S = 2 * 86400.0
"""A digest looks back a day; two keep it whole across a late one."""
FLOOD_MEMORY_S = 36 * WINDOW_S

_SILENT = frozenset({State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE})


class Casebook:
    """The cases in `core.db`."""

    def __init__(self, core: Core) -> None:
        self._core = core

    def hear(self, site: str, changes: Sequence[Change], now_ts: float) -> None:
        """Take in what happened to alarms (joins an open transaction)."""
        with self._core.write() as db:
            for change in changes:
                alarm = change.after
                if alarm is None or not alarm.count:
                    continue
                before = change.before.state if change.before else State.NORMAL
                news = alarm.state is State.NOT_ACKNOWLEDGED and before not in ANNUNCIATED
                is_open = alarm.state is not State.NORMAL
                db.execute(
                    "INSERT INTO notify_case VALUES(?1,?2,?3,?4,?5,?6) ON CONFLICT(alarm_id)"
                    " DO UPDATE SET ts=?4, open=?5, alarm=?6,"
                    " heard_ts=CASE WHEN ?7 THEN ?3 ELSE heard_ts END",
                    (alarm.id, site, now_ts, now_ts, int(is_open),
                     msgspec.json.encode(alarm).decode(), int(news)),
                )  # fmt: skip
                if alarm.state in _SILENT:
                    db.execute("DELETE FROM notify_told WHERE alarm_id=?", (alarm.id,))
                if news:
                    db.execute("INSERT INTO notify_heard VALUES(?,?)", (site, change.ts))

    def told(self, notices: Iterable[Notice]) -> None:
        """Remember who was told what (joins an open transaction)."""
        with self._core.write() as db:
            for notice in notices:
                for alarm in notice.alarms:
                    word = notice.word
                    if word not in NEWS | {Word.RETURNED}:
                        word = Word.RAISED if alarm.active else Word.RETURNED
                    db.execute(
                        "INSERT OR REPLACE INTO notify_told VALUES(?,?,?,?,?)",
                        (
                            alarm.id,
                            notice.person.id,
                            word.value,
                            alarm.count,
                            alarm.priority.value,
                        ),
                    )

    def first_time(self, key: str, now_ts: float) -> bool:
        """True for the first who asks with this key (joins an open transaction)."""
        with self._core.write() as db:
            db.execute("INSERT OR IGNORE INTO notify_done VALUES(?,?)", (key, now_ts))
            return bool(db.changes())

    def cases(self, site: str) -> list[Case]:
        """Everything still kept, oldest first."""
        told: dict[str, dict[str, Told]] = {}
        for alarm_id, person, word, count, priority in self._core.rows(
            "SELECT t.* FROM notify_told t JOIN notify_case c USING(alarm_id) WHERE c.site=?",
            (site,),
        ):
            told.setdefault(str(alarm_id), {})[str(person)] = Told(
                Word(word), int(count), Priority(priority)
            )
        rows = self._core.rows(
            "SELECT alarm, heard_ts FROM notify_case WHERE site=? ORDER BY heard_ts, alarm_id",
            (site,),
        )
        found = [(msgspec.json.decode(alarm, type=Alarm), float(ts)) for alarm, ts in rows]
        return [Case(alarm, ts, told.get(alarm.id, {})) for alarm, ts in found]

    def alarm(self, alarm_id: str) -> Alarm | None:
        """The alarm as last heard of, or None."""
        rows = self._core.rows("SELECT alarm FROM notify_case WHERE alarm_id=?", (alarm_id,))
        return msgspec.json.decode(rows[0][0], type=Alarm) if rows else None

    def activations(self, site: str) -> list[float]:
        """When alarms came to notice lately (six hours, enough to know a flood's beginning)."""
        return [
            float(ts)
            for (ts,) in self._core.rows("SELECT ts FROM notify_heard WHERE site=?", (site,))
        ]

    def tend(self, now_ts: float) -> None:
        """Forget what is over."""
        with self._core.write() as db:
            db.execute("DELETE FROM notify_heard WHERE ts<?", (now_ts - FLOOD_MEMORY_S,))
            db.execute("DELETE FROM notify_done WHERE ts<?", (now_ts - KEEP_S,))
            db.execute("DELETE FROM notify_case WHERE open=0 AND ts<?", (now_ts - KEEP_S,))
            db.execute(
                "DELETE FROM notify_told WHERE alarm_id NOT IN (SELECT alarm_id FROM notify_case)"
            )
