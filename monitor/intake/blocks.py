"""Messages of one pump, in order, as unbroken blocks of samples for the signals."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby
from operator import attrgetter
from typing import NamedTuple

import numpy as np

from monitor.intake.counter import increments, stroke_times
from monitor.signals.types import Block, FloatArray
from monitor.site import Sensors
from monitor.wire import Message

JOIN_SHARE = 0.5
"""A message that starts within half a sample of where the last one ended continues it."""
MAX_BLOCK_US = 3_600_000_000
GAP_US = 1_000_000
"""As in a recording: what a counter gained over a longer hole happened at unknown times."""
_PUMP = attrgetter("pump")
_NO_STROKES = np.empty(0)


class Piece(NamedTuple):
    """A message with the times of the strokes that are new in it."""

    message: Message
    stroke_ts: FloatArray


@dataclass(slots=True)
class _Tail:
    """Where the last message of this boot stopped."""

    boot: int
    seq: int
    end_us: int
    total: int | None
    total_us: int


class StreamAssembler:
    """One pump's messages -> blocks. Strokes are differences inside one boot only.

    late counts messages older than what was already given out (they are stored, but the signals
    move forward only); restarts counts counters that began again; unseen_strokes counts strokes
    that happened while nothing was received, whose times nobody knows.
    """

    def __init__(self, sensors: Sensors | None = None) -> None:
        fitted = sensors or Sensors()
        self._per_pulse = fitted.strokes_per_pulse
        self._fitted = fitted.counter
        self._tail: _Tail | None = None
        self.late = 0
        self.restarts = 0
        self.unseen_strokes = 0

    def push(self, message: Message) -> Block | None:
        """The message as a block of its own; None when it comes too late or has no samples."""
        piece = self._taken(message)
        return None if piece is None else self._joined([piece])

    def _taken(self, message: Message) -> Piece | None:
        tail = self._tail
        if tail is not None and message.t0_us < tail.end_us - message.dt_us:
            self.late += 1
            return None
        follows = (
            tail is not None
            and (tail.boot, tail.seq + 1) == (message.boot, message.seq)
            and message.t0_us - tail.end_us <= GAP_US
        )
        stroke_ts = self._strokes(message, follows=follows)
        self._advance(message)
        return Piece(message, stroke_ts) if len(message.samples) else None

    def _strokes(self, message: Message, *, follows: bool) -> FloatArray:
        totals, t_us = message.stroke_total, message.stroke_t_us
        if not self._fitted or len(totals) == 0:
            return _NO_STROKES
        tail = self._tail
        same_boot = tail is not None and tail.boot == message.boot and tail.total is not None
        if tail is not None and same_boot and totals[-1] == tail.total:
            return _NO_STROKES
        if tail is not None and same_boot:
            totals = np.concatenate([[tail.total], totals]).astype(np.int64)
            t_us = np.concatenate([[tail.total_us], t_us])
        if len(totals) < 2 or totals[0] == totals[-1]:
            return _NO_STROKES
        t_ts = np.asarray(t_us / 1e6, np.float64)
        new, restarted = increments(totals, np.diff(t_ts), self._per_pulse)
        self.restarts += int(restarted.sum())
        if same_boot and not follows:
            self.unseen_strokes += int(new[0])
            new[0] = 0
        times = stroke_times(t_ts[1:], t_ts[:-1], new)
        last_ts = np.nextafter(message.end_us / 1e6, 0.0)
        return np.clip(times, message.t0_us / 1e6, last_ts)

    def _advance(self, message: Message) -> None:
        total = self._tail.total if self._tail and self._tail.boot == message.boot else None
        total_us = self._tail.total_us if self._tail else message.t0_us
        if len(message.stroke_total):
            total, total_us = int(message.stroke_total[-1]), int(message.stroke_t_us[-1])
        self._tail = _Tail(message.boot, message.seq, message.end_us, total, total_us)

    def push_all(self, messages: Iterable[Message]) -> list[Block]:
        """The messages as the fewest unbroken blocks, none much longer than an hour."""
        out: list[Block] = []
        run: list[Piece] = []
        samples = 0
        for message in messages:
            piece = self._taken(message)
            if piece is None:
                continue
            if run and not _continues(run, samples, message):
                out.append(self._joined(run))
                run, samples = [], 0
            run.append(piece)
            samples += len(message.samples)
        return [*out, self._joined(run)] if run else out

    def _joined(self, run: Sequence[Piece]) -> Block:
        """What follows on each other as one block."""
        if len(run) == 1:
            message, stroke_ts = run[0]
            columns = message.pressure_pa(), stroke_ts, _demand(message), _air(message)
        else:
            columns = _columns(run)
        first = run[0].message
        return Block(first.t0_us / 1e6, first.dt_us / 1e6, *columns, counter_fitted=self._fitted)


def in_blocks(
    messages: Iterable[Message], stream_of: Callable[[str], StreamAssembler]
) -> Iterator[tuple[str, Block]]:
    """(pump, block) of one site's messages that stand pump by pump, each pump's in time order.

    What follows on each other becomes one block: a backlog costs a fraction of live seconds.
    """
    for pump, own in groupby(messages, _PUMP):
        for block in stream_of(pump).push_all(own):
            yield pump, block


def _continues(run: Sequence[Piece], samples: int, message: Message) -> bool:
    """Does the message follow on the run, which holds so many samples?"""
    first, last = run[0].message, run[-1].message
    off_us = message.t0_us - first.t0_us - samples * first.dt_us
    return (
        (last.boot, last.seq + 1) == (message.boot, message.seq)
        and abs(off_us) <= JOIN_SHARE * first.dt_us
        and message.dt_us == first.dt_us
        and (message.demand_t_us is None) == (first.demand_t_us is None)
        and (message.air_pa is None) == (first.air_pa is None)
        and samples * first.dt_us < MAX_BLOCK_US
    )


def _columns(
    run: Sequence[Piece],
) -> tuple[FloatArray, FloatArray, FloatArray | None, FloatArray | None]:
    """Pressure, strokes, demand and air of several messages, end to end."""
    first = run[0].message
    pressure_pa = _pressure([piece.message for piece in run])
    end_ts = first.t0_us / 1e6 + len(pressure_pa) * (first.dt_us / 1e6)
    strokes = [piece.stroke_ts for piece in run if len(piece.stroke_ts)]
    stroke_ts = np.concatenate(strokes) if strokes else _NO_STROKES
    return (
        pressure_pa,
        np.minimum(stroke_ts, np.nextafter(end_ts, 0.0)),
        _end_to_end([_demand(piece.message) for piece in run]),
        _end_to_end([_air(piece.message) for piece in run]),
    )


def _pressure(messages: Sequence[Message]) -> FloatArray:
    """The samples of all in Pa; counts of one scale are converted at once."""
    first = messages[0]
    form = first.samples.dtype, first.scale_pa, first.offset_pa
    if all((m.samples.dtype, m.scale_pa, m.offset_pa) == form for m in messages):
        samples = np.concatenate([m.samples for m in messages])
        return replace(first, samples=samples).pressure_pa()
    return np.concatenate([m.pressure_pa() for m in messages])


def _end_to_end(parts: Sequence[FloatArray | None]) -> FloatArray | None:
    known = [part for part in parts if part is not None]
    return np.concatenate(known) if known else None


def _demand(message: Message) -> FloatArray | None:
    if message.demand_t_us is None or message.demand_on is None:
        return None
    n = len(message.samples)
    if len(message.demand_t_us) == 1:
        return np.full(n, float(message.demand_on[0]))
    t_us = message.t0_us + np.arange(n) * message.dt_us
    at = np.searchsorted(message.demand_t_us, t_us, "right") - 1
    state = message.demand_on[np.maximum(at, 0)].astype(np.float64)
    state[at < 0] = np.nan
    return state


def _air(message: Message) -> FloatArray | None:
    return None if message.air_pa is None else np.full(len(message.samples), message.air_pa)
