"""Series, episodes, alarms and work log as CSV (RFC 4180) and Parquet, for other programs.

CSV: UTF-8, CRLF, point decimal, a UTC time column, units in the header; text that a spreadsheet
would run as a formula gets an apostrophe in front. Parquet: zstd, timestamps as UTC microseconds.
"""

import csv
import io
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import islice
from math import isfinite
from typing import Any, BinaryIO, Literal

import numpy as np
from numpy.typing import NDArray

from monitor.alarms.types import Change
from monitor.signals.types import Episode
from monitor.store.interface import Series
from monitor.store.work_log import Entry

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n")
"""First characters that spreadsheets take for a formula (OWASP, CSV injection)."""

CHUNK_ROWS = 20_000

Value = str | int | float | bool | datetime | None
Batch = list[Sequence[Value] | NDArray[Any]]
Batches = Iterator[Batch]
"""Columns of some thousand rows at a time; arrays are datetime64[us] (UTC) or float64 with NaN."""
Kind = Literal["time", "text", "number", "count"]


@dataclass(frozen=True, slots=True)
class Column:
    """A column's name, its unit ('' = none) and what its values are."""

    name: str
    unit: str
    type: Kind

    @property
    def heading(self) -> str:
        """'pressure_mean (Pa)': the heading in CSV and the name in Parquet."""
        return f"{self.name} ({self.unit})" if self.unit else self.name


@dataclass(frozen=True, slots=True)
class Sheet:
    """Columns, and how to make their batches; they are made once, while they are written."""

    columns: tuple[Column, ...]
    batches: Callable[[], Batches]


_TIME: Kind = "time"
_TEXT: Kind = "text"
_NUMBER: Kind = "number"
_COUNT: Kind = "count"


def moment(ts: float | None) -> datetime | None:
    """A UTC time of Unix seconds, to the microsecond."""
    return None if ts is None else datetime.fromtimestamp(round(ts, 6), UTC)


def number(value: float) -> float | None:
    """A number that may stand in a file: NaN and infinity become 'no value'."""
    return float(value) if np.isfinite(value) else None


# -------------------------------------------------------------------- what can be exported


def series(data: Series) -> Sheet:
    """One pump's series at its level; columns that are not fitted are left out."""
    columns = [
        Column("time", "UTC", _TIME),
        Column("pump", "", _TEXT),
        Column("pressure_low", "Pa", _NUMBER),
        Column("pressure_mean", "Pa", _NUMBER),
        Column("pressure_high", "Pa", _NUMBER),
        Column("strokes", "", _NUMBER),
    ]
    values = [data.low_pa, data.mean_pa, data.high_pa, data.strokes]
    if data.demand_s is not None:
        columns.append(Column("demand", "s", _NUMBER))
        values.append(data.demand_s)
    if data.air_pa is not None:
        columns.append(Column("air", "Pa", _NUMBER))
        values.append(data.air_pa)

    def batches() -> Batches:
        times = np.round(data.ts * 1e6).astype("datetime64[us]")
        for start in range(0, len(times), CHUNK_ROWS):
            part = slice(start, start + CHUNK_ROWS)
            yield [times[part], [data.pump] * len(times[part]), *(v[part] for v in values)]

    return Sheet(tuple(columns), batches)


def episodes(found: Sequence[Episode]) -> Sheet:
    """Episodes with every feature that any of them has; units are in the features' names."""
    names = sorted({name for episode in found for name in episode.features})
    columns = (
        Column("start", "UTC", _TIME),
        Column("end", "UTC", _TIME),
        Column("pump", "", _TEXT),
        Column("what", "", _TEXT),
        Column("strokes", "", _COUNT),
        *(Column(name, "", _NUMBER) for name in names),
    )

    def rows() -> Iterator[tuple[Value, ...]]:
        for e in found:
            features = (e.features.get(name) for name in names)
            yield (
                moment(e.start_ts),
                moment(e.end_ts),
                e.pump,
                e.what,
                e.strokes,
                *(None if v is None else number(v) for v in features),
            )

    return Sheet(columns, lambda: _batches(rows()))


def alarms(changes: Iterable[Change]) -> Sheet:
    """Every change of every alarm, in the order given."""
    text = ("subject", "what", "by", "note", "kind", "side", "priority", "state", "sentence", "id")
    columns = (
        Column("time", "UTC", _TIME),
        *(Column(name, "", _TEXT) for name in text),
        Column("since", "UTC", _TIME),
        Column("confidence", "", _NUMBER),
        Column("count", "", _COUNT),
    )

    def rows() -> Iterator[tuple[Value, ...]]:
        for c in changes:
            a = c.after
            if a is None:
                said: tuple[Value, ...] = (None,) * 9
            else:
                said = (a.kind.value, a.side.value, a.priority.value, a.state.value, a.sentence,
                        a.id, moment(a.since_ts), a.confidence, a.count)  # fmt: skip
            yield (moment(c.ts), c.subject, c.what.value, c.by, c.note, *said)

    return Sheet(columns, lambda: _batches(rows()))


def work(entries: Iterable[Entry]) -> Sheet:
    """The work log with what was taken back; values as 'name=number' pairs, units in the names."""
    columns = (
        Column("time", "UTC", _TIME),
        *(Column(name, "", _TEXT) for name in ("pump", "kind", "by", "text", "values")),
        Column("undone", "UTC", _TIME),
        Column("undone_by", "", _TEXT),
    )

    def rows() -> Iterator[tuple[Value, ...]]:
        for e in entries:
            values = "; ".join(f"{name}={value:g}" for name, value in e.values.items())
            yield (moment(e.ts), e.pump, e.kind.value, e.by, e.text, values,
                   moment(e.undone_ts), e.undone_by)  # fmt: skip

    return Sheet(columns, lambda: _batches(rows()))


def table(headings: Sequence[str], body: Sequence[Sequence[str]]) -> Sheet:
    """Ready words, such as the bay comparison."""
    columns = tuple(Column(heading, "", _TEXT) for heading in headings)

    def rows() -> Iterator[tuple[Value, ...]]:
        for row in body:
            yield tuple(row)

    return Sheet(columns, lambda: _batches(rows()))


# -------------------------------------------------------------------- writing


def csv_chunks(sheet: Sheet) -> Iterator[bytes]:
    """The sheet as CSV, a piece at a time, so that a year need not fit into memory."""
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\r\n")
    writer.writerow([plain(column.heading) for column in sheet.columns])
    for batch in sheet.batches():
        writer.writerows(zip(*map(_cells, batch), strict=True))
        yield buffer.getvalue().encode()
        buffer.seek(0)
        buffer.truncate()
    yield buffer.getvalue().encode()


def _cells(column: Sequence[Value] | NDArray[Any]) -> list[str]:
    """A column's cells as text; arrays at once, because a pump-day has 1.7 million rows."""
    if not isinstance(column, np.ndarray):
        return [plain(value) for value in column]
    if column.dtype.kind == "M":
        whole = not np.any(column.astype(np.int64) % 1_000_000)
        told = np.datetime_as_string(column, unit="s" if whole else "us").tolist()
        return [f"{t}Z" if whole else f"{t.rstrip('0').rstrip('.')}Z" for t in told]
    return [repr(v) if isfinite(v) else "" for v in column.tolist()]


def plain(value: Value) -> str:
    """One cell's text: RFC 3339 for times, the shortest exact form for numbers, safe for text."""
    if value is None:
        return ""
    if isinstance(value, datetime):
        return stamp(value)
    if isinstance(value, str):
        return "'" + value if value.startswith(FORMULA_STARTS) else value
    return repr(value) if isinstance(value, float) else str(value)


def stamp(value: datetime) -> str:
    """'2026-03-01T08:00:00.05Z' (RFC 3339, upper case T and Z, no needless zeros)."""
    text = value.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S")
    part = f"{value.microsecond:06d}".rstrip("0")
    return f"{text}.{part}Z" if part else f"{text}Z"


def write_parquet(sheet: Sheet, target: BinaryIO) -> int:
    """The sheet as Parquet, row groups of 20,000; how many rows."""
    # Imported by who asks for Parquet: 40 MB that a service without such a wish never needs.
    import pyarrow as pa
    import pyarrow.parquet as pq

    types = {
        "time": pa.timestamp("us", tz="UTC"),
        "text": pa.string(),
        "number": pa.float64(),
        "count": pa.int64(),
    }
    schema = pa.schema([pa.field(c.heading, types[c.type]) for c in sheet.columns])
    total = 0
    with pq.ParquetWriter(target, schema, compression="zstd") as writer:
        for batch in sheet.batches():
            columns = [
                pa.array(values, types[column.type], from_pandas=True)
                for values, column in zip(batch, sheet.columns, strict=True)
            ]
            writer.write_table(pa.table(columns, schema=schema))
            total += len(batch[0])
    return total


def _batches(rows: Iterator[tuple[Value, ...]]) -> Batches:
    while part := list(islice(rows, CHUNK_ROWS)):
        yield [list(column) for column in zip(*part, strict=True)]
