"""A message of counts in the very form in which our edge writes it, read at one go.

Nearly every message comes so, and then nothing needs to be resolved: each row is known by its
place, its labels and its size. Whatever differs in the least, be it sound or not, is left to the
general reader (`monitor.senml`, `monitor.grid`), which alone refuses.
"""

from operator import itemgetter
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from monitor import grid
from monitor.senml import CBOR, MAX_TIME_S, RELATIVE_BELOW_US

_ALL_MAPS = {dict}
_SIZES = [6, 3, 3, 2, 2, 2]
_HEAD = itemgetter(CBOR.bn, CBOR.bu, CBOR.n, CBOR.u, CBOR.bt, CBOR.v)
_UNIT = itemgetter(CBOR.n, CBOR.u, CBOR.v)
_VALUE = itemgetter(CBOR.n, CBOR.v)
_DATA = itemgetter(CBOR.n, CBOR.vd)
_STROKES = itemgetter(CBOR.u, CBOR.t, CBOR.v)
_DEMAND = itemgetter(CBOR.t, CBOR.vb)
_WORDS = ["Pa", "boot", "count", "seq", "count", "step", "s", "scale", "offset", "pressure"]
_TYPES = (int, int, float, float, float, float, bytes)
_INT16 = np.dtype("<i2")

Times = NDArray[np.int64]


class Counts(NamedTuple):
    """What such a message says; times in Unix microseconds, None where a channel is not fitted."""

    boot: int
    seq: int
    t0_us: int
    dt_us: int
    samples: NDArray[np.int16]
    scale_pa: float
    offset_pa: float
    stroke_t_us: Times
    stroke_total: Times
    demand_t_us: Times | None
    demand_on: NDArray[np.bool_] | None
    air_pa: float | None


class _Events(NamedTuple):
    """What the rows after the first six say."""

    stroke_t_us: list[int]
    totals: list[int]
    demand_t_us: list[int]
    on: list[bool]
    air_pa: list[float]


def read(rows: list[Any], prefix: str) -> Counts | None:
    """The message of these CBOR rows with the base name `prefix`; None: another form."""
    if set(map(type, rows)) != _ALL_MAPS or list(map(len, rows[:6])) != _SIZES:
        return None
    try:
        return _read(rows, prefix)
    except KeyError:
        return None


def _read(rows: list[dict[Any, Any]], prefix: str) -> Counts | None:
    base, *words, begin_s, boot = _HEAD(rows[0])
    *seq_words, seq = _UNIT(rows[1])
    *step_words, step_s = _UNIT(rows[2])
    scale_word, scale_pa = _VALUE(rows[3])
    offset_word, offset_pa = _VALUE(rows[4])
    data_word, data = _DATA(rows[5])
    words += [*seq_words, *step_words, scale_word, offset_word, data_word]
    values = (boot, seq, begin_s, step_s, scale_pa, offset_pa, data)
    if base != prefix or words != _WORDS or tuple(map(type, values)) != _TYPES:
        return None
    if not (_identity(boot, seq) and _on_grid(begin_s, step_s, data) and scale_pa):
        return None
    if not (_pressure(scale_pa) and _pressure(offset_pa)):
        return None
    t0_us, dt_us = round(begin_s * 1e6), round(step_s * 1e6)
    samples = np.frombuffer(data, _INT16)
    events = _events(rows[6:], t0_us)
    end_us = t0_us + len(samples) * dt_us
    if events is None or not _sound(events, t0_us - grid.EVENT_SLACK_US, end_us):
        return None
    fitted = bool(events.on)
    return Counts(
        boot,
        seq,
        t0_us,
        dt_us,
        samples,
        scale_pa,
        offset_pa,
        np.array(events.stroke_t_us, np.int64),
        np.array(events.totals, np.int64),
        np.array(events.demand_t_us, np.int64) if fitted else None,
        np.array(events.on, np.bool_) if fitted else None,
        events.air_pa[0] if events.air_pa else None,
    )


def _identity(boot: int, seq: int) -> bool:
    return 0 <= boot <= grid.MAX_UINT32 and 0 <= seq <= grid.MAX_UINT32


def _on_grid(begin_s: float, step_s: float, data: bytes) -> bool:
    """A time that is not relative to now, a possible step, and whole counts."""
    if not RELATIVE_BELOW_US / 1e6 < begin_s <= MAX_TIME_S:
        return False
    size, odd = divmod(len(data), 2)
    return not odd and 0 < size <= grid.MAX_SAMPLES and grid.possible_step(step_s * 1e6)


def _pressure(value: float) -> bool:
    return -grid.MOST_PA <= value <= grid.MOST_PA


def _events(rows: list[dict[Any, Any]], t0_us: int) -> _Events | None:
    """Strokes, demand and air; None for any other row."""
    out = _Events([], [], [], [], [])
    for row in rows:
        name, size = row[CBOR.n], len(row)
        if name == "strokes" and size == 4:
            unit, after_s, total = _STROKES(row)
            if unit != "count" or type(total) is not int or not _near(after_s):
                return None
            out.stroke_t_us.append(t0_us + round(after_s * 1e6))
            out.totals.append(total)
        elif name == "demand" and size == 3:
            after_s, on = _DEMAND(row)
            if type(on) is not bool or not _near(after_s):
                return None
            out.demand_t_us.append(t0_us + round(after_s * 1e6))
            out.on.append(on)
        elif name == "air" and size == 2 and type(row[CBOR.v]) is float:
            out.air_pa.append(row[CBOR.v])
        else:
            return None
    return out


def _near(after_s: Any) -> bool:
    return type(after_s) is float and -MAX_TIME_S <= after_s <= MAX_TIME_S


def _sound(events: _Events, from_us: int, end_us: int) -> bool:
    """All in order and within the message's span, and a counter that only grows."""
    totals = events.totals
    for times in (events.stroke_t_us, events.demand_t_us):
        if not times:
            continue
        in_span = from_us <= times[0] and times[-1] <= end_us + grid.EVENT_SLACK_US
        if not in_span or len(times) > grid.MAX_EVENTS or times != sorted(times):
            return False
    if totals and (totals[0] < 0 or totals[-1] > grid.MAX_COUNT or totals != sorted(totals)):
        return False
    return len(events.air_pa) <= 1 and all(map(_pressure, events.air_pa))
