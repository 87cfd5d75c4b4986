"""Looks at what a node needs: sensors, clock, disk, broker; each finding a line a tech can read."""

import shutil
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from time import sleep

from edge import clock
from edge.errors import OutboxError, SecretError, SourceError
from edge.link import Link
from edge.node import Clocks, open_outbox, own_version
from edge.secret import read_password
from edge.settings import Node
from edge.sources.members import by_device
from edge.sources.source import Reading
from edge.timebase import EARLIEST_US
from monitor.wire import NodeStatus

FREE_BYTES = 500_000_000
"""Chosen: an hour of logs and a software update still fit."""
PA_PER_PSI = 6894.757293168
ZERO_SHARE = 0.01
"""Of full scale: the accuracy of a common transducer; more at a vented line is worth a zero_pa."""
LISTEN_S = 2.0
CONNECT_S = 10.0


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing looked at: well or not, and in words what was seen and what to do."""

    well: bool
    about: str
    words: str


def check_sensors(settings: Node, wait: Callable[[float], object] = sleep) -> Iterator[Finding]:
    """Open each device, read it for two seconds, say what each pump shows."""
    for kind, channels in by_device(settings.channels()):
        device = " ".join(str(part) for part in channels[0].settings.device)
        try:
            source = kind.open_source(channels)
        except (SourceError, OSError) as problem:
            yield Finding(False, device, f"cannot be opened: {problem}")
            continue
        if hasattr(source, "start"):
            source.start()
        wait(LISTEN_S)
        readings = source.read(round(clock.steady_s() * 1e6))
        if hasattr(source, "close"):
            source.close()
        for channel in channels:
            reading = readings.get(channel.pump)
            yield _seen(channel.pump, channel.role, reading, settings.full_scale_pa)


def _seen(pump: str, role: str, reading: Reading | None, full_scale_pa: float) -> Finding:
    about = f"{pump} {role}"
    if reading is None:
        return Finding(role in ("strokes", "demand"), about, "nothing came in two seconds")
    faults = "; ".join(f for f in reading.faults if f.startswith(f"{role}:"))
    if role == "pressure":
        return _pressure(about, reading, faults, full_scale_pa)
    if role == "air":
        if reading.air_pa is None:
            return Finding(False, about, faults or "no reading")
        return Finding(True, about, f"{reading.air_pa / PA_PER_PSI:.1f} psi")
    if role == "strokes":
        total = reading.strokes[-1][1] if reading.strokes else 0
        return Finding(not faults, about, faults or f"{total} strokes since the start")
    on = {True: "on", False: "off", None: "no change seen"}
    state = reading.demand[-1][1] if reading.demand else None
    return Finding(not faults, about, faults or on[state])


def _pressure(about: str, reading: Reading, faults: str, full_scale_pa: float) -> Finding:
    samples = reading.pressure_pa
    good = samples[samples == samples] if samples is not None else None
    if samples is None or good is None or not len(good):
        return Finding(False, about, faults or "every read failed")
    mean_pa, swing_pa = float(good.mean()), float(good.max() - good.min())
    words = (
        f"{mean_pa / PA_PER_PSI:.1f} psi, swing {swing_pa / PA_PER_PSI:.2f} psi, "
        f"{len(samples)} reads, {len(samples) - len(good)} failed"
    )
    if faults:
        words += f"; {faults}"
    elif ZERO_SHARE * full_scale_pa < abs(mean_pa) < 5 * ZERO_SHARE * full_scale_pa:
        words += f"; if the line is vented now, set zero_pa = {mean_pa:.0f}"
    return Finding(len(good) * 2 >= len(samples), about, words)


def check_clock(clocks: Clocks) -> Finding:
    """Whether samples get true times."""
    if clocks.wall() * 1e6 < EARLIEST_US:
        words = "was never set; samples are held in memory until it is (NTP, or date --set)"
        return Finding(False, "clock", words)
    if not clocks.synchronised():
        words = "runs free; start a time service (systemd-timesyncd, chrony)"
        return Finding(False, "clock", words)
    return Finding(True, "clock", "synchronised")


def check_disk(settings: Node) -> Finding:
    """Whether the outbox can take what its bounds allow."""
    try:
        outbox = open_outbox(settings)
    except OutboxError as problem:
        return Finding(False, "outbox", str(problem))
    waiting, kept, size = outbox.waiting, outbox.kept, outbox.size_bytes
    dropped = outbox.dropped
    outbox.close(None)
    free = shutil.disk_usage(settings.data_dir).free
    words = (
        f"{waiting} waiting, {kept} kept for questions, {dropped} dropped in its life, "
        f"{free / 1e9:.1f} GB free (SQLite {sqlite3.sqlite_version})"
    )
    need = settings.outbox.max_mb * 1_000_000 - size + FREE_BYTES
    if free < need:
        return Finding(False, "outbox", f"{words}; free some disk or lower outbox.max_mb")
    return Finding(True, "outbox", words)


def check_broker(settings: Node) -> Finding:
    """Whether the broker is reached and takes the node for what it says."""
    broker = settings.broker
    about = f"broker {broker.url}"
    try:
        password = read_password(broker.password_file, broker.password_env)
    except SecretError as problem:
        return Finding(False, about, str(problem))
    status = NodeStatus(
        settings.site, settings.id + "-doctor", online=False, ts=0.0, version=own_version()
    )
    try:
        link = Link(broker, status, password)
    except (OSError, ValueError) as problem:
        return Finding(False, about, f"ca_file {broker.ca_file}: {problem}")
    link.connect()
    seen = link.events(CONNECT_S)
    link.abort()
    if not seen:
        return Finding(False, about, f"no answer in {CONNECT_S:.0f} s; network, firewall, address?")
    return Finding(seen[0].kind == "up", about, f"{seen[0].kind}: {seen[0].text}")


def examine(settings: Node, clocks: Clocks) -> Iterator[Finding]:
    """All of it, the quickest first."""
    yield check_clock(clocks)
    yield check_disk(settings)
    yield from check_sensors(settings)
    yield check_broker(settings)
