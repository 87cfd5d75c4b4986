"""Messages to people, kept until delivered: one row for each target.

At least once: a row counts as sent only after its channel took it. A failing channel waits
longer and longer by itself and holds up no other; its rows stay. When it comes back, a backlog
goes out as one message.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from monitor.store.core import Core, Row, Schema

SCHEMA = Schema(
    "notify_outbox",
    (
        """
        CREATE TABLE notify_outbox(
            id INTEGER PRIMARY KEY AUTOINCREMENT, key TEXT NOT NULL UNIQUE,
            site TEXT NOT NULL, channel TEXT NOT NULL, person TEXT NOT NULL, word TEXT NOT NULL,
            subject TEXT NOT NULL, text TEXT NOT NULL, html TEXT NOT NULL, picture_of TEXT,
            created_ts REAL NOT NULL, due_ts REAL NOT NULL, tries INT NOT NULL DEFAULT 0,
            sent_ts REAL, error TEXT
        );
        CREATE INDEX notify_outbox_due ON notify_outbox(site, channel, due_ts)
            WHERE sent_ts IS NULL;
        CREATE INDEX notify_outbox_recent ON notify_outbox(site, person, created_ts);
        CREATE TABLE notify_channel(
            site TEXT NOT NULL, channel TEXT NOT NULL, next_ts REAL NOT NULL DEFAULT 0,
            tries INT NOT NULL DEFAULT 0, failing_since_ts REAL, last_ok_ts REAL, error TEXT,
            PRIMARY KEY(site, channel)
        );
        """,
    ),
)

FIRST_WAIT_S = 30.0
LONGEST_WAIT_S = 3600.0
"""Chosen: doubling from half a minute, so that a day-long outage costs some 30 tries."""
MERGE_ABOVE = 3
"""Chosen: what piles up beyond this behind a dead channel goes out as one message."""
KEEP_SENT_S = 90 * 86400.0


@dataclass(frozen=True, slots=True)
class Message:
    """One message to one target. key names it: adding it twice keeps one."""

    key: str
    site: str
    channel: str
    person: str
    word: str
    subject: str
    text: str
    html: str
    picture_of: str | None = None


@dataclass(frozen=True, slots=True)
class Parcel:
    """What a channel gets in one go: a row, or a backlog's rows made into one message."""

    ids: tuple[int, ...]
    message: Message


@dataclass(frozen=True, slots=True)
class ChannelHealth:
    """How a channel does; failing_since_ts None = well."""

    site: str
    channel: str
    waiting: int
    failing_since_ts: float | None
    last_ok_ts: float | None
    next_ts: float
    error: str | None


Merge = Callable[[Sequence[Message]], Message]


def wait_s(tries: int) -> float:
    """How long to wait after the n-th failure in a row (n from 1)."""
    return min(LONGEST_WAIT_S, FIRST_WAIT_S * 2.0 ** min(tries - 1, 20))


class Outbox:
    """The rows in `core.db`."""

    def __init__(self, core: Core, merge: Merge) -> None:
        self._core = core
        self._merge = merge

    def add(self, messages: Sequence[Message], now_ts: float) -> int:
        """Keep them (joins an open transaction); how many were new."""
        added = 0
        with self._core.write() as db:
            for m in messages:
                db.execute(
                    "INSERT OR IGNORE INTO notify_outbox(key,site,channel,person,word,subject,"
                    "text,html,picture_of,created_ts,due_ts) VALUES(?,?,?,?,?,?,?,?,?,?,?)",
                    (m.key, m.site, m.channel, m.person, m.word, m.subject, m.text, m.html,
                     m.picture_of, now_ts, now_ts),
                )  # fmt: skip
                added += db.changes()
                db.execute(
                    "INSERT OR IGNORE INTO notify_channel(site,channel) VALUES(?,?)",
                    (m.site, m.channel),
                )
        return added

    def ready(self, now_ts: float) -> list[tuple[str, str]]:
        """(site, channel) pairs with something to send now.

        A wait that ends beyond the longest wait was set by a clock that ran ahead: it is over.
        """
        return [
            (str(site), str(channel))
            for site, channel in self._core.rows(
                "SELECT DISTINCT o.site, o.channel FROM notify_outbox o"
                " JOIN notify_channel c ON c.site=o.site AND c.channel=o.channel"
                " WHERE o.sent_ts IS NULL AND o.due_ts NOT BETWEEN ?1+1e-6 AND ?2"
                " AND c.next_ts NOT BETWEEN ?1+1e-6 AND ?2",
                (now_ts, now_ts + LONGEST_WAIT_S),
            )
        ]

    def take(self, site: str, channel: str, now_ts: float) -> Parcel | None:
        """The next thing for this channel: least tried first, so one bad row stops no other."""
        rows = self._core.rows(
            "SELECT id,key,site,channel,person,word,subject,text,html,picture_of"
            " FROM notify_outbox WHERE site=? AND channel=? AND sent_ts IS NULL"
            " AND due_ts NOT BETWEEN ?+1e-6 AND ? ORDER BY tries, id",
            (site, channel, now_ts, now_ts + LONGEST_WAIT_S),
        )
        if not rows:
            return None
        person = rows[0][4]
        mine = [row for row in rows if row[4] == person]
        if len(mine) > MERGE_ABOVE:
            mine.sort(key=lambda row: int(row[0]))
            return Parcel(tuple(r[0] for r in mine), self._merge([_message(r) for r in mine]))
        return Parcel((rows[0][0],), _message(rows[0]))

    def sent(self, parcel: Parcel, now_ts: float) -> None:
        """The channel took it."""
        m = parcel.message
        with self._core.write() as db:
            db.executemany(
                "UPDATE notify_outbox SET sent_ts=?, error=NULL WHERE id=?",
                [(now_ts, i) for i in parcel.ids],
            )
            # The channel lives: what waits for it need not wait any longer.
            db.execute(
                "UPDATE notify_outbox SET due_ts=? WHERE site=? AND channel=? AND sent_ts IS NULL"
                " AND due_ts>? AND EXISTS(SELECT 1 FROM notify_channel c WHERE c.site=?2 AND"
                " c.channel=?3 AND c.tries>0)",
                (now_ts, m.site, m.channel, now_ts),
            )
            db.execute(
                "UPDATE notify_channel SET next_ts=0, tries=0, failing_since_ts=NULL,"
                " last_ok_ts=?, error=NULL WHERE site=? AND channel=?",
                (now_ts, m.site, m.channel),
            )

    def failed(self, parcel: Parcel, error: str, now_ts: float) -> None:
        """The channel did not take it: it and the channel wait, longer each time."""
        m = parcel.message
        with self._core.write() as db:
            tries = self._tries("notify_channel", "site=? AND channel=?", (m.site, m.channel))
            db.execute(
                "UPDATE notify_channel SET tries=tries+1, next_ts=?, error=?,"
                " failing_since_ts=coalesce(failing_since_ts, ?) WHERE site=? AND channel=?",
                (now_ts + wait_s(tries + 1), error, now_ts, m.site, m.channel),
            )
            for i in parcel.ids:
                own = self._tries("notify_outbox", "id=?", (i,))
                db.execute(
                    "UPDATE notify_outbox SET tries=tries+1, due_ts=?, error=? WHERE id=?",
                    (now_ts + wait_s(own + 1), error, i),
                )

    def _tries(self, table: str, test: str, params: Row) -> int:
        with self._core.write() as db:
            row = db.execute(
                f"SELECT tries FROM {table} WHERE {test}",  # noqa: S608 - fixed words only
                params,
            ).fetchone()
        return int(row[0]) if row else 0

    def health(self) -> list[ChannelHealth]:
        """Every channel ever used, and what waits for it."""
        return [
            ChannelHealth(*row)
            for row in self._core.rows(
                "SELECT c.site, c.channel, (SELECT count(*) FROM notify_outbox o WHERE"
                " o.site=c.site AND o.channel=c.channel AND o.sent_ts IS NULL),"
                " c.failing_since_ts, c.last_ok_ts, c.next_ts, c.error"
                " FROM notify_channel c ORDER BY 1, 2"
            )
        ]

    def recent(self, site: str, since_ts: float) -> dict[str, int]:
        """Person -> how many messages were made since then (a message per person, not target)."""
        rows = self._core.rows(
            "SELECT person, count(DISTINCT substr(key, 1, length(key) - length(channel) - 1))"
            " FROM notify_outbox WHERE site=? AND created_ts>? GROUP BY person",
            (site, since_ts),
        )
        return {str(person): int(count) for person, count in rows}

    def has(self, key: str) -> bool:
        """Whether a message of that key was ever kept."""
        return bool(self._core.rows("SELECT 1 FROM notify_outbox WHERE key=?", (key,)))

    def who(self, site: str, word: str, from_ts: float, to_ts: float) -> set[str]:
        """Who was sent this word in [from_ts, to_ts]."""
        rows = self._core.rows(
            "SELECT DISTINCT person FROM notify_outbox WHERE site=? AND word=?"
            " AND created_ts BETWEEN ? AND ?",
            (site, word, from_ts, to_ts),
        )
        return {str(person) for (person,) in rows}

    def tend(self, now_ts: float) -> None:
        """Forget what was sent long ago."""
        with self._core.write() as db:
            db.execute("DELETE FROM notify_outbox WHERE sent_ts<?", (now_ts - KEEP_SENT_S,))


def _message(row: Row) -> Message:
    return Message(*row[1:])
