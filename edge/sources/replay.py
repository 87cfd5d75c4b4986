"""A recording played as if it were happening: CSV, or JSON Lines of messages; any speed.

CSV (RFC 4180) has a header with time (Unix seconds or RFC 3339), pump, pressure_pa (or _psi, _bar,
_kpa), and if recorded strokes, demand (0/1), air_pa (or _psi, ...); an empty cell is a failed read.
JSON Lines: {"topic": ..., "payload": ...} with the payload as SenML, or as base64 of CBOR.

Wiring note: none. Caution: a recording played to a live site looks like the present; give it
a site of its own.
"""

import base64
import binascii
import csv
import json
import logging
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np
from pydantic import Field

from edge.errors import SourceError
from edge.model import Frozen
from edge.pace import FASTEST, Pace, unix_us
from edge.sources.source import Reading
from monitor.errors import BadMessage
from monitor.wire import Message, decode

log = logging.getLogger(__name__)

PA_PER = {"pa": 1.0, "psi": 6894.757293168, "bar": 1e5, "kpa": 1e3}
LONGEST_GAP_STEPS = 200
"""Chosen: up to 10 s at 20 samples a second are failed reads, more is a gap."""


class Replay(Frozen):
    """Which recording, how fast, and at which time it is played."""

    source: Literal["replay"] = "replay"
    file: Path
    pumps: tuple[str, ...] = Field(min_length=1, description="the pumps of the recording to play")
    speed: float = Field(1.0, gt=0, le=FASTEST)
    start: str | None = Field(
        None, description="RFC 3339 time that its first sample gets; left out: as recorded"
    )


@dataclass(slots=True)
class _Row:
    at_us: int
    pump: str
    pressure_pa: float
    strokes: int | None
    demand: bool | None
    air_pa: float | None


@dataclass(slots=True)
class _Tape:
    """Rows of one pump not yet handed over, and its grid."""

    rows: list[_Row] = field(default_factory=list)
    step_us: int = 0
    next_us: int = 0
    strokes: int | None = None
    demand: bool | None = None


class Recording:
    """A Source over a recording; `finished` once all of it was handed over."""

    own_time = True

    def __init__(self, items: Iterator[_Row | Message], settings: Replay) -> None:
        self._items = items
        self._pumps = set(settings.pumps)
        self._tapes = {pump: _Tape() for pump in settings.pumps}
        self._ahead = self._next()
        if self._ahead is None:
            raise SourceError(f"{settings.file}: nothing of {', '.join(settings.pumps)} in it")
        first_us = _begin_us(self._ahead)
        start_us = unix_us(settings.start) if settings.start else first_us
        self._shift_us = start_us - first_us
        self._pace = Pace(start_us, settings.speed)
        self._messages: list[Message] = []
        self.finished = False

    def _next(self) -> _Row | Message | None:
        for item in self._items:
            if item.pump in self._pumps:
                return item
        return None

    def read(self, now_us: int) -> dict[str, Reading]:
        """See Source."""
        until_us = self._pace.step(now_us) - self._shift_us
        while self._ahead is not None and _end_us(self._ahead) <= until_us:
            if isinstance(self._ahead, Message):
                self._messages.append(self._ahead)
            else:
                self._tapes[self._ahead.pump].rows.append(self._ahead)
            self._ahead = self._next()
        out = self._from_messages() if self._messages else self._from_rows()
        self.finished = (
            self._ahead is None
            and not self._messages
            and not any(tape.rows for tape in self._tapes.values())
        )
        return out

    def _from_messages(self) -> dict[str, Reading]:
        """One message a pump and call; the next call brings the next."""
        out: dict[str, Reading] = {}
        rest: list[Message] = []
        for message in self._messages:
            if message.pump in out:
                rest.append(message)
            else:
                out[message.pump] = _reading(message, self._shift_us)
        self._messages = rest
        return out

    def _from_rows(self) -> dict[str, Reading]:
        out: dict[str, Reading] = {}
        for pump, tape in self._tapes.items():
            if len(tape.rows) > 1 or (tape.rows and (tape.step_us or self._ahead is None)):
                out[pump] = _on_grid(tape, self._shift_us)
        return out


def _begin_us(item: _Row | Message) -> int:
    return item.t0_us if isinstance(item, Message) else item.at_us


def _end_us(item: _Row | Message) -> int:
    return item.end_us if isinstance(item, Message) else item.at_us


def _reading(message: Message, shift_us: int) -> Reading:
    strokes = zip(message.stroke_t_us.tolist(), message.stroke_total.tolist(), strict=True)
    demand: list[tuple[int, bool]] = []
    if message.demand_t_us is not None and message.demand_on is not None:
        demand = [
            (t_us + shift_us, on)
            for t_us, on in zip(
                message.demand_t_us.tolist(), message.demand_on.tolist(), strict=True
            )
        ]
    return Reading(
        t0_us=message.t0_us + shift_us,
        step_us=message.dt_us,
        pressure_pa=message.pressure_pa(),
        strokes=[(t_us + shift_us, total) for t_us, total in strokes],
        demand=demand,
        air_pa=message.air_pa,
        failed_reads=message.failed_reads,
    )


def _on_grid(tape: _Tape, shift_us: int) -> Reading:
    """The tape's rows up to the first gap, laid on their even grid; they leave the tape."""
    times_us = [row.at_us for row in tape.rows]
    if not tape.step_us:
        steps = np.diff(times_us)
        tape.step_us = max(1, int(np.median(steps))) if len(steps) else 1_000_000
        tape.next_us = times_us[0]
    if abs(times_us[0] - tape.next_us) > LONGEST_GAP_STEPS * tape.step_us:
        tape.next_us = times_us[0]
    slots: dict[int, _Row] = {}
    taken = 0
    top = 0
    for row in tape.rows:
        slot = round((row.at_us - tape.next_us) / tape.step_us)
        if slot - top > LONGEST_GAP_STEPS:
            break
        taken += 1
        if slot >= 0:
            slots[slot] = row
            top = max(top, slot)
    t0_us = tape.next_us + shift_us
    reading = _slots_reading(tape, slots, t0_us)
    del tape.rows[:taken]
    tape.next_us += tape.step_us * ((max(slots) + 1) if slots else 0)
    return reading


def _slots_reading(tape: _Tape, slots: dict[int, _Row], t0_us: int) -> Reading:
    pressure_pa = np.full(max(slots) + 1 if slots else 0, np.nan)
    strokes: list[tuple[int, int]] = []
    demand: list[tuple[int, bool]] = []
    air: list[float] = []
    for slot, row in sorted(slots.items()):
        pressure_pa[slot] = row.pressure_pa
        at_us = t0_us + slot * tape.step_us
        if row.strokes is not None and row.strokes != tape.strokes:
            tape.strokes = row.strokes
            strokes.append((at_us, row.strokes))
        if row.demand is not None and row.demand is not tape.demand:
            tape.demand = row.demand
            demand.append((at_us, row.demand))
        if row.air_pa is not None:
            air.append(row.air_pa)
    return Reading(
        t0_us=t0_us,
        step_us=tape.step_us,
        pressure_pa=pressure_pa,
        strokes=strokes,
        demand=demand,
        air_pa=float(np.mean(air)) if air else None,
        failed_reads=int(np.count_nonzero(np.isnan(pressure_pa))),
    )


def rows_of_csv(path: Path) -> Iterator[_Row]:
    """The rows of a recording; one that cannot be read is skipped and logged with its number."""
    with path.open(newline="", encoding="utf-8-sig") as file:
        reader = csv.DictReader(file)
        columns = reader.fieldnames or []
        pressure, air = _unit_column(columns, "pressure"), _unit_column(columns, "air")
        if "time" not in columns or "pump" not in columns or pressure is None:
            raise SourceError(
                f"{path}: columns time, pump and pressure_pa (or _psi, _bar, _kpa) are needed; "
                f"found {', '.join(columns) or 'none'}"
            )
        for number, cells in enumerate(reader, 2):
            try:
                yield _row(cells, pressure, air)
            except (ValueError, TypeError, SourceError) as problem:
                log.warning("row skipped file=%s row=%d reason=%s", path, number, problem)


def _unit_column(columns: Any, name: str) -> tuple[str, float] | None:
    for unit, factor in PA_PER.items():
        if f"{name}_{unit}" in columns:
            return f"{name}_{unit}", factor
    return None


def _row(cells: dict[str, Any], pressure: tuple[str, float], air: tuple[str, float] | None) -> _Row:
    time = cells["time"]
    at_us = unix_us(time) if "T" in time.upper() else round(float(time) * 1e6)
    strokes, demand = cells.get("strokes"), cells.get("demand")
    return _Row(
        at_us,
        cells["pump"],
        float(cells[pressure[0]]) * pressure[1] if cells[pressure[0]] else float("nan"),
        int(float(strokes)) if strokes else None,
        bool(int(float(demand))) if demand else None,
        float(cells[air[0]]) * air[1] if air and cells[air[0]] else None,
    )


def messages_of_lines(path: Path) -> Iterator[Message]:
    """The messages of JSON Lines; one that cannot be read is skipped and logged."""
    with path.open(encoding="utf-8") as file:
        for number, line in enumerate(file, 1):
            if not line.strip():
                continue
            try:
                record = json.loads(line)
                if str(record["topic"]).endswith("/data"):
                    yield decode(record["topic"], _payload(record["payload"]))
            except (ValueError, TypeError, KeyError, BadMessage) as problem:
                log.warning("line skipped file=%s line=%d reason=%s", path, number, problem)


def _payload(written: Any) -> bytes:
    if not isinstance(written, str):
        return json.dumps(written).encode()
    if written.lstrip().startswith("["):
        return written.encode()
    try:
        return base64.b64decode(written, validate=True)
    except binascii.Error as problem:
        raise ValueError(f"payload is neither SenML nor base64: {problem}") from problem


def open_source(settings: Replay) -> Recording:
    """A source over the recording. Raises SourceError if it cannot be read."""
    path = settings.file
    if not path.is_file():
        raise SourceError(f"{path}: there is no such recording; check the path")
    if path.suffix == ".csv":
        return Recording(rows_of_csv(path), settings)
    if path.suffix in (".jsonl", ".ndjson"):
        return Recording(messages_of_lines(path), settings)
    raise SourceError(f"{path}: a recording ends in .csv or .jsonl")
