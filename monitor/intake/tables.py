"""CSV (RFC 4180) and Parquet files as columns, a few megabytes at a time, without a loop a row."""

import csv
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.csv as pacsv
import pyarrow.parquet as pq

from monitor.errors import BadRecording
from monitor.intake.columns import Layout, layout
from monitor.intake.grid import Rows
from monitor.signals.types import FloatArray

CSV_BYTES = 1 << 23
PARQUET_ROWS = 1 << 16
LONGEST_ID = 48
"""A pump's id is no longer (`wire`)."""
PROBES = 8
FIRST_TS, END_TS = 946_684_800.0, 4_102_444_800.0
"""2000 to 2099: outside it a clock was never set, or the times are milliseconds."""

_TRUE = ("1", "true", "t", "yes", "on")
_FALSE = ("0", "false", "f", "no", "off")
_DEMAND = pa.bool_()


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """Some rows of a file: pump -> its rows in file order; share: how much of the file is read."""

    pumps: dict[str, Rows]
    share: float


class CsvTable:
    """A CSV file. Raises BadRecording naming file, row, column and what was expected."""

    def __init__(self, path: Path, only_pump: str | None) -> None:
        self._path = path
        self._only_pump = only_pump
        try:
            with path.open("r", encoding="utf-8-sig", newline="") as file:
                reader = csv.reader(file)
                names = next(reader, [])
                first = next(reader, [])
        except (OSError, UnicodeDecodeError, csv.Error) as problem:
            raise BadRecording(f"{path}: {problem}; expected CSV in UTF-8") from problem
        self.layout = layout(path, names, one_pump=only_pump is not None)
        at = names.index(self.layout.time)
        self._numeric = at >= len(first) or _is_number(first[at])

    def pieces(self) -> Iterator[Piece]:
        """The rows, piece by piece."""
        size = max(self._path.stat().st_size, 1)
        done = 0
        try:
            reader = pacsv.open_csv(
                self._path,
                read_options=pacsv.ReadOptions(block_size=CSV_BYTES),
                convert_options=pacsv.ConvertOptions(
                    column_types=self._types(),
                    include_columns=self.layout.names(),
                    null_values=["", "null", "NULL", "NA", "N/A"],
                    true_values=[w for t in _TRUE for w in (t, t.upper(), t.title())],
                    false_values=[w for t in _FALSE for w in (t, t.upper(), t.title())],
                    strings_can_be_null=False,
                ),
            )
            for batch in reader:
                done += batch.nbytes
                yield Piece(
                    split(batch, self.layout, self._only_pump, self._fault),
                    min(done / (1.5 * size), 1.0),
                )
        except pa.ArrowException as problem:
            raise self._fault(str(problem)) from problem

    def _types(self) -> dict[str, Any]:
        names = self.layout
        time = pa.float64() if self._numeric else pa.timestamp("ns", "UTC")
        types = {names.time: time, names.pressure.name: pa.float64()}
        if names.pump:
            types[names.pump] = pa.dictionary(pa.int32(), pa.string())
        if names.strokes:
            types[names.strokes] = pa.float64()
        if names.demand:
            types[names.demand] = _DEMAND
        if names.air:
            types[names.air.name] = pa.float64()
        return types

    def _fault(self, problem: str) -> BadRecording:
        """Look for the first bad row the slow way, to name it."""
        with self._path.open("r", encoding="utf-8-sig", newline="", errors="replace") as file:
            reader = csv.reader(file)
            names = next(reader, [])
            try:
                for row in reader:
                    fault = self._row_fault(names, row, reader.line_num)
                    if fault:
                        return BadRecording(fault)
            except csv.Error as broken:
                return BadRecording(f"{self._path}: row {reader.line_num}: {broken}")
        return BadRecording(f"{self._path}: {problem}")

    def _row_fault(self, names: list[str], row: list[str], number: int) -> str:
        place = f"{self._path}: row {number}"
        if len(row) != len(names):
            return f"{place}: {len(row)} values, {len(names)} expected as in row 1"
        for name, text in zip(names, row, strict=True):
            expected = self._expected(name, text.strip())
            if expected:
                return f"{place}, column '{name}': {text[:60]!r}; expected {expected}"
        return ""

    def _expected(self, name: str, text: str) -> str:
        names = self.layout
        if name == names.time:
            if self._numeric:
                good = _is_number(text) and _in_range(float(text))
                return "" if good else "Unix seconds of the years 2000 to 2099, as in the first row"
            return "" if _is_rfc3339(text) else "an RFC 3339 time of 2000 to 2099 with its offset"
        if name == names.demand:
            return "" if text.lower() in ("", *_TRUE, *_FALSE) else "0, 1, true, false or nothing"
        pressures = (names.pressure.name, names.air.name if names.air else None)
        if name in (*pressures, names.strokes):
            blank = text in ("", "null", "NULL", "NA", "N/A")
            return "" if blank or _is_number(text) else "a number or nothing"
        return ""

    def probes(self) -> Iterator[set[str]]:
        """The pumps found at a few places of the file, the first place first."""
        names = self.layout
        if names.pump is None:
            return
        with self._path.open("rb") as file:
            header = file.readline().decode("utf-8-sig").rstrip("\r\n").split(",")
            at = next(i for i, n in enumerate(header) if n.strip().strip('"') == names.pump)
            size = self._path.stat().st_size
            for k in range(PROBES):
                file.seek(size * k // PROBES)
                lines = file.read(1 << 16).decode("utf-8", "replace").split("\n")[1:-1]
                cells = (line.split(",") for line in lines)
                yield {c[at].strip().strip('"') for c in cells if len(c) == len(header)}


class ParquetTable:
    """A Parquet file. Raises BadRecording naming file, column and what was expected."""

    def __init__(self, path: Path, only_pump: str | None) -> None:
        self._path = path
        self._only_pump = only_pump
        try:
            self._file = pq.ParquetFile(path, memory_map=True)
        except (OSError, pa.ArrowInvalid) as problem:
            raise BadRecording(f"{path}: {problem}; expected a Parquet file") from problem
        self.layout = layout(path, self._file.schema_arrow.names, one_pump=only_pump is not None)
        name = self.layout.pump
        if name is not None and pa.types.is_string(self._file.schema_arrow.field(name).type):
            # A handful of names: read as numbers into a list of them, not as a text a row.
            self._file = pq.ParquetFile(path, memory_map=True, read_dictionary=[name])

    def pieces(self) -> Iterator[Piece]:
        """The rows, piece by piece."""
        rows, done = max(self._file.metadata.num_rows, 1), 0
        try:
            for batch in self._file.iter_batches(
                PARQUET_ROWS, columns=self.layout.names(), use_threads=False
            ):
                done += batch.num_rows
                yield Piece(
                    split(batch, self.layout, self._only_pump, self._fault), min(done / rows, 1.0)
                )
        except (OSError, pa.ArrowException) as problem:
            raise BadRecording(
                f"{self._path}: {problem}; expected the columns' usual types, whole"
            ) from problem

    def first_ts(self) -> float | None:
        """The earliest time where the file's statistics tell it as a number."""
        meta = self._file.metadata
        names = [meta.schema.column(i).path for i in range(meta.num_columns)]
        at, found = names.index(self.layout.time), []
        for k in range(meta.num_row_groups):
            told = meta.row_group(k).column(at).statistics
            if told is None or not told.has_min_max or not isinstance(told.min, float):
                return None
            found.append(told.min)
        return min(found, default=None)

    def pumps(self) -> set[str] | None:
        """All pumps of the file where its statistics tell them (one pump a row group)."""
        if self.layout.pump is None:
            return None if self._only_pump is None else {self._only_pump}
        meta = self._file.metadata
        names = [meta.schema.column(i).path for i in range(meta.num_columns)]
        at = names.index(self.layout.pump)
        found: set[str] = set()
        for k in range(meta.num_row_groups):
            told = meta.row_group(k).column(at).statistics
            if told is None or not told.has_min_max or told.min != told.max:
                return None
            if not isinstance(told.min, str) or len(told.min) > LONGEST_ID:
                return None  # longer ones may be cut short
            found.add(told.min)
        return found

    def _fault(self, problem: str) -> BadRecording:
        return BadRecording(f"{self._path}: {problem}")

    def probes(self) -> Iterator[set[str]]:
        """The pumps found in a few row groups, the first first."""
        if self.layout.pump is None:
            return
        groups = self._file.num_row_groups
        for k in sorted({groups * i // PROBES for i in range(PROBES)}):
            try:
                table = self._file.read_row_group(k, columns=[self.layout.pump])
                found = pc.unique(table.column(0)).cast(pa.string())
            except (OSError, pa.ArrowException) as problem:
                raise BadRecording(
                    f"{self._path}: column '{self.layout.pump}': {problem}; expected text"
                ) from problem
            yield set(found.to_pylist())


Fault = Callable[[str], BadRecording]


def split(batch: Any, names: Layout, only_pump: str | None, fault: Fault) -> dict[str, Rows]:
    """A record batch as one Rows a pump."""
    rows = Rows(
        _times(batch.column(names.time), names.time, fault),
        _floats(batch.column(names.pressure.name), names.pressure.name, fault)
        * names.pressure.pa_per_unit,
        _floats(batch.column(names.strokes), names.strokes, fault) if names.strokes else None,
        _floats(batch.column(names.demand), names.demand, fault) if names.demand else None,
        _floats(batch.column(names.air.name), names.air.name, fault) * names.air.pa_per_unit
        if names.air
        else None,
    )
    if names.pump is None:
        return {only_pump or "": rows}
    column = batch.column(names.pump)
    if not pa.types.is_dictionary(column.type):
        column = column.cast(pa.string()).dictionary_encode()
    if column.null_count:
        raise fault(f"column '{names.pump}': {column.null_count} rows without a pump")
    index = column.indices.to_numpy(zero_copy_only=False)
    labels = column.dictionary.to_pylist()
    if len(index) and index.min() == index.max():
        return {labels[index[0]]: rows}
    found = np.unique(index)
    return {labels[i]: rows.take(index == i) for i in found.tolist()}


def _times(column: Any, name: str, fault: Fault) -> FloatArray:
    if column.null_count:
        raise fault(f"column '{name}': {column.null_count} rows without a time")
    if pa.types.is_timestamp(column.type):
        ticks = column.cast(pa.timestamp("ns", column.type.tz)).cast(pa.int64())
        seconds = np.asarray(ticks.to_numpy(zero_copy_only=False) / 1e9, np.float64)
        return _plausible(seconds, name, fault)
    if pa.types.is_string(column.type) or pa.types.is_large_string(column.type):
        return _times(_parsed(column, name, fault), name, fault)
    times = _floats(column, name, fault)
    return _plausible(times, name, fault)


def _plausible(times: FloatArray, name: str, fault: Fault) -> FloatArray:
    if len(times) and not (times.min() >= FIRST_TS and times.max() < END_TS):
        bad = times[np.argmin((times >= FIRST_TS) & (times < END_TS))]
        raise fault(
            f"column '{name}': {bad} is no time of the years 2000 to 2099; expected Unix seconds"
        )
    return times


def _parsed(column: Any, name: str, fault: Fault) -> Any:
    try:
        return column.cast(pa.timestamp("ns", "UTC"))
    except pa.ArrowInvalid as problem:
        raise fault(f"column '{name}': {problem}; expected RFC 3339") from problem


def _floats(column: Any, name: str, fault: Fault) -> FloatArray:
    try:
        floats = column.cast(pa.float64(), safe=False) if column.type != pa.float64() else column
    except (pa.ArrowInvalid, pa.ArrowNotImplementedError) as problem:
        raise fault(f"column '{name}': {problem}; expected numbers") from problem
    if floats.null_count:
        floats = floats.fill_null(np.nan)
    return np.asarray(floats.to_numpy(zero_copy_only=False), np.float64)


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return "_" not in text


def _is_rfc3339(text: str) -> bool:
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        return False
    return moment.tzinfo is not None and 2000 <= moment.year < 2100


def _in_range(ts: float) -> bool:
    return FIRST_TS <= ts < END_TS
