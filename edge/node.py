"""The node: reads its sources, makes a message a second and pump, keeps and sends them.

One thread does all this; sources that scan a device and the network have threads of their own.
"""

import logging
import secrets
import threading
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from edge import clock, watchdog
from edge.assemble import COUNTS_PER_FULL_SCALE, Assembler, Form
from edge.errors import OutboxError
from edge.link import Link
from edge.outbox import Bounds, Outbox
from edge.pace import unix_us
from edge.publish import LIVE_LIMIT, Publisher, Rules
from edge.secret import read_password
from edge.settings import Node as Settings
from edge.sources import replay, virtual
from edge.sources.members import RIPPLE, open_all
from edge.sources.source import Reading, Source
from edge.timebase import Timebase, is_synchronised
from monitor.wire import Message, NodeStatus, encode_cbor

log = logging.getLogger(__name__)

READ_EVERY_S = 0.25
"""Chosen: adds at most this to the second that a message spans."""
HELD_BEFORE_CLOCK = 3600
"""Messages kept in memory until the clock is set; chosen: 7 minutes of 8 pumps."""
MOST_FAULTS = 30
"""In a status; chosen: a retained message stays small."""
READ_OWN_TIME_EVERY_S = 0.1
BACK_PRESSURE = LIVE_LIMIT
"""A source that makes its own time waits while so many letters wait (it loses nothing by it)."""


@dataclass(frozen=True, slots=True)
class Clocks:
    """The clocks of the node, to be replaced in tests. Seconds."""

    wall: clock.Clock = clock.now_ts
    steady: clock.Clock = clock.steady_s
    synchronised: Callable[[], bool] = is_synchronised


@dataclass(frozen=True, slots=True)
class Inputs:
    """What is read: sources by name and the pumps they read; own_time: their times are Unix."""

    sources: Mapping[str, Source]
    pumps: tuple[str, ...]
    ripple: frozenset[str] = frozenset()
    own_time: bool = False

    @property
    def finished(self) -> bool:
        """Whether nothing more will come (the end of a recording)."""
        return all(getattr(source, "finished", False) for source in self.sources.values())

    def close(self) -> None:
        """Let go of devices."""
        for source in self.sources.values():
            if hasattr(source, "close"):
                source.close()


def open_inputs(settings: Settings, wall: clock.Clock = clock.now_ts) -> Inputs:
    """The sources of the settings, scanning. Raises SourceError or BadSettings."""
    if settings.virtual is not None:
        start = settings.virtual.start
        start_us = unix_us(start) if start else round(wall() * 1e6)
        source, pumps = virtual.open_source(settings.virtual, start_us)
        return Inputs({"virtual": source}, pumps, own_time=True)
    if settings.replay is not None:
        recording = replay.open_source(settings.replay)
        return Inputs({"replay": recording}, settings.replay.pumps, own_time=True)
    sources = open_all(settings.channels())
    ripple = frozenset(pump.id for pump in settings.pumps if pump.strokes == RIPPLE)
    return Inputs(sources, tuple(pump.id for pump in settings.pumps), ripple)


class Reader:
    """From sources to stamped messages; knows time, not the broker."""

    def __init__(self, settings: Settings, inputs: Inputs, boot: int, clocks: Clocks) -> None:
        scale_pa = settings.full_scale_pa / COUNTS_PER_FULL_SCALE
        self._assemblers = {
            pump: Assembler(
                settings.site,
                pump,
                boot,
                Form(settings.publish_hz, scale_pa, from_ripple=pump in inputs.ripple),
            )
            for pump in inputs.pumps
        }
        self._inputs = inputs
        self._clocks = clocks
        self.timebase = Timebase()
        self.clock_ok = True
        self._held: list[Message] = []
        self.failed_reads = 0
        self.dropped = 0
        self.newest_us = 0
        self._said: dict[str, str] = {}

    def read(self, steady_us: int) -> list[Message]:
        """The messages complete now, with Unix times."""
        out: list[Message] = []
        for name, source in self._inputs.sources.items():
            for pump, reading in source.read(steady_us).items():
                out += self._of(name, pump, reading)
        stamped = out if self._inputs.own_time else self._stamp(out, steady_us)
        if stamped:
            self.newest_us = max(message.end_us for message in stamped)
        return stamped

    def _of(self, name: str, pump: str, reading: Reading) -> list[Message]:
        self.failed_reads += reading.failed_reads
        assembler = self._assemblers.get(pump)
        if assembler is None:
            return []
        found = list(assembler.feed(reading))
        self._say(pump, name, "; ".join(reading.faults))
        self._say(pump, "stroke check", assembler.word)
        return found

    def _say(self, pump: str, about: str, words: str) -> None:
        """One line when a fault comes and one when it goes, not one a second."""
        key = f"{pump} {about}"
        if words == self._said.get(key, ""):
            return
        self._said[key] = words
        if words:
            log.warning("sensor fault pump=%s source=%s what=%s", pump, about, words)
        else:
            log.info("sensor well pump=%s source=%s", pump, about)

    @property
    def faults(self) -> tuple[str, ...]:
        """What stands wrong now, in words."""
        standing = [f"{about}: {words}"[:200] for about, words in self._said.items() if words]
        return tuple(standing[:MOST_FAULTS])

    def look_at_clock(self, steady_us: int) -> None:
        """Follow the wall clock; call about once a second."""
        if self._inputs.own_time:
            return
        before = self.timebase.steps
        self.timebase.follow(round(self._clocks.wall() * 1e6), steady_us)
        if self.timebase.steps != before:
            log.warning("clock stepped steps=%d", self.timebase.steps)
        self.clock_ok = self._clocks.synchronised()

    def _stamp(self, messages: list[Message], steady_us: int) -> list[Message]:
        self._held += messages
        if not self.timebase.is_set(steady_us):
            over = len(self._held) - HELD_BEFORE_CLOCK
            if over > 0:
                self.dropped += over
                del self._held[:over]
            return []
        out = [
            shifted(message, self.timebase.offset_us, clock_ok=self.clock_ok)
            for message in self._held
        ]
        self._held.clear()
        return out


def shifted(message: Message, by_us: int, *, clock_ok: bool) -> Message:
    """The message with all its times moved."""
    demand = message.demand_t_us
    return replace(
        message,
        t0_us=message.t0_us + by_us,
        stroke_t_us=message.stroke_t_us + by_us,
        demand_t_us=None if demand is None else demand + by_us,
        clock_ok=clock_ok,
    )


class Node:
    """Everything together; `run` until asked to stop."""

    def __init__(
        self,
        settings: Settings,
        inputs: Inputs,
        outbox: Outbox,
        password: str | None = None,
        clocks: Clocks | None = None,
    ) -> None:
        self._settings = settings
        self._inputs = inputs
        self._outbox = outbox
        self._clocks = clocks or Clocks()
        self.boot = secrets.randbits(32)
        self.reader = Reader(settings, inputs, self.boot, self._clocks)
        self._link = Link(settings.broker, self.status(), password, self._clocks.wall)
        rules = Rules(settings.outbox.back_fill, settings.outbox.back_fill_per_s)
        self._publisher = Publisher(settings.site, outbox, self._link, rules)
        self._unkept: list[Message] = []

    def status(self, *, online: bool = True) -> NodeStatus:
        """What the node says of itself now."""
        reader = self.reader
        publisher = getattr(self, "_publisher", None)
        return NodeStatus(
            site=self._settings.site,
            node=self._settings.id,
            online=online,
            ts=self._clocks.wall(),
            boot=self.boot,
            pumps=self._inputs.pumps,
            dropped_messages=self._outbox.dropped + reader.dropped,
            failed_reads=reader.failed_reads,
            waiting_messages=self._outbox.waiting,
            clock_ok=reader.clock_ok,
            version=own_version(),
            clock_steps=reader.timebase.steps,
            lost=publisher.lost if publisher is not None else (),
            refused_messages=publisher.refused if publisher is not None else 0,
            faults=reader.faults,
        )

    def run(self, stop: threading.Event) -> None:
        """Until `stop` is set, or a recording has ended and is sent."""
        self._link.connect()
        watchdog.notify("READY=1")
        log.info(
            "node up site=%s node=%s boot=%d pumps=%s",
            self._settings.site,
            self._settings.id,
            self.boot,
            ",".join(self._inputs.pumps),
        )
        every_s = READ_OWN_TIME_EVERY_S if self._inputs.own_time else READ_EVERY_S
        read_at = status_at = look_at = self._clocks.steady()
        while not stop.is_set() and not self._done():
            now_s = self._clocks.steady()
            if now_s >= look_at:
                self.reader.look_at_clock(round(now_s * 1e6))
                watchdog.notify("WATCHDOG=1")
                look_at = now_s + 1.0
            if now_s >= read_at:
                self.keep(round(now_s * 1e6))
                read_at = max(read_at, self._clocks.steady() - every_s) + every_s
            say = self._publisher.take(self._link.events(0.0), now_s)
            self._publisher.pump(now_s, self._now_us())
            if say or now_s >= status_at:
                self._link.say(self.status())
                status_at = now_s + self._settings.status_s
            self._wait(stop, read_at)
        self.close()

    def _wait(self, stop: threading.Event, until_s: float) -> None:
        """Until the next read, or until the link has news that may make room."""
        rest_s = until_s - self._clocks.steady()
        if rest_s <= 0 or stop.is_set():
            return
        now_s = self._clocks.steady()
        if self._publisher.take(self._link.events(rest_s), now_s):
            self._link.say(self.status())

    def keep(self, steady_us: int) -> None:
        """Read, and put what is complete into the outbox; what it cannot take waits in memory."""
        if self._inputs.own_time and self._outbox.waiting > BACK_PRESSURE:
            return
        self._unkept += self.reader.read(steady_us)
        letters = [(m.pump, m.boot, m.seq, m.t0_us, encode_cbor(m)) for m in self._unkept]
        trusted = self.reader.clock_ok or self._inputs.own_time
        try:
            self._outbox.add(letters, self._now_us() if trusted else None)
        except OutboxError as problem:
            log.error("outbox refused reason=%s kept=%d", problem, len(self._unkept))  # noqa: TRY400  # said in full
            over = len(self._unkept) - HELD_BEFORE_CLOCK
            if over > 0:
                self.reader.dropped += over
                del self._unkept[:over]
            return
        self._unkept.clear()

    def _now_us(self) -> int:
        if self._inputs.own_time:
            return self.reader.newest_us
        return round(self._clocks.wall() * 1e6)

    def _done(self) -> bool:
        return self._inputs.finished and not self._outbox.waiting

    def close(self) -> None:
        """Say goodbye; what has no receipt stays in the outbox for the next start."""
        watchdog.notify("STOPPING=1")
        self._publisher.take(self._link.events(0.0), self._clocks.steady())
        self._link.close(self.status(online=False))
        self._publisher.take(self._link.events(0.0), self._clocks.steady())
        self._inputs.close()
        self._outbox.close(None)
        log.info("node down waiting=%d dropped=%d", self._outbox.waiting, self._outbox.dropped)


def own_version() -> str:
    """The installed version, empty when run from a plain folder."""
    try:
        return version("strokewise")
    except PackageNotFoundError:
        return ""


def open_outbox(settings: Settings) -> Outbox:
    """The outbox in the data folder. Raises OutboxError."""
    box = settings.outbox
    bounds = Bounds(box.max_mb * 1_000_000, box.max_age_days * 86_400.0, box.keep_sent)
    return Outbox(Path(settings.data_dir) / "outbox.db", bounds)


def open_node(settings: Settings, clocks: Clocks | None = None) -> Node:
    """A node ready to run. Raises SourceError, SecretError, OutboxError or BadSettings."""
    password = read_password(settings.broker.password_file, settings.broker.password_env)
    outbox = open_outbox(settings)
    return Node(settings, open_inputs(settings), outbox, password, clocks)
