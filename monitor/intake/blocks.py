"""Messages of one pump, in order, as unbroken blocks of samples for the signals."""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import groupby
from operator import attrgetter

import numpy as np

from monitor.intake.counter import increments, stroke_times
from monitor.signals.types import Block, FloatArray
from monitor.site import Sensors
from monitor.wire import Message

JOIN_SHARE = 0.5
"""A message that starts within half a sample of where the last one ended continues it."""
MAX_BLOCK_S = 3600.0
GAP_US = 1_000_000
"""As in a recording: what a counter gained over a longer hole happened at unknown times."""
_PUMP = attrgetter("pump")


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
        if len(message.samples) == 0:
            return None
        t0_ts, dt_s = message.t0_us / 1e6, message.dt_us / 1e6
        return Block(
            t0_ts,
            dt_s,
            message.pressure_pa(),
            stroke_ts,
            _demand(message),
            _air(message),
            counter_fitted=self._fitted,
        )

    def _strokes(self, message: Message, *, follows: bool) -> FloatArray:
        totals, t_us = message.stroke_total, message.stroke_t_us
        if not self._fitted or len(totals) == 0:
            return np.empty(0)
        tail = self._tail
        same_boot = tail is not None and tail.boot == message.boot and tail.total is not None
        if tail is not None and same_boot and totals[-1] == tail.total:
            return np.empty(0)
        if tail is not None and same_boot:
            totals = np.concatenate([[tail.total], totals]).astype(np.int64)
            t_us = np.concatenate([[tail.total_us], t_us])
        if len(totals) < 2 or totals[0] == totals[-1]:
            return np.empty(0)
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

    def push_all(self, messages: Sequence[Message]) -> list[Block]:
        """The messages as the fewest unbroken blocks, none much longer than an hour."""
        out: list[Block] = []
        run: list[Block] = []
        seq: tuple[int, int] | None = None
        for message in messages:
            block = self.push(message)
            if block is None:
                continue
            whole = seq == (message.boot, message.seq - 1)
            seq = (message.boot, message.seq)
            if run and not (whole and _continues(run, block)):
                out.append(join(run))
                run = []
            run.append(block)
        return [*out, join(run)] if run else out


def in_blocks(
    messages: Iterable[Message], stream_of: Callable[[str], StreamAssembler]
) -> Iterator[tuple[str, Block]]:
    """(pump, block) of one site's messages that stand pump by pump, each pump's in time order.

    What follows on each other becomes one block: a backlog costs a fraction of live seconds.
    """
    for pump, own in groupby(messages, _PUMP):
        for block in stream_of(pump).push_all(list(own)):
            yield pump, block


def _continues(run: Sequence[Block], block: Block) -> bool:
    first = run[0]
    samples = sum(len(b.pressure_pa) for b in run)
    expected_ts = first.t0_ts + samples * first.dt_s
    return (
        abs(block.t0_ts - expected_ts) <= JOIN_SHARE * first.dt_s
        and abs(block.dt_s - first.dt_s) < 1e-9
        and (block.demand is None) == (first.demand is None)
        and (block.air_pa is None) == (first.air_pa is None)
        and samples * first.dt_s < MAX_BLOCK_S
    )


def join(run: Sequence[Block]) -> Block:
    """Blocks that follow each other as one."""
    if len(run) == 1:
        return run[0]
    first = run[0]
    demand = [b.demand for b in run if b.demand is not None]
    air = [b.air_pa for b in run if b.air_pa is not None]
    pressure = np.concatenate([b.pressure_pa for b in run])
    end_ts = first.t0_ts + len(pressure) * first.dt_s
    strokes = np.concatenate([b.stroke_ts for b in run])
    return Block(
        first.t0_ts,
        first.dt_s,
        pressure,
        np.minimum(strokes, np.nextafter(end_ts, 0.0)),
        np.concatenate(demand) if demand else None,
        np.concatenate(air) if air else None,
        first.counter_fitted,
    )


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
