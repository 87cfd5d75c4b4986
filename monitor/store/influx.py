"""The InfluxDB member: journal, ledger, levels and the last days stay local, raw goes there too.

Local day files are the outbox: a minute is durable here first, then sent, and sent again until
the server took it, for as long as it is away. Raw of days that are dropped here is read back with
InfluxQL through /query, the one form that 1.x, 2.x (2.5 and newer) and 3 share. InfluxDB 2.7 or
newer is meant for use.
"""

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import apsw
import numpy as np
import urllib3
from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.rest import ApiException

from monitor.errors import StoreUnavailable
from monitor.store import codec, line_protocol
from monitor.store.codec import Columns
from monitor.store.core import Core, Schema
from monitor.store.days import MINUTES_PER_DAY, Chunk, DayFiles
from monitor.store.embedded import EmbeddedStore
from monitor.store.owner import Claim
from monitor.store.retention import Retention
from monitor.store.views import Raw

log = logging.getLogger(__name__)

POINTS_PER_BODY = 5_000
"""Joined bodies of 500 to 5,000 points write four times as fast as single points (computed)."""
MINUTES_PER_BODY = 200
BODIES_PER_TEND = 20
TIMEOUT_MS = 5_000
RETRY_S = (1.0, 5.0, 15.0, 60.0)
LOCAL_DAYS = 14
"""Chosen: longer than any holiday a broken server may go unnoticed."""
MINUTE_NS = 60_000_000_000

SCHEMA = Schema(
    "influx",
    (
        """
        CREATE TABLE unsent(sid INTEGER, minute INTEGER, version INTEGER NOT NULL,
            PRIMARY KEY(minute, sid)) WITHOUT ROWID;
        CREATE TABLE unsendable(sid INTEGER, minute INTEGER, problem TEXT NOT NULL,
            PRIMARY KEY(sid, minute)) WITHOUT ROWID;
        """,
    ),
)


class ServerAway(StoreUnavailable):
    """InfluxDB cannot be reached or is overloaded; minutes wait here and are sent later."""

    retry_after_s: float | None = None


class ServerRefuses(StoreUnavailable):
    """InfluxDB refuses us: check url, organisation, bucket and token; minutes wait here."""


class BadBody(StoreUnavailable):
    """InfluxDB cannot take this body; it is split, and what is bad is set aside."""


@dataclass(frozen=True, slots=True)
class InfluxServer:
    """Where raw samples go."""

    url: str
    token: str
    org: str = "strokewise"
    bucket: str = "strokewise"
    ca_file: str | None = None


class Remote(Protocol):
    """What the sender and the reader need of a server."""

    def write(self, body: bytes) -> None:
        """Durable on return; raises ServerAway, ServerRefuses or BadBody."""
        ...

    def query(self, influxql: str) -> list[list[Any]]:
        """The rows of the first series of the answer (times in ns); raises like write."""
        ...

    def close(self) -> None:
        """Let go of connections."""
        ...


class InfluxRemote:
    """A server through influxdb-client: synchronous, without its own batching or retries."""

    def __init__(self, server: InfluxServer) -> None:
        self._server = server
        # Half of its methods carry no types.
        self._client: Any = InfluxDBClient(
            url=server.url,
            token=server.token,
            org=server.org,
            timeout=TIMEOUT_MS,
            ssl_ca_cert=server.ca_file,
        )
        self._write: Any = self._client.write_api(write_options=SYNCHRONOUS)

    def write(self, body: bytes) -> None:
        """See Remote."""
        server = self._server
        self._asked(
            lambda: self._write.write(server.bucket, server.org, body, write_precision="us")
        )

    def query(self, influxql: str) -> list[list[Any]]:
        """See Remote."""
        answer = self._asked(
            lambda: self._client.api_client.call_api(
                "/query",
                "GET",
                query_params=[("db", self._server.bucket), ("q", influxql), ("epoch", "ns")],
                response_type=object,
                auth_settings=[],
                _return_http_data_only=True,
            )
        )
        result = (answer or {}).get("results", [{}])[0]
        if "error" in result:
            raise ServerAway(f"InfluxDB query failed: {result['error']}")
        series = result.get("series", [])
        return series[0]["values"] if series else []

    def _asked(self, call: Callable[[], Any]) -> Any:
        try:
            return call()
        except ApiException as problem:
            raise _sorted_fault(problem) from problem
        except (urllib3.exceptions.HTTPError, OSError) as problem:
            raise ServerAway(f"InfluxDB at {self._server.url} is away: {problem}") from problem

    def prepare(self, keep_days: int) -> str:
        """Make the bucket if it is not there (2.x); what was done, in words."""
        server = self._server

        def make() -> str:
            buckets = self._client.buckets_api()
            if buckets.find_bucket_by_name(server.bucket) is not None:
                return f"bucket '{server.bucket}' is there already"
            rule = {"type": "expire", "everySeconds": keep_days * 86_400}
            buckets.create_bucket(bucket_name=server.bucket, org=server.org, retention_rules=[rule])
            return f"bucket '{server.bucket}' made, raw samples kept {keep_days} days"

        return str(self._asked(make))

    def close(self) -> None:
        """See Remote."""
        self._write.close()
        self._client.close()


def _sorted_fault(problem: ApiException) -> StoreUnavailable:
    """What a status means: try again, correct the settings, or this body is bad."""
    status, text = problem.status or 0, str(problem.body or problem.reason)[:300]
    if status in (400, 413, 422):
        return BadBody(f"InfluxDB answered {status}: {text}")
    if 401 <= status < 429:
        return ServerRefuses(
            f"InfluxDB answered {status}: {text}; check url, organisation, bucket and token"
        )
    away = ServerAway(f"InfluxDB answered {status}: {text}")
    headers: Any = problem.headers or {}
    try:
        away.retry_after_s = float(headers.get("Retry-After", ""))
    except ValueError:
        away.retry_after_s = None
    return away


class Sender:
    """Brings folded minutes to the server, oldest first, each until it is taken."""

    def __init__(self, core: Core, days: DayFiles, name: codec.Names, remote: Remote) -> None:
        self._core = core
        self._days = days
        self._name = name
        self._remote = remote
        self._version = int(core.rows("SELECT coalesce(max(version), 0) FROM unsent")[0][0])
        self._due_ts = 0.0
        self._tries = 0
        self.problem = ""
        self.sent_points = 0

    def due(self, db: apsw.Connection, chunks: Sequence[Chunk]) -> None:
        """These minutes are new or changed; inside the caller's transaction."""
        self._version += 1
        db.executemany(
            "INSERT OR REPLACE INTO unsent(sid, minute, version) VALUES(?,?,?)",
            [(chunk.sid, chunk.minute, self._version) for chunk in chunks],
        )

    def unsent_before(self, minute: int) -> bool:
        """Whether something older than that minute still waits."""
        return bool(self._core.rows("SELECT 1 FROM unsent WHERE minute<? LIMIT 1", (minute,)))

    def push(self, now_ts: float) -> None:
        """Send what waits, a bounded amount; a fault is noted and tried again later."""
        if now_ts < self._due_ts <= now_ts + RETRY_S[-1]:
            return
        try:
            for _ in range(BODIES_PER_TEND):
                more = self._one_body()
                self.problem, self._tries = "", 0
                if not more:
                    break
        except (ServerAway, ServerRefuses) as problem:
            wait_s = RETRY_S[min(self._tries, len(RETRY_S) - 1)]
            wait_s = max(wait_s, getattr(problem, "retry_after_s", None) or 0.0)
            self._due_ts, self._tries = now_ts + min(wait_s, RETRY_S[-1]), self._tries + 1
            if str(problem) != self.problem:
                log.warning("influx held problem=%s", problem)
            self.problem = str(problem)

    def _one_body(self) -> bool:
        """Gather minutes up to a body's size and send them; False when nothing waits."""
        # While the server is away one minute is enough to find out whether it is back.
        rows = self._core.rows(
            "SELECT sid, minute, version FROM unsent ORDER BY minute LIMIT ?",
            (1 if self._tries else MINUTES_PER_BODY,),
        )
        taken: list[tuple[int, int, int]] = []
        parts: list[list[str]] = []
        points = 0
        for sid, minute, version in rows:
            if points >= POINTS_PER_BODY:
                break
            chunks = self._days.get(sid, minute, minute)
            lines = [x for c in chunks for x in line_protocol.lines(*self._name(sid), c.columns)]
            taken.append((sid, minute, version))
            parts.append(lines)
            points += len(lines)
        if taken:
            self._send(taken, parts)
        return bool(taken)

    def _send(self, taken: list[tuple[int, int, int]], parts: list[list[str]]) -> None:
        """One body; when it is bad it is halved until the bad minute stands alone."""
        body = "\n".join(line for lines in parts for line in lines).encode()
        try:
            if body:
                self._remote.write(body)
        except BadBody as problem:
            if len(taken) > 1:
                half = len(taken) // 2
                self._send(taken[:half], parts[:half])
                self._send(taken[half:], parts[half:])
                return
            self._set_aside(taken[0], str(problem))
            return
        self.sent_points += sum(map(len, parts))
        with self._core.write() as db:
            # A minute that was merged meanwhile has a newer version and is sent once more.
            db.executemany("DELETE FROM unsent WHERE sid=? AND minute=? AND version=?", taken)

    def _set_aside(self, taken: tuple[int, int, int], problem: str) -> None:
        log.error("influx refused minute sid=%d minute=%d problem=%s", *taken[:2], problem)
        with self._core.write() as db:
            db.execute("INSERT OR REPLACE INTO unsendable VALUES(?,?,?)", (*taken[:2], problem))
            db.execute("DELETE FROM unsent WHERE sid=? AND minute=? AND version=?", taken)

    def stats(self) -> dict[str, float]:
        """What waits, what was sent, what was set aside, and whether the server is in trouble."""
        count = self._core.rows("SELECT count(*) FROM unsent")[0][0]
        aside = self._core.rows("SELECT count(*) FROM unsendable")[0][0]
        return {
            "influx_unsent_minutes": float(count),
            "influx_sent_points": float(self.sent_points),
            "influx_refused_minutes": float(aside),
            "influx_in_trouble": float(bool(self.problem)),
        }


class BothPlaces:
    """Folded chunks: local days first, dropped days from the server."""

    def __init__(self, days: DayFiles, gone: Callable[[int], bool], reader: "Reader") -> None:
        self._days = days
        self._gone = gone
        self._reader = reader

    def days(self) -> list[int]:
        """Local days; 0 first, because the server may hold anything older."""
        return [0, *self._days.days()]

    def get(self, sid: int, first: int, last: int) -> list[Chunk]:
        """See views.Raw. Raises StoreUnavailable when a dropped day is asked for and the server is
        away: an answer with a silent hole would be worse.
        """
        found: dict[int, list[Columns]] = {}
        for chunk in self._days.get(sid, first, last):
            found.setdefault(chunk.minute, []).append(chunk.columns)
        for day in range(first // MINUTES_PER_DAY, last // MINUTES_PER_DAY + 1):
            if not self._gone(day):
                continue
            start = day * MINUTES_PER_DAY
            low, high = max(first, start), min(last, start + MINUTES_PER_DAY - 1)
            for chunk in self._reader.get(sid, low, high):
                found.setdefault(chunk.minute, []).append(chunk.columns)
        return [
            Chunk(sid, minute, codec.join(parts).union()) for minute, parts in sorted(found.items())
        ]


class Reader:
    """Minutes back from the server, as messages were sent."""

    def __init__(self, name: codec.Names, remote: Remote) -> None:
        self._name = name
        self._remote = remote

    def get(self, sid: int, first: int, last: int) -> list[Chunk]:
        """The chunks of minutes first..last, both included."""
        site, pump = self._name(sid)
        where = (
            f"WHERE \"site\"='{site}' AND \"pump\"='{pump}' AND time >= {first * MINUTE_NS} "
            f"AND time < {{}}"
        )
        fields = ", ".join(f'"{f}"' for f in line_protocol.MESSAGE_FIELDS)
        end = (last + 1) * MINUTE_NS
        heads = self._remote.query(f"SELECT {fields} FROM message {where.format(end)}")  # noqa: S608 - ids are letters, digits, - and _
        if not heads:
            return []
        # A message may reach up to a minute over the border.
        rows = self._remote.query(f"SELECT pa FROM pressure {where.format(end + MINUTE_NS)}")  # noqa: S608 - as above
        times = np.array([row[0] for row in rows], np.int64) // 1000
        pa = np.array([row[1] for row in rows], np.float64)
        heads = [[row[0] // 1000, *row[1:]] for row in heads]
        found = line_protocol.messages((site, pump), heads, (times, pa))
        columns = codec.from_messages(found, [sid] * len(found))
        minutes = columns.minutes()
        return [
            Chunk(sid, minute, columns.take(np.flatnonzero(minutes == minute)))
            for minute in np.unique(minutes).tolist()
        ]


class InfluxStore(EmbeddedStore):
    """See `interface.Store` and the module. keep.raw_days says how long raw stays local too."""

    def __init__(
        self,
        folder: Path,
        remote: Remote,
        schemas: Sequence[Schema] = (),
        *,
        keep: Retention | None = None,
        claim: Claim | None = None,
    ) -> None:
        self._remote = remote
        keep = keep or Retention(raw_days=LOCAL_DAYS)
        super().__init__(folder, [SCHEMA, *schemas], keep=keep, claim=claim)
        self._sender = Sender(self.core, self._days, self._book.name, remote)
        self._keeper.may_drop = lambda day: (
            not self._sender.unsent_before((day + 1) * MINUTES_PER_DAY)
        )

    def _raw_source(self) -> Raw:
        reader = Reader(self._book.name, self._remote)
        return BothPlaces(self._days, self._keeper.gone, reader)

    def _recalled(self, chunk: Chunk) -> Columns | None:
        found = self._raw.get(chunk.sid, chunk.minute, chunk.minute)
        return found[0].columns if found else chunk.columns

    def _settled(self, db: apsw.Connection, merged: Sequence[Chunk]) -> None:
        self._sender.due(db, merged)

    def tend(self, now_ts: float) -> None:
        """As the embedded store does, then send what waits."""
        super().tend(now_ts)
        self._sender.push(now_ts)

    def stats(self) -> dict[str, float]:
        """As the embedded store's, and how the server does."""
        return {**super().stats(), **self._sender.stats()}

    @property
    def server_problem(self) -> str:
        """Why minutes wait to be sent; empty when all is well."""
        return self._sender.problem

    def close(self) -> None:
        """Fold and let go; what is not sent yet waits for the next start."""
        super().close()
        self._remote.close()
