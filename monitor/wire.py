"""The only place that knows topics and payloads: SenML (RFC 8428) as JSON or CBOR.

A data message is one pump's second on `strokewise/1/<site>/<pump>/data`. Base name
`<site>:<pump>:`, base time = the first sample. Its records, by name:

| name | value | meaning |
|---|---|---|
| boot, seq | v, whole, 0 to 2^32 - 1 | identity with the pump; needed |
| pressure | v each, Pa or hPa (bver 26) | on an even grid; a missing reading is left out |
| pressure | one vd | or: int16 counts, little-endian, -32768 = failed read |
| step | v, s | the grid's step; needed with vd and with a single v |
| scale, offset | v, Pa or hPa | with vd: Pa = offset + scale x count (1 and 0 if left out) |
| samples | v, count | grid length and, by its time, start, where the ends were missing |
| strokes | v, count | the counter (only grows) at each change and at the message's end |
| demand | vb | at the start and at each change; absent = not fitted |
| air | v, Pa or hPa | supply pressure; absent = not fitted |
| failed | v, count | reads that failed in this message |
| clock, historical | vb | is the sender's clock set (true); is this late data (false) |

Anything else is refused with a reason, and only that message is lost by it.
"""

import re
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor import counts, grid, senml
from monitor.errors import BadMessage
from monitor.senml import Record

TOPIC_ROOT = "strokewise/1"
NULL_COUNT = -32768
"""The int16 count that says: this read failed (channel fitted, but no value)."""


@dataclass(frozen=True, slots=True, eq=False)
class Message:
    """One pump's second, as it travels.

    samples: int16 ADC counts (NULL_COUNT = failed read; Pa = offset_pa + scale_pa * count) or
    float64 Pa (NaN = failed read, scale_pa 1, offset_pa 0), on an even grid t0_us + i * dt_us.
    stroke_t_us / stroke_total: the cumulative counter at each change and at the message's end.
    demand_t_us / demand_on: the demand signal at each change, first entry = state at t0; None
    where no demand signal is fitted. air_pa: supply pressure (gauge), None where not fitted.
    All times are Unix microseconds, UTC. Identity is (pump, boot, seq), never time.
    """

    site: str
    pump: str
    boot: int
    seq: int
    t0_us: int
    dt_us: int
    samples: NDArray[np.int16] | NDArray[np.float64]
    scale_pa: float = 1.0
    offset_pa: float = 0.0
    stroke_t_us: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    stroke_total: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    demand_t_us: NDArray[np.int64] | None = None
    demand_on: NDArray[np.bool_] | None = None
    air_pa: float | None = None
    clock_ok: bool = True
    historical: bool = False
    failed_reads: int = 0

    def pressure_pa(self) -> NDArray[np.float64]:
        """Gauge pressure in Pa, float64, NaN where the read failed."""
        if self.samples.dtype == np.int16:
            out = self.samples * self.scale_pa + self.offset_pa
            out[self.samples == NULL_COUNT] = np.nan
            return np.asarray(out, np.float64)
        return np.asarray(self.samples, np.float64)

    @property
    def end_us(self) -> int:
        """The end of the message's span (one step after its last sample)."""
        return self.t0_us + len(self.samples) * self.dt_us


@dataclass(frozen=True, slots=True)
class NodeStatus:
    """What a node says of itself, retained, and its last will (online False)."""

    site: str
    node: str
    online: bool
    ts: float
    boot: int = 0
    pumps: tuple[str, ...] = ()
    dropped_messages: int = 0
    failed_reads: int = 0
    waiting_messages: int = 0
    clock_ok: bool = True
    version: str = ""
    clock_steps: int = 0
    lost: tuple[tuple[str, int, int, int], ...] = ()
    """(pump, boot, first seq, last seq) that were asked for and are gone, newest answers only."""
    refused_messages: int = 0
    """Refused by the broker (its access list); they wait at the node."""
    faults: tuple[str, ...] = ()
    """What stands wrong with sensors now, in words: '<pump> <source>: <what>'."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the monitor misses: per pump and boot, inclusive sequence ranges."""

    site: str
    node: str
    ranges: tuple[tuple[str, int, int, int], ...]
    """(pump, boot, first seq, last seq), both ends wanted."""


EARLIEST_US = 1_577_836_800_000_000
"""2020-01-01T00:00:00Z; before it the sender's clock was never set."""
LATEST_US = 4_102_444_800_000_000
"""2100-01-01T00:00:00Z, excluded."""
DATA_FILTER = f"{TOPIC_ROOT}/+/+/data"
STATUS_FILTER = f"{TOPIC_ROOT}/+/+/status"

_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,47}")


def site_filters(site: str) -> tuple[str, str]:
    """The data and the status filter of one site alone."""
    return f"{TOPIC_ROOT}/{site}/+/data", f"{TOPIC_ROOT}/{site}/+/status"


class Topic(NamedTuple):
    """`strokewise/1/<site>/<name>/<kind>`: name is a pump for data, else a node."""

    site: str
    name: str
    kind: str


def data_topic(site: str, pump: str) -> str:
    """Where a pump's seconds go."""
    return f"{TOPIC_ROOT}/{site}/{pump}/data"


def status_topic(site: str, node: str) -> str:
    """Where a node says that it is there (retained, last will)."""
    return f"{TOPIC_ROOT}/{site}/{node}/status"


def wanted_topic(site: str, node: str) -> str:
    """Where a node hears what never arrived."""
    return f"{TOPIC_ROOT}/{site}/{node}/wanted"


@lru_cache(8192)  # a pump's topic comes every second
def parse_topic(topic: str) -> Topic:
    """The parts of one of our topics; raises BadMessage('bad topic')."""
    parts = topic.split("/")
    if len(parts) != 5 or "/".join(parts[:2]) != TOPIC_ROOT:
        raise BadMessage("bad topic", f"{topic[:120]!r} is not {TOPIC_ROOT}/<site>/<name>/<kind>")
    _, _, site, name, kind = parts
    if kind not in ("data", "status", "wanted"):
        raise BadMessage("bad topic", f"{kind[:40]!r} is none of data, status, wanted")
    for part in (site, name):
        if not _ID.fullmatch(part):
            raise BadMessage("bad topic", f"{part[:60]!r}: letters, digits, - and _, at most 48")
    return Topic(site, name, kind)


def encode_json(message: Message) -> bytes:
    """The message as SenML JSON."""
    return senml.to_json(_pack(message))


def encode_cbor(message: Message) -> bytes:
    """The message as SenML CBOR, the edge's default: about 0.3 kB for 20 samples and 3 strokes."""
    return senml.to_cbor(_pack(message))


def _pack(message: Message) -> list[dict[str, Any]]:
    head: dict[str, Any] = {
        "bn": f"{message.site}:{message.pump}:",
        "bt": message.t0_us / 1e6,
        "bu": "Pa",
        "n": "boot",
        "u": "count",
        "v": message.boot,
    }
    pack = [head, {"n": "seq", "u": "count", "v": message.seq}]
    pack.append({"n": "step", "u": "s", "v": message.dt_us / 1e6})
    if message.samples.dtype == np.int16:
        pack.append({"n": "scale", "v": message.scale_pa})
        pack.append({"n": "offset", "v": message.offset_pa})
        pack.append({"n": "pressure", "vd": message.samples.astype("<i2").tobytes()})
    else:
        pack += _plain_records(message)
    pack += _event_records(message)
    if message.air_pa is not None:
        pack.append({"n": "air", "v": message.air_pa})
    if message.failed_reads:
        pack.append({"n": "failed", "u": "count", "v": message.failed_reads})
    if not message.clock_ok:
        pack.append({"n": "clock", "vb": False})
    if message.historical:
        pack.append({"n": "historical", "vb": True})
    return pack


def _plain_records(message: Message) -> list[dict[str, Any]]:
    values = message.samples.tolist()
    out: list[dict[str, Any]] = [
        {"n": "pressure", "t": index * message.dt_us / 1e6, "v": value}
        for index, value in enumerate(values)
        if value == value
    ]
    if values and (values[0] != values[0] or values[-1] != values[-1]):
        out.append({"n": "samples", "u": "count", "v": len(values)})
    return out


def _event_records(message: Message) -> list[dict[str, Any]]:
    t0_us = message.t0_us
    out: list[dict[str, Any]] = [
        {"n": "strokes", "u": "count", "t": (t_us - t0_us) / 1e6, "v": total}
        for t_us, total in zip(
            message.stroke_t_us.tolist(), message.stroke_total.tolist(), strict=True
        )
    ]
    if message.demand_t_us is not None and message.demand_on is not None:
        out += [
            {"n": "demand", "t": (t_us - t0_us) / 1e6, "vb": on}
            for t_us, on in zip(
                message.demand_t_us.tolist(), message.demand_on.tolist(), strict=True
            )
        ]
    return out


_DATA_NAMES = (
    *("boot", "seq", "step", "scale", "offset", "pressure", "samples"),
    *("strokes", "demand", "air", "failed", "clock", "historical"),
)


def decode(topic: str, payload: bytes) -> Message:
    """The message of a data topic; raises BadMessage(reason, detail) for anything unsound."""
    where = parse_topic(topic)
    if where.kind != "data":
        raise BadMessage("bad topic", f"{where.kind} where data was due")
    rows, labels = senml.parse(payload)
    own = counts.read(rows, f"{where.site}:{where.name}:") if labels is senml.CBOR else None
    if own is not None:
        _check_time(own.t0_us, own.t0_us + len(own.samples) * own.dt_us)
        return Message(where.site, where.name, *own)
    return _general(senml.resolve_rows(rows, labels), where)


def _check_time(t0_us: int, end_us: int) -> None:
    if t0_us < EARLIEST_US or end_us >= LATEST_US:
        raise BadMessage("time out of range", f"{t0_us / 1e6:.0f} s is not in 2020 to 2099")


def _general(records: list[Record], where: Topic) -> Message:
    """The message of any SenML pack that holds one."""
    found = _by_name(records, where)
    boot = grid.one_whole(found, "boot", grid.MAX_UINT32)
    seq = grid.one_whole(found, "seq", grid.MAX_UINT32)
    t0_us, dt_us, samples, scale_pa, offset_pa = grid.samples(found)
    end_us = t0_us + len(samples) * dt_us
    _check_time(t0_us, end_us)
    span_us = (t0_us - grid.EVENT_SLACK_US, end_us + grid.EVENT_SLACK_US)
    stroke_t_us, stroke_total = grid.strokes(found["strokes"], span_us)
    demand_t_us, demand_on = grid.demand(found["demand"], span_us)
    return Message(
        site=where.site,
        pump=where.name,
        boot=boot,
        seq=seq,
        t0_us=t0_us,
        dt_us=dt_us,
        samples=samples,
        scale_pa=scale_pa,
        offset_pa=offset_pa,
        stroke_t_us=stroke_t_us,
        stroke_total=stroke_total,
        demand_t_us=demand_t_us,
        demand_on=demand_on,
        air_pa=grid.one_pa(found, "air") if found["air"] else None,
        clock_ok=grid.one_flag(found, "clock", default=True),
        historical=grid.one_flag(found, "historical", default=False),
        failed_reads=grid.one_whole(found, "failed", grid.MAX_UINT32) if found["failed"] else 0,
    )


def _by_name(records: list[Record], where: Topic) -> grid.Found:
    prefix = f"{where.site}:{where.name}:"
    start = len(prefix)
    found: grid.Found = {name: [] for name in _DATA_NAMES}
    for record in records:
        name = record.name
        if not name.startswith(prefix):
            raise BadMessage("name mismatch", f"{name[:100]!r} on the topic of {prefix}")
        kind = found.get(name[start:])
        if kind is None:
            raise BadMessage("unknown record", f"{name[start:][:60]!r}")
        kind.append(record)
    return found


def encode_status(status: NodeStatus) -> bytes:
    """A node's word of itself as SenML JSON (people read it with any MQTT tool)."""
    head: dict[str, Any] = {"bn": f"{status.site}:{status.node}:", "bt": status.ts}
    pack = [{**head, "n": "online", "vb": status.online}]
    pack += [
        {"n": name, "u": "count", "v": getattr(status, attribute)}
        for name, attribute in _STATUS_COUNTS.items()
    ]
    pack.append({"n": "clock", "vb": status.clock_ok})
    pack.append({"n": "version", "vs": status.version})
    pack += [{"n": "pump", "vs": pump} for pump in status.pumps]
    pack += [{"n": "fault", "vs": fault} for fault in status.faults]
    pack += [{"n": "lost", "vs": _range_text(*span)} for span in status.lost]
    return senml.to_json(pack)


_STATUS_COUNTS = {
    "boot": "boot",
    "dropped": "dropped_messages",
    "failed": "failed_reads",
    "waiting": "waiting_messages",
    "clock-steps": "clock_steps",
    "refused": "refused_messages",
}


def decode_status(topic: str, payload: bytes) -> NodeStatus:
    """The status on a status topic; records we do not know are ignored. Raises BadMessage."""
    where = parse_topic(topic)
    fields: dict[str, Any] = {}
    lists: dict[str, list[str]] = {"pump": [], "fault": [], "lost": []}
    for name, record in _node_records(where, "status", payload):
        if name == "online":
            fields["online"], fields["ts"] = grid.flag(record), record.time_us / 1e6
        elif name == "clock":
            fields["clock_ok"] = grid.flag(record)
        elif name == "version":
            fields["version"] = grid.words(record)
        elif name in lists:
            lists[name].append(grid.words(record))
        elif name in _STATUS_COUNTS:
            fields[_STATUS_COUNTS[name]] = grid.whole(record, grid.MAX_COUNT)
    if "online" not in fields:
        raise BadMessage("missing record", "online")
    return NodeStatus(
        where.site,
        where.name,
        pumps=tuple(lists["pump"]),
        faults=tuple(lists["fault"]),
        lost=tuple(_parse_range(text) for text in lists["lost"]),
        **fields,
    )


def encode_wanted(wanted: Wanted) -> bytes:
    """What the monitor misses, as SenML JSON: one text `<pump>:<boot>:<first>-<last>` a range."""
    prefix = f"{wanted.site}:{wanted.node}:"
    return senml.to_json(
        [{"n": f"{prefix}wanted", "vs": _range_text(*span)} for span in wanted.ranges]
    )


def decode_wanted(topic: str, payload: bytes) -> Wanted:
    """The ranges on a wanted topic; raises BadMessage."""
    where = parse_topic(topic)
    ranges = [
        _parse_range(grid.words(record))
        for name, record in _node_records(where, "wanted", payload)
        if name == "wanted"
    ]
    return Wanted(where.site, where.name, tuple(ranges))


def _node_records(where: Topic, kind: str, payload: bytes) -> list[tuple[str, Record]]:
    if where.kind != kind:
        raise BadMessage("bad topic", f"{where.kind} where {kind} was due")
    prefix = f"{where.site}:{where.name}:"
    out: list[tuple[str, Record]] = []
    for record in senml.resolve(payload):
        if not record.name.startswith(prefix):
            raise BadMessage("name mismatch", f"{record.name[:100]!r} on the topic of {prefix}")
        out.append((record.name.removeprefix(prefix), record))
    return out


_RANGE = re.compile(r"([A-Za-z0-9][A-Za-z0-9_-]{0,47}):(\d{1,10}):(\d{1,10})-(\d{1,10})", re.ASCII)


def _range_text(pump: str, boot: int, first: int, last: int) -> str:
    return f"{pump}:{boot}:{first}-{last}"


def _parse_range(text: str) -> tuple[str, int, int, int]:
    match = _RANGE.fullmatch(text)
    if match is None:
        raise BadMessage("bad value", f"{text[:80]!r} is not <pump>:<boot>:<first>-<last>")
    boot, first, last = (int(part) for part in match.groups()[1:])
    if max(boot, last) > grid.MAX_UINT32 or first > last:
        raise BadMessage("bad number", f"{text[:80]!r} is no range of sequence numbers")
    return match.group(1), boot, first, last
