"""Scans a device at an even rate in a thread of its own, and hands the samples over in blocks."""

import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from time import sleep
from typing import Generic, TypeVar

import numpy as np
from numpy.typing import NDArray

from edge.clock import Clock, steady_s
from edge.counting import Growing
from edge.model import Measured
from edge.sources.source import Reading, Role

LONGEST_SLEEP_S = 0.5
LONGEST_GAP_US = 10_000_000
"""Chosen: a longer silence is a gap in time, not a row of failed reads."""

S = TypeVar("S", bound=Measured)


@dataclass(slots=True)
class Channel(Generic[S]):
    """One quantity of one pump on a device.

    For strokes, raw values are counter readings; for demand, not 0 is on; else the settings turn
    them into Pa.
    """

    pump: str
    role: Role
    settings: S
    growing: Growing = field(init=False)
    on: bool | None = None

    def __post_init__(self) -> None:
        self.growing = Growing(self.settings.bits)


class Sampled:
    """A Source over `scan`, which reads all channels once and gives NaN where a read failed."""

    def __init__(
        self,
        scan: Callable[[], Sequence[float]],
        channels: Sequence[Channel[S]],
        rate_hz: float,
        close: Callable[[], None] = lambda: None,
    ) -> None:
        self._scan = scan
        self._channels = channels
        self.step_us = round(1e6 / rate_hz)
        self._release = close
        self._segments: list[tuple[int, list[Sequence[float]]]] = []
        self._next_us = 0
        self._missing = tuple(float("nan") for _ in channels)
        self._lock = threading.Lock()
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    def start(self, clock: Clock = steady_s) -> "Sampled":
        """Begin to scan in a thread."""
        self._thread = threading.Thread(
            target=self._run, args=(clock,), daemon=True, name="sampler"
        )
        self._thread.start()
        return self

    def _run(self, clock: Clock) -> None:
        while not self._stop.is_set():
            wait_s = self.sample(round(clock() * 1e6)) / 1e6 - clock()
            while wait_s > 0 and not self._stop.is_set():
                sleep(min(wait_s, LONGEST_SLEEP_S))
                wait_s -= LONGEST_SLEEP_S

    def sample(self, now_us: int) -> int:
        """Scan once; ticks that were missed since last time are failed reads. When to scan next."""
        row = self._scan()
        with self._lock:
            late = max(0, (now_us - self._next_us) // self.step_us)
            if not self._segments or late * self.step_us > LONGEST_GAP_US:
                self._segments.append((now_us, []))
                self._next_us, late = now_us, 0
            rows = self._segments[-1][1]
            rows.extend([self._missing] * late)
            rows.append(row)
            self._next_us += (late + 1) * self.step_us
            return self._next_us

    def read(self, now_us: int) -> dict[str, Reading]:  # noqa: ARG002  # its thread has the time
        """See Source. After a gap too long to fill, the time before it comes first."""
        with self._lock:
            if not self._segments:
                return {}
            t0_us, rows = self._segments.pop(0)
            if not self._segments:
                self._segments.append((t0_us + len(rows) * self.step_us, []))
        if not rows:
            return {}
        table = np.array(rows, np.float64)
        parts: dict[str, dict[str, object]] = {}
        for column, channel in enumerate(self._channels):
            part = parts.setdefault(channel.pump, {"faults": []})
            self._fill(part, channel, table[:, column], t0_us)
        return {
            pump: Reading(t0_us=t0_us, step_us=self.step_us, **part)  # type: ignore[arg-type]
            for pump, part in parts.items()
        }

    def _fill(
        self,
        part: dict[str, object],
        channel: Channel[S],
        raw: NDArray[np.float64],
        t0_us: int,
    ) -> None:
        if channel.role in ("strokes", "demand"):
            events = self._strokes if channel.role == "strokes" else self._demand
            part[channel.role] = events(channel, raw, t0_us)
            return
        pressure_pa = channel.settings.pressure_pa(raw)
        failed = int(np.count_nonzero(np.isnan(pressure_pa)))
        if failed:
            _note(part, channel, raw, pressure_pa)
        if channel.role == "pressure":
            part["pressure_pa"] = pressure_pa
            part["failed_reads"] = failed
        elif failed < len(pressure_pa):
            part["air_pa"] = float(np.nanmean(pressure_pa))

    def _strokes(
        self, channel: Channel[S], raw: NDArray[np.float64], t0_us: int
    ) -> list[tuple[int, int]]:
        out: list[tuple[int, int]] = []
        for index, value in enumerate(raw.tolist()):
            if value == value:
                before = channel.growing.total
                total = channel.growing.feed(int(value))
                if total != before or (index == 0 and total == 0):
                    at_us = t0_us + index * self.step_us
                    out.append((at_us, total * channel.settings.strokes_per_pulse))
        return out

    def _demand(
        self, channel: Channel[S], raw: NDArray[np.float64], t0_us: int
    ) -> list[tuple[int, bool]]:
        out: list[tuple[int, bool]] = []
        for index, value in enumerate(raw.tolist()):
            if value == value and (value != 0) is not channel.on:
                channel.on = value != 0
                out.append((t0_us + index * self.step_us, channel.on))
        return out

    def close(self) -> None:
        """Stop the thread, release the device."""
        self._stop.set()
        if self._thread is not None:
            self._thread.join(timeout=5)
        self._release()


def _note(
    part: dict[str, object],
    channel: Channel[S],
    raw: NDArray[np.float64],
    pressure_pa: NDArray[np.float64],
) -> None:
    """Say in words why the last failed read failed."""
    bad = raw[np.isnan(pressure_pa)]
    faults = part["faults"]
    assert isinstance(faults, list)  # noqa: S101  # made so three lines above the call
    faults.append(f"{channel.role}: {channel.settings.fault(float(bad[-1])) or 'read failed'}")
