"""Chunks as InfluxDB line protocol and back: deterministic times, tags site and pump only.

A point is identified by measurement, tags and time, and a second write of equal fields changes
nothing (InfluxDB documentation, "Handle duplicate data points"), so sending a minute again is
harmless. The boot is a field: as a tag it would make a new series at each restart.

| measurement | time | fields |
|---|---|---|
| pressure | of the sample | pa (no point where the reading failed) |
| strokes | of the reading | total |
| message | of its first sample | what is needed to give the message back as it was sent |
"""

from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.store import codec
from monitor.store.codec import Columns, Ints
from monitor.wire import NULL_COUNT, Message

MESSAGE_FIELDS = (
    *("boot", "seq", "dt", "flags", "failed", "scale", "offset", "air", "n"),
    *("strokes", "demand"),
)


def lines(site: str, pump: str, columns: Columns) -> list[str]:
    """One line a point, times in microseconds."""
    tags = f"site={site},pump={pump}"
    out: list[str] = []
    for message in codec.to_messages(columns, lambda _sid: (site, pump)):
        out += _pressure(tags, message)
        out += [
            f"strokes,{tags} total={total}i {t_us}"
            for t_us, total in zip(
                message.stroke_t_us.tolist(), message.stroke_total.tolist(), strict=True
            )
        ]
        out.append(f"message,{tags} {_fields(message)} {message.t0_us}")
    return out


def _pressure(tags: str, message: Message) -> Iterator[str]:
    t_us = message.t0_us
    for pa in message.pressure_pa().tolist():
        if pa - pa == 0.0:
            yield f"pressure,{tags} pa={pa!r} {t_us}"
        t_us += message.dt_us


def _fields(message: Message) -> str:
    flags = codec.flags(message)
    if not flags & codec.IS_FLOAT and not _counts_survive(message):
        flags |= codec.IS_FLOAT
    numbers: dict[str, int] = {
        "boot": message.boot,
        "seq": message.seq,
        "dt": message.dt_us,
        "flags": flags,
        "failed": message.failed_reads,
        "n": len(message.samples),
    }
    floats = {"scale": message.scale_pa, "offset": message.offset_pa, "air": message.air_pa or 0.0}
    parts = [f"{k}={v}i" for k, v in numbers.items()]
    parts += [f"{k}={float(v)!r}" for k, v in floats.items()]
    parts.append(f'strokes="{_pairs(message, message.stroke_t_us, message.stroke_total)}"')
    if message.demand_t_us is not None and message.demand_on is not None:
        on = message.demand_on.astype(np.int64)
        parts.append(f'demand="{_pairs(message, message.demand_t_us, on)}"')
    return ",".join(parts)


def _pairs(message: Message, t_us: Ints, values: Ints) -> str:
    relative = (t_us - message.t0_us).tolist()
    return " ".join(f"{t}:{v}" for t, v in zip(relative, values.tolist(), strict=True))


def _counts_survive(message: Message) -> bool:
    """Whether counts can be computed back from Pa; an odd scale may not allow it."""
    back = _counts(message.pressure_pa(), message.scale_pa, message.offset_pa)
    return bool(np.array_equal(back, message.samples))


def _counts(pa: NDArray[np.float64], scale: float, offset: float) -> NDArray[np.int16]:
    if scale == 0.0:
        return np.full(len(pa), NULL_COUNT, np.int16)
    counts = np.rint((pa - offset) / scale)
    absent = ~(np.abs(counts) <= -NULL_COUNT)
    return np.where(absent, NULL_COUNT, counts).astype(np.int16)


def messages(
    name: tuple[str, str],
    heads: Sequence[Sequence[Any]],
    pressure: tuple[Ints, NDArray[np.float64]],
) -> list[Message]:
    """The messages of query rows: heads = (t0_us, *MESSAGE_FIELDS), pressure = (t_us, pa)."""
    out = []
    for t0_us, boot, seq, dt, flags, failed, scale, offset, air, n, strokes, demand in heads:
        samples = _samples(pressure, int(t0_us), int(dt), int(n))
        is_counts = not int(flags) & codec.IS_FLOAT
        stroke_t_us, stroke_total = _split(int(t0_us), strokes)
        demand_t_us, demand_on = _split(int(t0_us), demand)
        fitted = bool(int(flags) & codec.HAS_DEMAND)
        out.append(
            Message(
                *name,
                int(boot),
                int(seq),
                int(t0_us),
                int(dt),
                _counts(samples, float(scale), float(offset)) if is_counts else samples,
                float(scale) if is_counts or float(scale) == 1.0 else 1.0,
                float(offset) if is_counts or float(scale) == 1.0 else 0.0,
                stroke_t_us,
                stroke_total,
                demand_t_us if fitted else None,
                demand_on.astype(np.bool_) if fitted else None,
                float(air) if int(flags) & codec.HAS_AIR else None,
                bool(int(flags) & codec.CLOCK_OK),
                bool(int(flags) & codec.HISTORICAL),
                int(failed),
            )
        )
    return out


def _samples(
    pressure: tuple[Ints, NDArray[np.float64]], t0_us: int, dt_us: int, n: int
) -> NDArray[np.float64]:
    t_us, pa = pressure
    out = np.full(n, np.nan)
    a, b = np.searchsorted(t_us, (t0_us, t0_us + n * dt_us))
    place, rest = np.divmod(t_us[a:b] - t0_us, dt_us)
    own = rest == 0
    out[place[own]] = pa[a:b][own]
    return out


def _split(t0_us: int, text: str | None) -> tuple[Ints, Ints]:
    if not text:
        return np.empty(0, np.int64), np.empty(0, np.int64)
    pairs = np.array([p.split(":") for p in text.split(" ")], np.int64)
    return pairs[:, 0] + t0_us, pairs[:, 1].copy()
