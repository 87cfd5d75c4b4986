"""Samples and summaries as files an owner can keep: CSV (RFC 4180), Parquet, JSON Lines.

Sample files have the columns `replay` reads again; JSON Lines hold the messages themselves, with
boot and sequence, so nothing at all is lost. Written in slices, so a year needs little memory.
"""

import json
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO, Protocol

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv
import pyarrow.parquet as pq

from monitor import wire
from monitor.errors import StrokewiseError
from monitor.store import codec, levels
from monitor.store.core import Core
from monitor.store.interface import Level, Series, Store
from monitor.wire import Message

SLICE_S = 6 * 3600.0
FORMS = (".csv", ".parquet", ".jsonl")
HIDDEN_TABLES = {
    *("journal", "stream", "m1", "h1", "m1_day", "s1_hour", "pinned_chunk", "unsent"),
    *("room_schema", "state", "dropped"),
}
SECRET_WORDS = ("password", "secret", "token", "session", "hash", "key")
"""Tables and columns with such a name stay out of an export."""

Progress = Callable[[float], None]


@dataclass(frozen=True, slots=True)
class Wish:
    """Which pump and span [from, to)."""

    site: str
    pump: str
    span: tuple[float, float]


def _quiet(_share: float) -> None:
    """Nobody watches."""


def samples(store: Store, wish: Wish, target: Path, progress: Progress = _quiet) -> int:
    """Write every sample of a pump; the ending of the target's name says how. How many rows.

    Raises StrokewiseError for an ending that is none of ours.
    """
    if target.suffix == ".jsonl":
        return _json_lines(store, wish, target, progress)
    count = 0
    with _writer(target) as out:
        for messages in _slices(store, wish, progress):
            table = _sample_table(wish.pump, messages)
            out.write(table)
            count += table.num_rows
    return count


def summaries(
    store: Store, wish: Wish, level: Level, target: Path, progress: Progress = _quiet
) -> int:
    """Write a pump's seconds, minutes or hours; how many rows."""
    count = 0
    with _writer(target) as out:
        step_s = {Level.SECOND: 1, Level.MINUTE: 40, Level.HOUR: 1460}[level] * SLICE_S
        for a, b in _spans(wish.span, step_s):
            series = store.read(wish.site, wish.pump, (a, b), level=level)
            if len(series.ts):
                out.write(_summary_table(series))
            count += len(series.ts)
            progress((b - wish.span[0]) / (wish.span[1] - wish.span[0]))
    return count


def _spans(span: tuple[float, float], step_s: float) -> Iterator[tuple[float, float]]:
    a = span[0]
    while a < span[1]:
        b = min((a // step_s + 1) * step_s, span[1])
        yield a, b
        a = b


def _slices(store: Store, wish: Wish, progress: Progress) -> Iterator[list[Message]]:
    hours = store.read(wish.site, wish.pump, wish.span, level=Level.HOUR).ts
    wanted = set((np.floor(hours / SLICE_S)).tolist())
    for a, b in _spans(wish.span, SLICE_S):
        # The hour that has only just begun may not be summarised at the span's start.
        if a // SLICE_S in wanted or b - a < SLICE_S:
            messages = store.messages(wish.site, wish.pump, a, b)
            if messages:
                yield messages
        progress((b - wish.span[0]) / (wish.span[1] - wish.span[0]))


def _sample_table(pump: str, messages: list[Message]) -> Any:
    columns = codec.from_messages(messages, [0] * len(messages))
    flat = levels.flat(columns)
    t_us, total = columns.pools["stroke_t"], columns.pools["stroke_total"]
    order = np.argsort(t_us, kind="stable")
    at = np.searchsorted(t_us[order], flat.t_us, "right") - 1
    counter = total[order][np.maximum(at, 0)] if len(total) else np.zeros(len(at), np.int64)
    return pa.table(
        {
            "time": pa.array(flat.t_us, pa.timestamp("us", "UTC")),
            "pump": pa.array([pump]).take(pa.array(np.zeros(len(at), np.int8))),
            "pressure_pa": pa.array(flat.pa, from_pandas=True),
            "strokes": pa.array(counter, mask=(at < 0) | (len(total) == 0)),
            "demand": pa.array(flat.demand == 1.0, mask=np.isnan(flat.demand)),
            "air_pa": pa.array(flat.air, from_pandas=True),
        }
    )


def _summary_table(series: Series) -> Any:
    n = len(series.ts)
    absent = np.full(n, np.nan)
    micros = np.rint(series.ts * 1e6).astype(np.int64)
    return pa.table(
        {
            "time": pa.array(micros, pa.timestamp("us", "UTC")),
            "pump": pa.array([series.pump] * n),
            "pressure_low_pa": pa.array(series.low_pa, from_pandas=True),
            "pressure_mean_pa": pa.array(series.mean_pa, from_pandas=True),
            "pressure_high_pa": pa.array(series.high_pa, from_pandas=True),
            "strokes": pa.array(series.strokes.astype(np.int64)),
            "demand_s": pa.array(
                absent if series.demand_s is None else series.demand_s, from_pandas=True
            ),
            "air_pa": pa.array(
                absent if series.air_pa is None else series.air_pa, from_pandas=True
            ),
        }
    )


class _Writer(Protocol):
    """Takes tables one after the other."""

    def write(self, table: Any) -> None:
        """Append a table."""
        ...

    def __enter__(self) -> "_Writer":
        """Open."""
        ...

    def __exit__(self, *_: object) -> None:
        """Finish the file."""
        ...


def _writer(target: Path) -> _Writer:
    kinds: dict[str, Callable[[Path], _Writer]] = {".csv": _Csv, ".parquet": _Parquet}
    if target.suffix not in kinds:
        raise StrokewiseError(f"{target.name}: name the file {', '.join(FORMS)}")
    return kinds[target.suffix](target)


# Times and pump ids never hold a comma or a quote; words of people may.
_BARE = pacsv.WriteOptions(include_header=False, quoting_style="none")
_QUOTED = pacsv.WriteOptions(include_header=False, quoting_style="needed")


class _Csv:
    """CSV with CRLF, times as RFC 3339, the shortest numbers that read back the same."""

    def __init__(self, target: Path) -> None:
        self._file: BinaryIO = target.open("wb")
        self._first = True

    def write(self, table: Any) -> None:
        text = pc.strftime(table.column("time"), "%Y-%m-%dT%H:%M:%SZ")
        table = table.set_column(0, "time", text)
        if self._first:
            # Arrow would put quotes around names that need none.
            self._file.write(",".join(table.column_names).encode() + b"\r\n")
            self._first = False
        buffer = pa.BufferOutputStream()
        pacsv.write_csv(table, buffer, _BARE)
        self._file.write(buffer.getvalue().to_pybytes().replace(b"\n", b"\r\n"))

    def __enter__(self) -> "_Csv":
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()


class _Parquet:
    """Parquet under zstd, a row group a slice."""

    def __init__(self, target: Path) -> None:
        self._target = target
        self._out: Any = None

    def write(self, table: Any) -> None:
        if self._out is None:
            self._out = pq.ParquetWriter(self._target, table.schema, compression="zstd")
        self._out.write_table(table)

    def __enter__(self) -> "_Parquet":
        return self

    def __exit__(self, *_: object) -> None:
        if self._out is not None:
            self._out.close()


def _json_lines(store: Store, wish: Wish, target: Path, progress: Progress) -> int:
    count = 0
    with target.open("wb") as out:
        for messages in _slices(store, wish, progress):
            for message in messages:
                topic = json.dumps(wire.data_topic(message.site, message.pump)).encode()
                payload = wire.encode_json(message)
                out.write(b'{"topic":' + topic + b',"payload":' + payload + b"}\n")
                count += len(message.samples)
    return count


def tables(core: Core, folder: Path) -> list[str]:
    """Every table of records (work, alarms, episodes ...) as CSV; which ones. No secrets."""
    folder.mkdir(parents=True, exist_ok=True)
    names = core.rows(
        "SELECT name FROM sqlite_master WHERE type='table' AND name NOT LIKE 'sqlite_%'"
    )
    out = []
    for (name,) in sorted(names):
        if name in HIDDEN_TABLES or any(word in name for word in SECRET_WORDS):
            continue
        columns = [
            row[1]
            for row in core.rows(f'PRAGMA table_info("{name}")')
            if not any(word in row[1] for word in SECRET_WORDS) and row[2] != "BLOB"
        ]
        listed = ", ".join(f'"{c}"' for c in columns)
        rows = core.rows(f'SELECT {listed} FROM "{name}"')  # noqa: S608 - names out of the schema
        table = pa.table(
            {
                c: pa.array([None if r[i] is None else str(r[i]) for r in rows], pa.string())
                for i, c in enumerate(columns)
            }
        )
        with (folder / f"{name}.csv").open("wb") as file:
            file.write(",".join(columns).encode() + b"\n")
            pacsv.write_csv(table, file, _QUOTED)
        out.append(str(name))
    return out


def everything(store: Store, core: Core, folder: Path, progress: Progress = _quiet) -> list[Path]:
    """All samples (Parquet), minutes and hours (CSV) and records (CSV) into a folder."""
    made: list[Path] = []
    newest = store.latest_ts()
    for number, ((site, pump), end_ts) in enumerate(sorted(newest.items())):
        wish = Wish(site, pump, (0.0, end_ts + 1.0))
        hours = store.read(site, pump, wish.span, level=Level.HOUR)
        first_ts = float(hours.ts[0]) if len(hours.ts) else end_ts
        wish = Wish(site, pump, (first_ts, end_ts + 1.0))
        place = folder / site
        place.mkdir(parents=True, exist_ok=True)
        made += [place / f"{pump}-samples.parquet", place / f"{pump}-minutes.csv"]
        made += [place / f"{pump}-hours.csv"]
        samples(store, wish, made[-3])
        summaries(store, wish, Level.MINUTE, made[-2])
        summaries(store, wish, Level.HOUR, made[-1])
        progress((number + 1) / len(newest))
    made += [folder / "records" / f"{name}.csv" for name in tables(core, folder / "records")]
    return made
