"""Makes one message a second and pump of what the sources read.

Sampled fast, sent slower: whole groups of samples are averaged (a group's time is its middle), so
nothing aliases, and strokes are counted from the fast samples before.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from edge.ripple import RippleCounter, Verdict, compare
from edge.sources.source import Reading
from monitor.wire import NULL_COUNT, Message

COUNTS_PER_FULL_SCALE = 25_000
"""Chosen: int16 then reaches 131 % of full scale; 150 psi gives 0.006 psi a count, under the
0.007 psi of a 16 bit converter and far under the 0.05 psi noise of a transducer."""
LATE_EVENT_US = 900_000
"""Under the wire's limit of 1 s: an event told later is stamped as late as that allows."""
CHECK_S = 60.0
TOLD_WITHIN_US = 1_000_000
"""A stroke is told from the pressure up to this much after it was to be seen."""


@dataclass(frozen=True, slots=True)
class Form:
    """How a pump's messages are made."""

    publish_hz: float
    scale_pa: float
    message_s: float = 1.0
    from_ripple: bool = False
    """Count strokes from the pressure; else a counter is fitted, or none is."""


@dataclass(slots=True)
class _Check:
    """Counter against ripple since the last word; only over time in which both could count."""

    counter: int = 0
    ripple: int = 0
    since_us: int = 0
    last: int | None = None
    countable_until_us: int = 0


@dataclass(slots=True)
class _Events:
    """Changes not yet sent, in the order they came; the last value sent."""

    waiting: list[tuple[int, int]] = field(default_factory=list)
    last: int | None = None
    newest_us: int = 0

    def add(self, at_us: int, value: int) -> None:
        """A change; it is never earlier than the one before."""
        self.newest_us = max(self.newest_us, at_us)
        self.waiting.append((self.newest_us, value))

    def take(self, t0_us: int, end_us: int) -> list[tuple[int, int]]:
        """The changes up to end_us, in order; a late one moves to the earliest allowed time."""
        taken = [(max(t, t0_us - LATE_EVENT_US), v) for t, v in self.waiting if t <= end_us]
        self.waiting = [(t, v) for t, v in self.waiting if t > end_us]
        if taken:
            self.last = taken[-1][1]
        return taken


@dataclass(slots=True)
class _Total:
    """What a source's total becomes when it falls (its device began again): it goes on."""

    offset: int = 0
    last: int = 0

    def feed(self, total: int) -> int:
        """The total to send."""
        if total < self.last:
            self.offset += self.last
        self.last = total
        return total + self.offset


class Assembler:
    """One pump: feed readings, take the messages that are complete (times as the readings')."""

    def __init__(self, site: str, pump: str, boot: int, form: Form) -> None:
        self._site, self._pump, self._boot, self._form = site, pump, boot, form
        self._seq = 0
        self._samples: NDArray[np.float64] = np.empty(0)
        self._t0_us = 0
        self._step_us = 0
        self._strokes = _Events()
        self._total = _Total()
        self._demand = _Events()
        self._air_pa: float | None = None
        self._failed = 0
        self._ripple: RippleCounter | None = None
        self._ripple_t0_us = 0
        self._ripple_total = 0
        self._check = _Check()
        self.word = ""
        """What the cross-check of counter and ripple says, in words; empty while they agree."""

    def feed(self, reading: Reading) -> Iterator[Message]:
        """The messages that this reading completes."""
        for at_us, on in reading.demand:
            self._demand.add(at_us, int(on))
        if not self._form.from_ripple:
            for at_us, total in reading.strokes:
                self._strokes.add(at_us, self._total.feed(total))
        if reading.air_pa is not None:
            self._air_pa = reading.air_pa
        pressure_pa = reading.pressure_pa
        if pressure_pa is None or not len(pressure_pa):
            return
        if self._breaks(reading):
            yield from self._rest()
            self._t0_us, self._step_us = reading.t0_us, reading.step_us
            self._ripple = RippleCounter(reading.step_us / 1e6)
            self._ripple_t0_us = reading.t0_us
        self._failed += reading.failed_reads
        self._count(reading)
        self._samples = np.concatenate([self._samples, pressure_pa])
        per_message = self._group * max(1, round(self._form.message_s * 1e6 / self._sent_step_us))
        while len(self._samples) >= per_message:
            yield self._message(per_message)

    def _breaks(self, reading: Reading) -> bool:
        expected_us = self._t0_us + len(self._samples) * self._step_us
        return (
            reading.step_us != self._step_us
            or abs(reading.t0_us - expected_us) > self._step_us // 2 + 1
        )

    @property
    def _group(self) -> int:
        """Samples that are averaged into one that is sent."""
        return max(1, round(1e6 / self._form.publish_hz / self._step_us))

    @property
    def _sent_step_us(self) -> int:
        return self._group * self._step_us

    def _rest(self) -> Iterator[Message]:
        """What there is before a break in time, if it is a whole group at least."""
        whole = len(self._samples) // self._group * self._group if self._step_us else 0
        if whole:
            yield self._message(whole)
        self._samples = np.empty(0)

    def _count(self, reading: Reading) -> None:
        """Strokes from the pressure: sent where no counter is fitted, else its check."""
        if self._ripple is None or reading.pressure_pa is None:
            return
        found = self._ripple.feed(reading.pressure_pa)
        if found.verdict is Verdict.SLOW:
            return
        if self._form.from_ripple:
            for at_s in found.stroke_s.tolist():
                self._ripple_total += 1
                at_us = self._ripple_t0_us + round(at_s * 1e6)
                self._strokes.add(at_us, self._ripple_total)
            if self._strokes.last is None and not self._strokes.waiting:
                self._strokes.add(reading.t0_us, 0)
            return
        self._cross_check(reading, len(found.stroke_s), found.verdict)

    def _cross_check(self, reading: Reading, ripple: int, verdict: Verdict) -> None:
        check = self._check
        totals = [total for _, total in reading.strokes]
        if verdict is Verdict.OK:
            check.countable_until_us = reading.t0_us + TOLD_WITHIN_US
        if check.last is not None and reading.t0_us < check.countable_until_us:
            check.counter += max(0, totals[-1] - check.last) if totals else 0
            check.ripple += ripple
        if totals:
            check.last = totals[-1]
        if reading.t0_us - check.since_us > CHECK_S * 1e6:
            self.word = compare(check.counter, check.ripple)
            self._check = _Check(
                since_us=reading.t0_us,
                last=check.last,
                countable_until_us=check.countable_until_us,
            )

    def _message(self, count: int) -> Message:
        group, step_us = self._group, self._sent_step_us
        block = self._samples[:count]
        t0_us = self._t0_us + (group - 1) * self._step_us // 2
        self._samples = self._samples[count:]
        self._t0_us += count * self._step_us
        end_us = t0_us + count // group * step_us
        counts = to_counts(averaged(block, group), self._form.scale_pa)
        strokes = self._strokes.take(t0_us, end_us)
        if self._strokes.last is not None:
            strokes.append((end_us, self._strokes.last))
        demand = self._demand_of(t0_us, end_us)
        message = Message(
            site=self._site,
            pump=self._pump,
            boot=self._boot,
            seq=self._seq,
            t0_us=t0_us,
            dt_us=step_us,
            samples=counts,
            scale_pa=self._form.scale_pa,
            offset_pa=0.0,
            stroke_t_us=np.array([t for t, _ in strokes], np.int64),
            stroke_total=np.array([total for _, total in strokes], np.int64),
            demand_t_us=np.array([t for t, _ in demand], np.int64) if demand else None,
            demand_on=np.array([on for _, on in demand], np.bool_) if demand else None,
            air_pa=self._air_pa,
            failed_reads=self._failed,
        )
        self._seq += 1
        self._failed = 0
        self._air_pa = None
        return message

    def _demand_of(self, t0_us: int, end_us: int) -> list[tuple[int, int]]:
        """The state at the start, then the changes."""
        state = self._demand.last
        changes = self._demand.take(t0_us, end_us)
        if state is None:
            return changes
        return [(t0_us, state), *[(max(t, t0_us), on) for t, on in changes]]


def averaged(samples: NDArray[np.float64], group: int) -> NDArray[np.float64]:
    """Means of whole groups; failed reads are left out, a group of nothing else is NaN."""
    if group == 1:
        return samples
    rows = samples.reshape(-1, group)
    good = ~np.isnan(rows)
    number = good.sum(axis=1)
    total = np.where(good, rows, 0.0).sum(axis=1)
    return np.where(number > 0, total / np.maximum(number, 1), np.nan)


def to_counts(pressure_pa: NDArray[np.float64], scale_pa: float) -> NDArray[np.int16]:
    """int16 counts of scale_pa; NaN and what int16 cannot hold become NULL_COUNT."""
    counts = np.rint(pressure_pa / scale_pa)
    fits = np.abs(counts) < -NULL_COUNT
    return np.where(fits, counts, NULL_COUNT).astype(np.int16)
