"""Messages as columns, and columns as bytes: byte planes under zlib, bit for bit.

A bundle (one journal row of many pumps, or one pump's minute) is turned into columns of integers;
each column is stored as a constant, or as offsets from its minimum in the narrowest width, byte
plane by byte plane, which is what makes zlib's 12-bit ADC counts small (computed: 0.51 bytes a
sample against 0.64 for delta coding). A CRC covers the header, so a page of zeros never parses.
"""

import struct
import zlib
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.errors import StrokewiseError
from monitor.wire import Message

Ints = NDArray[np.int64]
Names = Callable[[int], tuple[str, str]]

VERSION = 1
CLOCK_OK, HISTORICAL, HAS_AIR, HAS_DEMAND, IS_FLOAT = 1, 2, 4, 8, 16

HEAD = np.dtype(
    [
        ("sid", "<u4"),
        ("boot", "<u4"),
        ("seq", "<u4"),
        ("t0", "<i8"),
        ("dt", "<i8"),
        ("flags", "u1"),
        ("failed", "<u4"),
        ("scale", "<f8"),
        ("offset", "<f8"),
        ("air", "<f8"),
        ("n16", "<i4"),
        ("n64", "<i4"),
        ("ns", "<i4"),
        ("nd", "<i4"),
    ]
)
_DELTA = {"seq", "t0"}
POOLS = {
    "s16": ("<i2", "n16"),
    "s64": ("<f8", "n64"),
    "stroke_t": ("<i8", "ns"),
    "stroke_total": ("<i8", "ns"),
    "demand_t": ("<i8", "nd"),
    "demand_on": ("u1", "nd"),
}
_PREFIX = struct.Struct("<IBI")
_COLUMN = struct.Struct("<Bq")
_FIRST = struct.Struct("<q")


class DamagedChunk(StrokewiseError):
    """Stored bytes do not match their checksum; restore that file from a backup."""


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """Many messages side by side.

    head: one HEAD record a message (times in microseconds). pools: the ragged parts, joined in
    the order of head; how many belong to each message stands in n16, n64, ns and nd.
    """

    head: NDArray[np.void]
    pools: dict[str, NDArray[Any]]

    def __len__(self) -> int:
        return len(self.head)

    def keys(self) -> NDArray[np.uint64]:
        """(boot, seq) of each message as one number."""
        boot = self.head["boot"].astype(np.uint64)
        return np.asarray(boot << np.uint64(32) | self.head["seq"], np.uint64)

    def minutes(self) -> Ints:
        """The Unix minute in which each message begins."""
        return np.asarray(self.head["t0"] // 60_000_000, np.int64)

    def take(self, index: NDArray[np.intp]) -> "Columns":
        """The messages of these positions, in that order."""
        pools = {
            name: _gather(pool, self.head[POOLS[name][1]], index)
            for name, pool in self.pools.items()
        }
        return Columns(self.head[index], pools)

    def union(self) -> "Columns":
        """Each (boot, seq) once, ordered by time; one pump's messages only."""
        keys = self.keys()
        if len(keys) < 2:
            return self
        t0 = self.head["t0"]
        if (keys[1:] > keys[:-1]).all() and (t0[1:] >= t0[:-1]).all():
            return self
        _, first = np.unique(keys, return_index=True)
        order = np.lexsort((keys[first], t0[first]))
        return self.take(first[order])


def _gather(values: NDArray[Any], counts: NDArray[Any], index: NDArray[np.intp]) -> NDArray[Any]:
    wanted = counts[index].astype(np.int64)
    total = int(wanted.sum())
    if total == 0:
        return values[:0]
    starts = np.cumsum(counts, dtype=np.int64) - counts
    shift = starts[index] - (np.cumsum(wanted) - wanted)
    return np.asarray(values[np.arange(total) + np.repeat(shift, wanted)])


def empty() -> Columns:
    """No messages."""
    return Columns(np.empty(0, HEAD), {k: np.empty(0, t) for k, (t, _) in POOLS.items()})


def join(parts: Sequence[Columns]) -> Columns:
    """All messages of all parts, in order."""
    if not parts:
        return empty()
    if len(parts) == 1:
        return parts[0]
    return Columns(
        np.concatenate([p.head for p in parts]),
        {k: np.concatenate([p.pools[k] for p in parts]) for k in POOLS},
    )


def from_messages(batch: Sequence[Message], sids: Sequence[int]) -> Columns:
    """Columns of the batch; sids[i] is the number of the series batch[i] belongs to."""
    head = np.array([_head(m, sid) for m, sid in zip(batch, sids, strict=True)], HEAD)
    floats = head["flags"] & IS_FLOAT != 0
    lists: dict[str, list[NDArray[Any]]] = {
        "s16": [m.samples for m, f in zip(batch, floats, strict=True) if not f],
        "s64": [m.samples for m, f in zip(batch, floats, strict=True) if f],
        "stroke_t": [m.stroke_t_us for m in batch],
        "stroke_total": [m.stroke_total for m in batch],
        "demand_t": [m.demand_t_us for m in batch if m.demand_t_us is not None],
        "demand_on": [m.demand_on for m in batch if m.demand_on is not None],
    }
    pools = {
        k: np.concatenate(v).astype(POOLS[k][0], copy=False) if v else np.empty(0, POOLS[k][0])
        for k, v in lists.items()
    }
    return Columns(head, pools)


def flags(m: Message) -> int:
    """The yes-or-no facts of a message in one number."""
    return (
        CLOCK_OK * m.clock_ok
        | HISTORICAL * m.historical
        | HAS_AIR * (m.air_pa is not None)
        | HAS_DEMAND * (m.demand_t_us is not None)
        | IS_FLOAT * (m.samples.dtype != np.int16)
    )


def _head(m: Message, sid: int) -> tuple[Any, ...]:
    n = len(m.samples)
    is_float = m.samples.dtype != np.int16
    return (
        sid,
        m.boot,
        m.seq,
        m.t0_us,
        m.dt_us,
        flags(m),
        m.failed_reads,
        m.scale_pa,
        m.offset_pa,
        0.0 if m.air_pa is None else m.air_pa,
        0 if is_float else n,
        n if is_float else 0,
        len(m.stroke_t_us),
        0 if m.demand_t_us is None else len(m.demand_t_us),
    )


def to_messages(columns: Columns, names: Names) -> Iterator[Message]:
    """The messages again, equal to what was sent; names(sid) gives (site, pump)."""
    ends = {
        c: np.cumsum(columns.head[c], dtype=np.int64).tolist() for c in ("n16", "n64", "ns", "nd")
    }
    pool = columns.pools
    for i, row in enumerate(columns.head.tolist()):
        sid, boot, seq, t0, dt, bits, failed, scale, offset, air, n16, n64, ns, nd = row
        site, pump = names(sid)
        strokes = slice(ends["ns"][i] - ns, ends["ns"][i])
        demand = slice(ends["nd"][i] - nd, ends["nd"][i])
        fitted = bool(bits & HAS_DEMAND)
        samples = (
            pool["s64"][ends["n64"][i] - n64 : ends["n64"][i]]
            if bits & IS_FLOAT
            else pool["s16"][ends["n16"][i] - n16 : ends["n16"][i]]
        )
        yield Message(
            site=site,
            pump=pump,
            boot=boot,
            seq=seq,
            t0_us=t0,
            dt_us=dt,
            samples=samples,
            scale_pa=scale,
            offset_pa=offset,
            stroke_t_us=pool["stroke_t"][strokes],
            stroke_total=pool["stroke_total"][strokes],
            demand_t_us=pool["demand_t"][demand] if fitted else None,
            demand_on=pool["demand_on"][demand].astype(np.bool_) if fitted else None,
            air_pa=air if bits & HAS_AIR else None,
            clock_ok=bool(bits & CLOCK_OK),
            historical=bool(bits & HISTORICAL),
            failed_reads=failed,
        )


def put_column(values: NDArray[Any], *, delta: bool = False) -> bytes:
    """One integer column: code (width, delta), base, first value, byte planes."""
    if len(values) == 0:
        return b""
    code = 16 if delta else 0
    head = b""
    if delta:
        head = _FIRST.pack(int(values[0]))
        values = np.diff(values)
        if len(values) == 0:
            return _COLUMN.pack(code, 0) + head
    low, high = int(values.min()), int(values.max())
    if low == high:
        return _COLUMN.pack(code, low) + head
    if values.dtype == np.int16:
        # Counts stay as they are: taking an offset off them splits the high byte plane.
        return _COLUMN.pack(code | 2, 0) + head + _planes(values, 2)
    width = next(w for w in (1, 2, 4, 8) if high - low < 1 << (8 * w))
    shifted = (values.astype(np.int64, copy=False) - np.int64(low)).astype(f"<u{width}")
    return _COLUMN.pack(code | width, low) + head + _planes(shifted, width)


def _planes(values: NDArray[Any], width: int) -> bytes:
    return values.view(np.uint8).reshape(-1, width).T.tobytes()


def get_column(body: bytes, at: int, count: int, dtype: str) -> tuple[NDArray[Any], int]:
    """(the column of that many values, where the next one starts)."""
    if count == 0:
        return np.empty(0, dtype), at
    code, base = _COLUMN.unpack_from(body, at)
    at += _COLUMN.size
    first = None
    width, inner = code & 15, count
    if code & 16:
        first = _FIRST.unpack_from(body, at)[0]
        at += _FIRST.size
        inner = count - 1
    if width == 0:
        values = np.full(inner, base, np.int64)
    else:
        planes = np.frombuffer(body, np.uint8, inner * width, at).reshape(width, inner)
        at += inner * width
        flat = np.ascontiguousarray(planes.T)
        if dtype == "<i2":
            return flat.view("<i2").reshape(-1), at
        values = flat.view(f"<u{width}").reshape(-1).astype(np.int64) + np.int64(base)
    if first is not None:
        values = np.cumsum(np.concatenate([np.array([first], np.int64), values]))
    return values.astype(dtype, copy=False), at


def _relative(columns: Columns, name: str) -> NDArray[Any]:
    """Event times as distance from their message's start."""
    t0 = np.repeat(columns.head["t0"], columns.head[POOLS[name][1]])
    return np.asarray(columns.pools[name] - t0)


def pack(columns: Columns, effort: int = 6) -> bytes:
    """The columns as bytes; effort is zlib's (1 for the journal, 6 for chunks)."""
    out = []
    for name in HEAD.names or ():
        column = columns.head[name]
        if column.dtype == "<f8":
            column = np.ascontiguousarray(column).view("<i8")
        out.append(put_column(column.astype(np.int64), delta=name in _DELTA))
    for name, pool in columns.pools.items():
        if name.endswith("_t"):
            out.append(put_column(_relative(columns, name)))
        elif name == "stroke_total":
            out.append(put_column(pool, delta=True))
        else:
            out.append(put_column(pool.view("<i8") if pool.dtype == "<f8" else pool))
    rest = _PREFIX.pack(0, VERSION, len(columns))[4:] + zlib.compress(b"".join(out), effort)
    return struct.pack("<I", zlib.crc32(rest)) + rest


def unpack(blob: bytes) -> Columns:
    """The columns again. Raises DamagedChunk."""
    if len(blob) < _PREFIX.size:
        raise DamagedChunk
    crc, version, count = _PREFIX.unpack_from(blob)
    if zlib.crc32(memoryview(blob)[4:]) != crc:
        raise DamagedChunk
    if version != VERSION:
        raise DamagedChunk(f"chunk version {version} is newer than this program; update it")
    body = zlib.decompress(memoryview(blob)[_PREFIX.size :])
    head = np.empty(count, HEAD)
    at = 0
    for name in HEAD.names or ():
        kind = HEAD[name]
        values, at = get_column(body, at, count, "<i8")
        head[name] = values.view("<f8") if kind == "<f8" else values
    pools: dict[str, NDArray[Any]] = {}
    for name, (dtype, counts) in POOLS.items():
        total = int(head[counts].sum(dtype=np.int64))
        values, at = get_column(body, at, total, "<i8" if dtype == "<f8" else dtype)
        if name.endswith("_t"):
            values = values + np.repeat(head["t0"], head[counts])
        pools[name] = values.view("<f8") if dtype == "<f8" else values
    return Columns(head, pools)
