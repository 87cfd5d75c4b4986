"""Reads and writes SenML packs (RFC 8428 with the versions of RFC 9100), JSON and CBOR alike.

It knows nothing of pumps; `monitor.wire` gives the records their meaning. Every fault is a
BadMessage with one of a small set of reason words, which become counters.
"""

import base64
import binascii
import io
import re
from collections.abc import Mapping
from functools import lru_cache
from operator import itemgetter
from typing import Any, NamedTuple

import cbor2
import msgspec

from monitor.errors import BadMessage

MAX_PAYLOAD_BYTES = 64 * 1024
"""Chosen: a minute at 50 samples a second is 6 kB as counts."""

RELATIVE_BELOW_US = 2**28 * 1_000_000
"""Times under 2^28 s are relative to now (RFC 8428 section 4.5.3)."""

_BY_TIME = itemgetter(2)
MAX_TIME_S = 1e11
BASE_VERSION = 10
SECONDARY_UNITS_BIT = 1 << 4
UNDERSTOOD_VERSION = BASE_VERSION | SECONDARY_UNITS_BIT
SECONDARY_UNITS = frozenset(
    (
        *("ms", "min", "h", "MHz", "kW", "kVA", "kvar", "Ah", "Wh", "kWh", "varh", "kvarh", "kVAh"),
        *("Wh/km", "KiB", "GB", "Mbit/s", "B/s", "MB/s", "mV", "mA", "dBm", "ug/m3", "mm/h", "m/h"),
        *("ppm", "/100", "/1000", "hPa", "mm", "cm", "km", "km/h", "ppb", "ppt", "VAh", "mg/l"),
        *("ug/l", "g/l"),
    )
)
"""Units that need feature 4 of the version bitmap (RFC 8798 section 3, registry additions)."""

TEXT_LABELS = (
    "bn",
    "bt",
    "bu",
    "bv",
    "bs",
    "bver",
    "n",
    "u",
    "v",
    "vs",
    "vb",
    "s",
    "t",
    "ut",
    "vd",
)
CBOR_LABELS = (-2, -3, -4, -5, -6, -1, 0, 1, 2, 3, 4, 5, 6, 7, 8)
_TO_CBOR = dict(zip(TEXT_LABELS, CBOR_LABELS, strict=True))
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*")
_BASE64URL = re.compile(r"[A-Za-z0-9_-]*")

Value = float | str | bool | bytes | None


class Record(NamedTuple):
    """One resolved record: no base fields, time in Unix microseconds (or relative if tiny)."""

    name: str
    unit: str
    time_us: int
    value: Value
    sum: float | None = None
    update_s: float | None = None
    version: int = BASE_VERSION


class Labels:
    """The labels of one representation, and sets of them."""

    def __init__(self, labels: tuple[Any, ...]) -> None:
        (
            *base,
            self.n,
            self.u,
            self.v,
            self.vs,
            self.vb,
            self.s,
            self.t,
            self.ut,
            self.vd,
        ) = labels
        self.bn, self.bt, self.bu, self.bv, self.bs, self.bver = base
        self.known = frozenset(labels)
        self.base = frozenset(base)
        self.values = frozenset((self.v, self.vs, self.vb, self.vd))


JSON = Labels(TEXT_LABELS)
CBOR = Labels(CBOR_LABELS)


class _Shape(NamedTuple):
    """What the labels of a row say before its values are looked at."""

    bad_label: str
    has_base: bool
    kinds: tuple[Any, ...]
    has_time: bool
    has_sum: bool
    has_update: bool


@lru_cache(maxsize=4096)
def _shape(labels: Labels, keys: tuple[Any, ...]) -> _Shape:
    """Rows have few shapes, so looking at their labels is done once for each.

    Unknown labels are ignored, unless they end in '_' (RFC 8428 section 4.4).
    """
    there = frozenset(keys)
    unknown = (key for key in keys if key not in labels.known and isinstance(key, str))
    return _Shape(
        bad_label=next((key for key in unknown if key.endswith("_")), ""),
        has_base=not labels.base.isdisjoint(there),
        kinds=tuple(labels.values & there),
        has_time=labels.t in there,
        has_sum=labels.s in there,
        has_update=labels.ut in there,
    )


class _Base:
    """The base fields in force; each holds until the same field comes again."""

    __slots__ = ("name", "sum", "time_us", "unit", "value", "version")

    def __init__(self) -> None:
        self.name = ""
        self.time_us = 0
        self.unit = ""
        self.value: float | None = None
        self.sum: float | None = None
        self.version = BASE_VERSION


def resolve(pack: bytes, now_us: int = 0) -> list[Record]:
    """The records of a JSON or CBOR pack, resolved as RFC 8428 section 4.6, in time order.

    now_us is added to relative times; with 0 they stay tiny and can be told by that. Raises
    BadMessage.
    """
    return resolve_rows(*parse(pack), now_us)


def resolve_rows(rows: list[Any], labels: Labels, now_us: int = 0) -> list[Record]:
    """The same of rows that `parse` gave."""
    base = _Base()
    records: list[Record] = []
    for index, row in enumerate(rows):
        if type(row) is not dict:
            raise BadMessage("bad record", f"record {index + 1} is not a map")
        shape = _shape(labels, tuple(row))
        if shape.bad_label:
            raise BadMessage("bad label", f"{shape.bad_label!r} must be understood and is not")
        if shape.has_base:
            _update_base(base, row, labels, index)
        records.append(_record(row, labels, shape, base, now_us))
    records.sort(key=_BY_TIME)
    return records


def parse(pack: bytes) -> tuple[list[Any], Labels]:
    """The rows of a pack and the labels in use, JSON or CBOR; raises BadMessage."""
    if len(pack) > MAX_PAYLOAD_BYTES:
        raise BadMessage("too large", f"{len(pack)} bytes, at most {MAX_PAYLOAD_BYTES}")
    first = pack[0] if pack else 0
    if 0x80 <= first <= 0x9F:
        return _parse_cbor(pack), CBOR
    if first not in b"[ \t\r\n":
        raise BadMessage("not senml", "a pack is an array, as JSON or as CBOR")
    try:
        rows = msgspec.json.decode(pack)
    except (msgspec.DecodeError, RecursionError, UnicodeDecodeError) as problem:
        raise BadMessage("not senml", f"JSON: {problem}") from problem
    if type(rows) is not list:
        raise BadMessage("not senml", "the JSON is no array")
    return rows, JSON


def _parse_cbor(pack: bytes) -> list[Any]:
    source = io.BytesIO(pack)
    try:
        rows: list[Any] = cbor2.CBORDecoder(
            source, max_depth=8, allow_duplicate_keys=False
        ).decode()
    except (cbor2.CBORError, ValueError, TypeError, OverflowError, MemoryError) as problem:
        raise BadMessage("not senml", f"CBOR: {problem}") from problem
    if source.tell() != len(pack):
        raise BadMessage("not senml", f"CBOR ends at byte {source.tell()} of {len(pack)}")
    return rows


def _update_base(base: _Base, row: dict[Any, Any], labels: Labels, index: int) -> None:
    for label in labels.base & row.keys():
        value = row[label]
        if label == labels.bn:
            base.name = _text(value, "bn")
        elif label == labels.bt:
            base.time_us = _time_us(value)
        elif label == labels.bu:
            base.unit = _text(value, "bu")
        elif label == labels.bv:
            base.value = _number(value, "bv")
        elif label == labels.bs:
            base.sum = _number(value, "bs")
        else:
            base.version = _version(value, base.version if index else None)


def _version(value: Any, before: int | None) -> int:
    number = _number(value, "bver")
    if number < 1 or number != int(number):
        raise BadMessage("bad version", f"bver {value!r} is no positive whole number")
    version = int(number)
    if version > BASE_VERSION and version & ~UNDERSTOOD_VERSION:
        raise BadMessage("bad version", f"bver {version} has features we do not understand")
    if before is not None and version != before:
        raise BadMessage("bad version", f"bver {version} after {before} in one pack")
    return version


def _record(row: dict[Any, Any], labels: Labels, shape: _Shape, base: _Base, now_us: int) -> Record:
    name = row.get(labels.n, "")
    unit = row.get(labels.u, base.unit)
    if type(name) is not str or type(unit) is not str:
        raise BadMessage("bad value", "name and unit must be text")
    name = base.name + name
    fault = _name_fault(name)
    if fault:
        raise BadMessage("bad name", fault)
    if unit in SECONDARY_UNITS and not base.version & SECONDARY_UNITS_BIT:
        raise BadMessage("bad version", f"unit {unit} needs bver {UNDERSTOOD_VERSION}")
    time_us = base.time_us
    if shape.has_time:
        time_us += _time_us(row[labels.t])
    if time_us < RELATIVE_BELOW_US:
        time_us += now_us
    total = base.sum
    if shape.has_sum:
        total = _number(row[labels.s], "s") + (total or 0.0)
    update_s = _number(row[labels.ut], "ut") if shape.has_update else None
    value = _value(row, labels, shape.kinds, base.value, with_sum=total is not None)
    return Record(name, unit, time_us, value, total, update_s, base.version)


def _value(
    row: dict[Any, Any],
    labels: Labels,
    kinds: tuple[Any, ...],
    add: float | None,
    *,
    with_sum: bool,
) -> Value:
    if len(kinds) != 1:
        if kinds:
            raise BadMessage("bad value", "more than one of v, vs, vb, vd in a record")
        if add is None and not with_sum:
            raise BadMessage("bad value", "a record without value and sum")
        return add
    kind = kinds[0]
    value = row[kind]
    if kind == labels.v:
        number = _number(value, "v")
        return number if add is None else number + add
    if kind == labels.vd:
        return _data(value, labels)
    wanted = bool if kind == labels.vb else str
    if type(value) is not wanted:
        raise BadMessage("bad value", f"{value!r} where a {wanted.__name__} was due")
    return value


def _data(value: Any, labels: Labels) -> bytes:
    if labels is CBOR:
        if type(value) is not bytes:
            raise BadMessage("bad value", "vd must be a byte string in CBOR")
        return value
    text = _text(value, "vd")
    if not _BASE64URL.fullmatch(text):
        raise BadMessage("bad value", "vd must be base64url without padding")
    try:
        return base64.urlsafe_b64decode(text + "=" * (-len(text) % 4))
    except binascii.Error as problem:
        raise BadMessage("bad value", f"vd: {problem}") from problem


def _number(value: Any, label: str) -> float:
    if type(value) is not float and type(value) is not int:
        raise BadMessage("bad value", f"{label} must be a number, got {type(value).__name__}")
    if not -1.7976931348623157e308 <= value <= 1.7976931348623157e308:
        raise BadMessage("not finite", f"{label} is outside the range of a double")
    return value


def _time_us(value: Any) -> int:
    seconds = _number(value, "time")
    if abs(seconds) > MAX_TIME_S:
        raise BadMessage("time out of range", f"{seconds} s")
    return round(seconds * 1e6)


def _text(value: Any, label: str) -> str:
    if type(value) is not str:
        raise BadMessage("bad value", f"{label} must be text, got {type(value).__name__}")
    return value


@lru_cache(maxsize=16_384)
def _name_fault(name: str) -> str:
    if _NAME.fullmatch(name):
        return ""
    return f"{name[:80]!r}: letters, digits and - : . / _ only, first a letter or digit"


def to_json(pack: list[dict[str, Any]]) -> bytes:
    """The pack (text labels, vd as bytes) as JSON; vd becomes base64url without padding."""
    rows: list[Mapping[str, Any]] = [
        {**row, "vd": base64.urlsafe_b64encode(row["vd"]).rstrip(b"=").decode()}
        if "vd" in row
        else row
        for row in pack
    ]
    return msgspec.json.encode(rows)


def to_cbor(pack: list[dict[str, Any]]) -> bytes:
    """The same pack as CBOR: a definite-length array of maps with the integer labels."""
    return cbor2.dumps([{_TO_CBOR[label]: value for label, value in row.items()} for row in pack])
