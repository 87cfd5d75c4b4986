"""Recorded data as blocks: CSV, Parquet, or JSON Lines of {"topic", "payload"}.

Pumps advance together in slices of `block_s`, as far as the file is ordered so; each pump's
blocks come in time order.
"""

import base64
import binascii
import heapq
import json
from collections import deque
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np

from monitor import wire
from monitor.errors import BadMessage, BadRecording
from monitor.intake.blocks import StreamAssembler
from monitor.intake.grid import Gridder, Rows, cut, join
from monitor.intake.tables import CsvTable, ParquetTable
from monitor.signals.types import Block
from monitor.site import Site
from monitor.store.ledger import Ranges
from monitor.wire import Message

Blocks = Iterator[tuple[str, Block]]
JSON_LINES = (".jsonl", ".ndjson", ".json")
PARQUET = (".parquet", ".pq")


class Recording:
    """One file of one site. Raises BadRecording naming the file, the row and what was expected.

    horizon_ts: no later block of this file begins before it. share_done: 0 to 1.
    """

    def __init__(self, path: Path, site: Site, *, block_s: float = 3600.0) -> None:
        if not path.is_file():
            raise BadRecording(f"{path}: no such file")
        self.path = path
        self.share_done = 0.0
        self.horizon_ts = -np.inf
        self._site = site
        self._block_s = block_s
        self._grids: dict[str, Gridder] = {}
        self._waiting: dict[str, list[Rows]] = {}
        self._unknown: dict[str, int] = {}
        self._ahead = False
        self._lines: _Lines | None = None

    def blocks(self) -> Iterator[tuple[str, Block]]:
        """(pump, block), each pump's in time order."""
        suffix = self.path.suffix.lower()
        if suffix in JSON_LINES:
            self._lines = _Lines(self.path, self._site, self._block_s)
            for pump, block, share in self._lines.blocks():
                self.share_done = share
                self.horizon_ts = self._lines.horizon_ts
                yield pump, block
        else:
            yield from self._from_table(suffix)
        if not self._grids and not (self._lines and self._lines.count):
            found = ", ".join(sorted(self._unknown)) or "none"
            raise BadRecording(
                f"{self.path}: no row of a pump of site '{self._site.id}'; pumps found: {found}"
            )
        self.share_done = 1.0

    def pumps(self) -> set[str] | None:
        """The pumps of the file, where that is told without reading it; else None."""
        return self._parquet().pumps() if self._is_parquet else None

    def begins_ts(self) -> float:
        """No block begins before this. Raises BadRecording."""
        told = self._parquet().first_ts() if self._is_parquet else None
        if told is None:
            first = next(Recording(self.path, self._site, block_s=self._block_s).blocks(), None)
            told = -np.inf if first is None else first[1].t0_ts
        return float(np.floor(told / self._block_s) * self._block_s)

    @property
    def _is_parquet(self) -> bool:
        return self.path.suffix.lower() in PARQUET

    def _parquet(self) -> ParquetTable:
        pumps = self._site.pumps
        return ParquetTable(self.path, pumps[0].id if len(pumps) == 1 else None)

    def _from_table(self, suffix: str) -> Iterator[tuple[str, Block]]:
        pumps = self._site.pumps
        only = pumps[0].id if len(pumps) == 1 else None
        table = ParquetTable(self.path, only) if suffix in PARQUET else CsvTable(self.path, only)
        places = list(table.probes()) if only is None else []
        # Grouped by pump instead of by time: nothing can be said of what others still bring.
        self._ahead = all(p <= places[0] for p in places)
        newest = -np.inf
        for piece in table.pieces():
            self.share_done = piece.share
            for pump, rows in piece.pumps.items():
                self._take(pump, rows)
                newest = max(newest, float(rows.ts.max()) if len(rows) else newest)
            yield from self._release(np.floor(newest / self._block_s) * self._block_s)
        yield from self._release(np.inf)

    def _take(self, pump: str, rows: Rows) -> None:
        fitted = self._site.pump(pump)
        if fitted is None:
            self._unknown[pump] = self._unknown.get(pump, 0) + len(rows)
            return
        grid = self._grids.get(pump)
        if grid is None:
            sensors = fitted.sensors
            counter = sensors.counter and rows.strokes is not None
            grid = self._grids[pump] = Gridder(sensors.strokes_per_pulse, counter)
        kept = grid.forward(rows)
        if len(kept):
            self._waiting.setdefault(pump, []).append(kept)

    def _release(self, until_ts: float) -> Iterator[tuple[str, Block]]:
        """Give out everything before a slice's end, slice by slice over all pumps."""
        ready: list[tuple[float, str, Block]] = []
        for pump, parts in self._waiting.items():
            if not parts or parts[0].ts[0] >= until_ts:
                continue
            rows = join(parts)
            end = int(np.searchsorted(rows.ts, until_ts))
            for whole in self._grids[pump].blocks(rows.take(slice(0, end))):
                for block in cut(whole, self._block_s):
                    ready.append((block.t0_ts // self._block_s, pump, block))
            self._waiting[pump] = [rows.take(slice(end, None))] if end < len(rows) else []
        for slice_number, pump, block in sorted(ready, key=lambda r: (r[0], r[1], r[2].t0_ts)):
            if self._ahead:
                # One slice back, for rows of a pump that stand a little later in the file.
                self.horizon_ts = max(self.horizon_ts, (slice_number - 1) * self._block_s)
            yield pump, block

    def notes(self) -> list[str]:
        """What was dropped or corrected on the way, in words."""
        out = [
            f"{self.path.name}: {count} rows of unknown pump '{pump}' were not used"
            for pump, count in sorted(self._unknown.items())
        ]
        if self._lines:
            out += self._lines.notes()
        for pump, grid in sorted(self._grids.items()):
            tally = grid.tally
            told = {
                "rows with a time already seen were dropped": tally.duplicates,
                "rows that went back in time were dropped": tally.backward,
                "samples were missing and stay empty": tally.filled,
                "rows at uneven times were put on an even grid": tally.resampled,
                "restarts of the stroke counter": tally.restarts,
                "strokes fell into gaps, at unknown times": tally.unseen_strokes,
            }
            out += [f"{self.path.name}: {pump}: {n} {text}" for text, n in told.items() if n]
        return out


class Together:
    """Several files of one site side by side: their pumps advance together, as in one file.

    A file is opened when its time comes. horizon_ts and share_done are those of all files.
    """

    def __init__(self, recordings: Sequence[Recording], block_s: float) -> None:
        self._block_s = block_s
        # One file alone need not be looked into before it is read.
        begins = [-np.inf if len(recordings) == 1 else r.begins_ts() for r in recordings]
        order = sorted(range(len(recordings)), key=lambda i: begins[i])
        self._todo = deque((begins[i], recordings[i]) for i in order)
        self._all = recordings
        self._open: list[tuple[float, int, str, Block, Recording, Blocks]] = []
        self._now: Recording | None = None

    @property
    def share_done(self) -> float:
        """0 to 1."""
        return sum(r.share_done for r in self._all) / max(len(self._all), 1)

    @property
    def horizon_ts(self) -> float:
        """No later block of any file begins before it."""
        horizons = [recording.horizon_ts for *_, recording, _ in self._open]
        horizons += [] if self._now is None else [self._now.horizon_ts]
        return min([*horizons, self._todo[0][0] if self._todo else np.inf])

    def blocks(self) -> Iterator[tuple[str, Block]]:
        """(pump, block), slice by slice over all files. Raises BadRecording."""
        number = 0
        while self._open or self._todo:
            while self._todo and (not self._open or self._todo[0][0] <= self._open[0][0]):
                recording = self._todo.popleft()[1]
                number += 1
                self._next(number, recording, recording.blocks())
            if self._open:
                _, at, pump, block, self._now, blocks = heapq.heappop(self._open)
                yield pump, block
                # Only now: a file's horizon moves with its next block.
                self._next(at, self._now, blocks)
                self._now = None

    def _next(self, number: int, recording: Recording, blocks: "Blocks") -> None:
        found = next(blocks, None)
        if found is not None:
            pump, block = found
            slice_ts = float(np.floor(block.t0_ts / self._block_s) * self._block_s)
            heapq.heappush(self._open, (slice_ts, number, pump, block, recording, blocks))


class _Lines:
    """JSON Lines: one MQTT message a line; payload is SenML JSON, or base64 of SenML CBOR."""

    def __init__(self, path: Path, site: Site, block_s: float) -> None:
        self._path = path
        self._site = site
        self._block_s = block_s
        self._streams: dict[str, StreamAssembler] = {}
        self._waiting: dict[str, list[Message]] = {}
        self._seen: dict[tuple[str, int], Ranges] = {}
        self._unknown: dict[str, int] = {}
        self._duplicates = 0
        self.count = 0
        self.horizon_ts = -np.inf

    def blocks(self) -> Iterator[tuple[str, Block, float]]:
        """(pump, block, share of the file read)."""
        size, done, until_ts = max(self._path.stat().st_size, 1), 0, np.inf
        with self._path.open("rb") as file:
            for number, line in enumerate(file, 1):
                done += len(line)
                message = self._message(number, line)
                if message is None:
                    continue
                t0_ts = message.t0_us / 1e6
                if t0_ts >= until_ts:
                    yield from self._release(until_ts, done / size)
                if not self._waiting or t0_ts >= until_ts:
                    until_ts = (t0_ts // self._block_s + 1) * self._block_s
                self._waiting.setdefault(message.pump, []).append(message)
        yield from self._release(np.inf, 1.0)

    def _release(self, until_ts: float, share: float) -> Iterator[tuple[str, Block, float]]:
        for pump, messages in sorted(self._waiting.items()):
            messages.sort(key=lambda m: (m.t0_us, m.seq))
            for block in self._streams[pump].push_all(messages):
                yield pump, block, share
        self.horizon_ts = until_ts
        self._waiting = {}

    def _message(self, number: int, line: bytes) -> Message | None:
        if not line.strip():
            return None
        place = f"{self._path}: row {number}"
        topic, payload = _parts(place, line)
        try:
            if wire.parse_topic(topic).kind != "data":
                return None
            message = wire.decode(topic, payload)
        except BadMessage as problem:
            raise BadRecording(f"{place}: {problem}") from problem
        pump = self._site.pump(message.pump)
        if pump is None or message.site != self._site.id:
            name = f"{message.site}/{message.pump}"
            self._unknown[name] = self._unknown.get(name, 0) + 1
            return None
        seen = self._seen.setdefault((message.pump, message.boot), Ranges())
        if message.seq in seen:
            self._duplicates += 1
            return None
        seen.add(message.seq)
        self.count += 1
        if message.pump not in self._streams:
            self._streams[message.pump] = StreamAssembler(pump.sensors)
        return message

    def notes(self) -> list[str]:
        """What was not used, in words."""
        name = self._path.name
        out = [f"{name}: {n} messages of unknown {p}" for p, n in sorted(self._unknown.items())]
        if self._duplicates:
            out.append(f"{name}: {self._duplicates} messages were there twice")
        for pump, stream in sorted(self._streams.items()):
            told = {
                "messages came too late to be judged": stream.late,
                "restarts of the stroke counter": stream.restarts,
                "strokes fell into gaps, at unknown times": stream.unseen_strokes,
            }
            out += [f"{name}: {pump}: {n} {text}" for text, n in told.items() if n]
        return out


def _missing(problem: Exception) -> str:
    if isinstance(problem, KeyError):
        return f"there is no {problem}"
    return "this is no JSON object"


def _parts(place: str, line: bytes) -> tuple[str, bytes]:
    try:
        data = json.loads(line)
        topic, payload = data["topic"], data["payload"]
    except (ValueError, TypeError, KeyError) as problem:
        expected = 'expected one {"topic": ..., "payload": ...} object a line'
        raise BadRecording(f"{place}: {_missing(problem)}; {expected}") from problem
    if not isinstance(topic, str):
        raise BadRecording(f"{place}: topic {topic!r}; expected text")
    if isinstance(payload, list):
        return topic, json.dumps(payload).encode()
    if not isinstance(payload, str):
        raise BadRecording(f"{place}: payload; expected SenML (a list), its text, or base64")
    if payload.lstrip().startswith("["):
        return topic, payload.encode()
    try:
        return topic, base64.b64decode(payload, validate=True)
    except binascii.Error as problem:
        raise BadRecording(f"{place}: payload is no base64: {problem}") from problem
