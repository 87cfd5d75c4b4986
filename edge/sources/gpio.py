"""Counts edges on a GPIO line, with the kernel's time stamps (libgpiod's Python binding, gpiod).

Wiring note. A reed contact or open-collector hall sensor from the line to ground, the pull-up
inside or 10 kohm to 3.3 V, 100 nF across the contact; never 5 V on a 3.3 V line. Two wires,
shielded, not beside solenoid cables. An exhaust pressure switch works too, but ices up with wet
air. Bounce: edges closer than the lock-out are not counted; strokes come no faster than every
60 ms (computed), so a driver's default debounce of 50 or 200 ms would lose strokes.
Cautions: relieve and lock out the air before a sensor is fixed to the pump.
"""

from collections.abc import Mapping, Sequence
from datetime import timedelta
from typing import Any, Literal, Protocol

from pydantic import Field

from edge.counting import LOCK_OUT_S, SHORTEST_STROKE_S, LockOut
from edge.errors import SourceError
from edge.model import Measured
from edge.sources.sampled import Channel
from edge.sources.source import Reading, needed

KERNEL_BUFFER = 1024
"""Edges the kernel keeps for us: a minute at the fastest strokes with both edges."""


class Gpio(Measured):
    """One line of a chip: strokes, or demand (a relay contact of the solenoid's supply)."""

    source: Literal["gpio"]
    chip: str = "/dev/gpiochip0"
    line: int = Field(ge=0, le=511)
    active_low: bool = True
    pull: Literal["up", "down", "none"] = "up"
    lock_out_s: float = Field(LOCK_OUT_S, ge=0.001, lt=SHORTEST_STROKE_S)

    @property
    def device(self) -> tuple[object, ...]:
        """All lines of a chip are requested together."""
        return ("gpio", self.chip)


class Edge(Protocol):
    """What is used of gpiod.EdgeEvent."""

    line_offset: int
    timestamp_ns: int
    line_seqno: int
    event_type: Any


class Request(Protocol):
    """What is used of gpiod.LineRequest."""

    def wait_edge_events(self, timeout: timedelta) -> bool:
        """Whether there are edges to read."""
        ...

    def read_edge_events(self, max_events: int) -> Sequence[Edge]:
        """The edges that wait."""
        ...

    def release(self) -> None:
        """Give the lines back."""
        ...


class Lines:
    """A Source over the lines of one chip; edges wait in the kernel until they are read."""

    def __init__(
        self, request: Request, channels: Sequence[Channel[Gpio]], initial: Mapping[int, bool]
    ) -> None:
        self._request = request
        self._by_line = {channel.settings.line: channel for channel in channels}
        self._lock_out = {
            line: LockOut(channel.settings.lock_out_s) for line, channel in self._by_line.items()
        }
        self._totals = dict.fromkeys(self._by_line, 0)
        self._seqno: dict[int, int] = {}
        self._initial = dict(initial)

    def read(self, now_us: int) -> dict[str, Reading]:
        """See Source."""
        found: dict[str, dict[str, Any]] = {}
        for line, on in self._initial.items():
            channel = self._by_line[line]
            part = found.setdefault(channel.pump, {})
            if channel.role == "demand":
                channel.on = on
                part["demand"] = [(now_us, on)]
            else:
                part["strokes"] = [(now_us, 0)]
        self._initial.clear()
        while self._request.wait_edge_events(timedelta(0)):
            for edge in self._request.read_edge_events(KERNEL_BUFFER):
                self._take(edge, found)
        return {pump: Reading(**part) for pump, part in found.items()}

    def _take(self, edge: Edge, found: dict[str, dict[str, Any]]) -> None:
        line = edge.line_offset
        channel = self._by_line[line]
        part = found.setdefault(channel.pump, {})
        missed = edge.line_seqno - self._seqno.get(line, edge.line_seqno - 1) - 1
        self._seqno[line] = edge.line_seqno
        if missed > 0:
            part.setdefault("faults", []).append(f"{channel.role}: {missed} edges were lost")
        at_us = edge.timestamp_ns // 1000
        rising = getattr(edge.event_type, "name", "") == "RISING_EDGE"
        if channel.role == "demand":
            if rising is not channel.on:
                channel.on = rising
                part.setdefault("demand", []).append((at_us, rising))
        elif rising and self._lock_out[line].passes(at_us / 1e6):
            self._totals[line] += channel.settings.strokes_per_pulse
            part.setdefault("strokes", []).append((at_us, self._totals[line]))

    def close(self) -> None:
        """Give the lines back."""
        self._request.release()


def open_source(channels: Sequence[Channel[Gpio]]) -> Lines:
    """Request the lines. Raises SourceError if the chip or a line is not to be had."""
    gpiod = needed("gpiod")
    kinds = gpiod.line
    pull = {"up": kinds.Bias.PULL_UP, "down": kinds.Bias.PULL_DOWN, "none": kinds.Bias.DISABLED}
    config = {
        channel.settings.line: gpiod.LineSettings(
            edge_detection=kinds.Edge.BOTH,
            bias=pull[channel.settings.pull],
            active_low=channel.settings.active_low,
            event_clock=kinds.Clock.MONOTONIC,
        )
        for channel in channels
    }
    chip = channels[0].settings.chip
    try:
        request = gpiod.request_lines(
            chip, config=config, consumer="strokewise", event_buffer_size=KERNEL_BUFFER
        )
        initial = {line: bool(request.get_value(line).value) for line in config}
    except (OSError, ValueError) as problem:
        raise SourceError(f"{chip}: {problem}; check chip, lines and the gpio group") from problem
    return Lines(request, channels, initial)
