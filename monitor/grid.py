"""Typed values out of resolved records: flags, whole numbers, pressures on their even grid, events.

Used by `monitor.wire` alone. Each fault is a BadMessage with a stable reason word.
"""

from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from monitor.errors import BadMessage
from monitor.senml import Record

MAX_SAMPLES = 4096
"""Chosen: a minute at 50 a second is 3000."""
MAX_EVENTS = 2048
"""Stroke or demand changes in one message: a minute at the 16 strokes/s ceiling is 960."""
MIN_STEP_US, MAX_STEP_US = 1_000, 60_000_000
GRID_TOLERANCE = 0.1
"""Of a step. Chosen: software timers jitter by milliseconds; a dip is 60 ms wide or more."""
EVENT_SLACK_US = 1_000_000
"""A stroke or demand time may lie this far outside the samples: one message's length."""
MAX_UINT32 = 2**32 - 1
MAX_COUNT = 2**53
"""Beyond it a JSON number is no longer exact (RFC 8259 section 6)."""

MOST_PA = 1e9
"""Chosen: 10,000 bar; beyond it a value is a fault of the sender and sums would overflow."""

_PASCAL = {"Pa": 1.0, "hPa": 100.0}

Found = dict[str, list[Record]]
"""The records of each name that a message may have, an empty list where there is none."""


def one(found: Found, name: str) -> Record:
    """The only record of that name."""
    records = found[name]
    if len(records) != 1:
        raise BadMessage("repeated record" if records else "missing record", name)
    return records[0]


def whole(record: Record, limit: int) -> int:
    """A whole number from 0 to limit; 5.0 is one."""
    value = record.value
    if type(value) is not int:
        if type(value) is not float or value != int(value):
            raise BadMessage("bad number", f"{record.name} {value!r} is no whole number")
        value = int(value)
    if not 0 <= value <= limit:
        raise BadMessage("bad number", f"{record.name} {value} is not in 0 to {limit}")
    return value


def one_whole(found: Found, name: str, limit: int) -> int:
    """The whole number of the only record of that name."""
    return whole(one(found, name), limit)


def one_flag(found: Found, name: str, *, default: bool) -> bool:
    """The flag of that name, or the default where there is none."""
    return flag(one(found, name)) if found[name] else default


def flag(record: Record) -> bool:
    """A boolean value."""
    if type(record.value) is not bool:
        raise BadMessage("bad value", f"{record.name} must be vb")
    return record.value


def _in_pa(record: Record, value: Any) -> float:
    factor = _PASCAL.get(record.unit)
    if factor is None:
        raise BadMessage("bad unit", f"{record.name} in {record.unit[:20]!r}; send Pa (or hPa)")
    if type(value) is not int and type(value) is not float:
        raise BadMessage("bad value", f"{record.name} must be v")
    if abs(value) > MOST_PA:
        raise BadMessage("bad number", f"{record.name} {value:g} is no pressure")
    return value * factor


def one_pa(found: Found, name: str) -> float:
    """The pressure, in Pa, of the only record of that name."""
    record = one(found, name)
    return float(_in_pa(record, record.value))


def _step_us(found: Found) -> int:
    record = one(found, "step")
    if record.unit != "s":
        raise BadMessage("bad unit", f"step in {record.unit[:20]!r}; send s")
    if type(record.value) is not float and type(record.value) is not int:
        raise BadMessage("bad value", "step must be v")
    return _checked_step_us(record.value * 1e6)


def possible_step(step_us: float) -> bool:
    """May samples lie so far apart?"""
    return MIN_STEP_US <= step_us <= MAX_STEP_US


def _checked_step_us(step_us: float) -> int:
    if not possible_step(step_us):
        raise BadMessage("uneven grid", f"step of {step_us / 1e6} s; 0.001 to 60 s is possible")
    return round(step_us)


_Samples = tuple[int, int, NDArray[np.int16] | NDArray[np.float64], float, float]


def samples(found: Found) -> _Samples:
    """(t0_us, dt_us, samples, scale_pa, offset_pa) from either form of pressure."""
    records = found["pressure"]
    if not records and not found["samples"]:
        raise BadMessage("missing record", "pressure")
    if records and type(records[0].value) is bytes:
        return _counts(found)
    if found["scale"] or found["offset"]:
        raise BadMessage("unknown record", "scale and offset go with vd only")
    t0_us, dt_us, values = _grid(found)
    return t0_us, dt_us, values, 1.0, 0.0


def _counts(found: Found) -> _Samples:
    record = one(found, "pressure")
    data = record.value
    assert isinstance(data, bytes)  # noqa: S101  # for the type checker; the caller looked
    if not data or len(data) % 2:
        raise BadMessage("bad value", f"vd of {len(data)} bytes is no row of int16 counts")
    if len(data) // 2 > MAX_SAMPLES:
        raise BadMessage("too many samples", f"{len(data) // 2}, at most {MAX_SAMPLES}")
    scale_pa = one_pa(found, "scale") if found["scale"] else 1.0
    offset_pa = one_pa(found, "offset") if found["offset"] else 0.0
    if not scale_pa:
        raise BadMessage("bad number", "scale is 0")
    return record.time_us, _step_us(found), np.frombuffer(data, "<i2"), scale_pa, offset_pa


def _grid(found: Found) -> tuple[int, int, NDArray[np.float64]]:
    """Plain v records laid on their even grid, NaN where one is missing."""
    records = found["pressure"]
    times_us = [record.time_us for record in records]
    dt_us = _step_us(found) if found["step"] else _median_step_us(times_us)
    t0_us, length = _grid_ends(found, times_us, dt_us)
    if not 0 < length <= MAX_SAMPLES:
        raise BadMessage("too many samples", f"{length} on the grid, at most {MAX_SAMPLES}")
    places = (np.asarray(times_us, np.float64) - t0_us) / dt_us
    index = np.rint(places).astype(np.int64)
    if len(index) and (index[0] < 0 or index[-1] >= length):
        raise BadMessage("uneven grid", "a pressure lies outside the grid that samples gives")
    if np.any(np.abs(places - index) > GRID_TOLERANCE) or np.any(np.diff(index) < 1):
        raise BadMessage("uneven grid", f"pressures are not {dt_us / 1e6} s apart")
    values = np.full(length, np.nan)
    values[index] = [_in_pa(record, record.value) for record in records]
    return t0_us, dt_us, values


def _median_step_us(times_us: list[int]) -> int:
    if len(times_us) < 2:
        raise BadMessage("missing record", "step (a single pressure does not tell it)")
    return _checked_step_us(float(np.median(np.diff(times_us))))


def _grid_ends(found: Found, times_us: list[int], dt_us: int) -> tuple[int, int]:
    if found["samples"]:
        return one(found, "samples").time_us, one_whole(found, "samples", MAX_COUNT)
    return times_us[0], round((times_us[-1] - times_us[0]) / dt_us) + 1


def _event_times(records: list[Record], span_us: tuple[int, int]) -> NDArray[np.int64]:
    """The times (already in order), refused if they cannot belong to this message."""
    if len(records) > MAX_EVENTS:
        raise BadMessage("too many samples", f"{len(records)} events, at most {MAX_EVENTS}")
    if records[0].time_us < span_us[0] or records[-1].time_us > span_us[1]:
        raise BadMessage("time out of range", f"{records[0].name} outside the message's span")
    return np.array([record.time_us for record in records], np.int64)


def strokes(
    records: list[Record], span_us: tuple[int, int]
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """(times in us, totals), both int64[k]; a total that falls is refused."""
    if not records:
        return np.empty(0, np.int64), np.empty(0, np.int64)
    totals = [whole(record, MAX_COUNT) for record in records]
    for before, after in pairwise(totals):
        if after < before:
            raise BadMessage("counter backwards", f"strokes {before}, then {after}")
    return _event_times(records, span_us), np.array(totals, np.int64)


def demand(
    records: list[Record], span_us: tuple[int, int]
) -> tuple[NDArray[np.int64] | None, NDArray[np.bool_] | None]:
    """(times in us, states), or None twice where no demand is fitted."""
    if not records:
        return None, None
    on = np.array([flag(record) for record in records], np.bool_)
    return _event_times(records, span_us), on


def words(record: Record) -> str:
    """A text value."""
    if type(record.value) is not str:
        raise BadMessage("bad value", f"{record.name} must be vs")
    return record.value
