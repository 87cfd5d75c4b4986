"""What the machine can do, as ratios measured side by side in one run.

Absolute figures are this machine's and this hour's; a ratio to the bare operation measured
between the same two ticks is what can be compared. CPU seconds are the process's own (user and
system), so that other work on the machine disturbs them least.
"""

import copy
import gc
import multiprocessing
import os
import statistics
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from itertools import groupby
from operator import attrgetter
from pathlib import Path
from typing import Any

import numpy as np
import paho.mqtt.client as mqtt
import pyarrow as pa
import pyarrow.csv as pacsv
import pyarrow.parquet as pq
from paho.mqtt.enums import CallbackAPIVersion

from monitor import wire
from monitor.alarms.grouping import Family
from monitor.alarms.machine import AlarmMachine
from monitor.alarms.policy import default_policy
from monitor.detectors.joint import Fitter, ForestJob, Job, Model, Ticket, fit_at_once
from monitor.detectors.watch import SiteWatch
from monitor.errors import StrokewiseError
from monitor.intake.blocks import StreamAssembler, in_blocks
from monitor.intake.desk import Desk, Hooks
from monitor.intake.intake import BrokerAddress, Intake
from monitor.service import bench_load as load
from monitor.service.fits import Fits
from monitor.service.replay import Replay
from monitor.signals.types import Episode
from monitor.site import Site
from monitor.store.embedded import EmbeddedStore
from monitor.wire import Message

WARM_SECONDS = 3
TOPICS = f"{wire.TOPIC_ROOT}/+/+/data"
PATIENCE_S = 120.0
MODELLED = 0.95
"""Pumps that must have a model; of invented pasts some look like a fault that stands."""


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table: our figure, the bare operation's, and how they compare."""

    what: str
    ours: str
    bare: str = ""
    ratio: float | None = None


@dataclass(frozen=True, slots=True)
class Parts:
    """CPU microseconds a message of each part, the memory it took, and the CPU seconds in which
    the watches learnt their past again, at one size."""

    pumps: int
    decode_us: float
    store_us: float
    assemble_us: float
    watch_us: float
    alarms_us: float
    fold_us: float
    memory_mb: float
    learn_s: float

    @property
    def total_us(self) -> float:
        """All parts together."""
        parts = (self.decode_us, self.store_us, self.assemble_us, self.watch_us)
        return sum(parts) + self.alarms_us + self.fold_us

    @property
    def cores(self) -> float:
        """Cores that one message a second and pump keep busy."""
        return self.total_us * self.pumps / 1e6


class OneFit:
    """A fitter for a fleet of like pumps: one model is fitted, in a passing process as a service
    does it, and every pump gets a copy of its own; two thousand fits would take minutes."""

    def __init__(self) -> None:
        self._first: Model | None = None
        self.pumps = 0

    def __call__(self, job: Job) -> Ticket:
        """A copy of the first pump's model."""
        if isinstance(job, ForestJob):
            return Ticket(done=True, answer=())
        if self._first is None:
            self._first = self._fit(job)
        self.pumps += 1
        return Ticket(done=True, answer=copy.deepcopy(self._first))

    def _fit(self, job: Job) -> Model:
        fits, waiting = Fits(linger_s=0.0), threading.Event()
        try:
            ticket = fits.take(job)
            for _ in range(int(PATIENCE_S / 0.05)):
                if ticket is None or ticket.done:
                    break
                waiting.wait(0.05)
        finally:
            fits.close()
        if ticket is None or not isinstance(ticket.answer, Model):
            raise StrokewiseError("no model could be fitted; see the log")
        return ticket.answer


class Judge:
    """The way from stored messages to alarms, without a service around it."""

    def __init__(self, sites: list[Site], fitter: Fitter = fit_at_once) -> None:
        self.watches = {s.id: SiteWatch(s, fitter) for s in sites}
        self.machines = {
            s.id: AlarmMachine(default_policy, site=s.id, family=Family.of(s)) for s in sites
        }
        self.streams = {s.id: {p.id: StreamAssembler(p.sensors) for p in s.pumps} for s in sites}

    def live_through(self, past: Callable[[int], list[Episode]]) -> None:
        """Every pump's last hours: usual values known, baselines full, models fitted."""
        for watch in self.watches.values():
            for pump_id, one in watch.pumps.items():
                one.relive(past(int(pump_id[1:])))

    def judge(self, messages: list[Message], now_ts: float) -> tuple[float, float, float]:
        """(assemble, watch, alarms) in CPU seconds."""
        began = time.process_time()
        blocks = [
            (site, pump, block)
            for site, own in groupby(messages, attrgetter("site"))
            for pump, block in in_blocks(own, self.streams[site].__getitem__)
        ]
        assembled = time.process_time()
        found: dict[str, list[Any]] = {site: [] for site in self.machines}
        for site, pump, block in blocks:
            found[site] += self.watches[site].push(pump, block).findings
        watched = time.process_time()
        for site, machine in self.machines.items():
            machine.update(found[site], now_ts)
        return assembled - began, watched - assembled, time.process_time() - watched


def memory_mb() -> float:
    """Resident memory of this process now (Linux; elsewhere 0)."""
    try:
        pages = int(Path("/proc/self/statm").read_text(encoding="ascii").split()[1])
    except (OSError, ValueError):
        return 0.0
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


def parts(pumps: int, seconds: int, folder: Path) -> Parts:
    """Decode, store, judge so many seconds of so many pumps; the median second counts.

    Every pump has hours behind it and a fitted model, as after days of service.
    """
    sites = load.sites(pumps)
    store = EmbeddedStore(folder)
    desk = Desk(store, sites, Hooks(lambda _m: None, lambda _s: None))
    fitter = OneFit()
    judge = Judge(sites, fitter)
    load.past(0)
    began = time.process_time()
    judge.live_through(load.past)
    learn_s = time.process_time() - began
    if fitter.pumps < MODELLED * pumps:
        raise StrokewiseError(f"only {fitter.pumps} of {pumps} pumps have a model")
    spent: list[tuple[float, ...]] = []
    for second in range(seconds + WARM_SECONDS):
        batch, now_ts = load.payloads(pumps, second), load.T0_S + second + 1.0
        gc.collect()
        began = time.process_time()
        decoded = [wire.decode(raw.topic, raw.payload) for raw in batch]
        middle = time.process_time()
        store.append(decoded)
        desk.asking.seen(decoded, now_ts)
        stored = time.process_time()
        judged = judge.judge(decoded, now_ts)
        before = time.process_time()
        store.tend(now_ts)
        folded = time.process_time()
        if second >= WARM_SECONDS:
            spent.append((middle - began, stored - middle, *judged, folded - before))
    memory = memory_mb()
    store.close()
    # Judging and the fold come in bursts: there only the mean is honest.
    decode, kept, assemble = (
        statistics.median(s[i] for s in spent) / pumps * 1e6 for i in range(3)
    )
    watch, alarms, fold = (statistics.fmean(s[i] for s in spent) / pumps * 1e6 for i in range(3, 6))
    return Parts(pumps, decode, kept, assemble, watch, alarms, fold, memory, learn_s)


def parts_apart(pumps: int, seconds: int, folder: Path) -> Parts:
    """`parts` in a process of its own, so that memory is its own."""
    with ProcessPoolExecutor(1, multiprocessing.get_context("spawn")) as pool:
        return pool.submit(parts, pumps, seconds, folder).result()


# -------------------------------------------------------------------- store


def store_rows(folder: Path, pumps: int, commits: int) -> Row:
    """A durable commit of one second of all pumps against append + fdatasync of as many bytes."""
    store = EmbeddedStore(folder)
    raw = os.open(folder / "bare.bin", os.O_WRONLY | os.O_CREAT | os.O_APPEND, 0o600)
    ours, bare = [], []
    try:
        for second in range(commits):
            batch = [load.message(i, second) for i in range(pumps)]
            body = b"".join(wire.encode_cbor(m) for m in batch)
            began = time.perf_counter()
            store.append(batch)
            middle = time.perf_counter()
            os.write(raw, body)
            os.fdatasync(raw)
            bare.append(time.perf_counter() - middle)
            ours.append(middle - began)
    finally:
        os.close(raw)
        store.close()
    a, b = statistics.median(ours), statistics.median(bare)
    return Row(
        f"store: durable commit of {pumps} messages",
        f"{1e3 * a:.2f} ms",
        f"append + fdatasync {1e3 * b:.2f} ms",
        b / a,
    )


# -------------------------------------------------------------------- signals and detectors


def watch_rows(hours: float, rounds: int = 3) -> list[Row]:
    """Pump-seconds a CPU second, in ten-minute blocks, against one numpy pass."""
    blocks = list(load.day(hours))
    pump_s = len(blocks) * load.LENGTH_S
    ours, bare = [], []
    for _ in range(rounds):
        watch = SiteWatch(Site(id="s0", pumps=(load.sites(1)[0].pumps[0],)))
        began = time.process_time()
        for block in blocks:
            watch.push("p0", block)
        middle = time.process_time()
        for block in blocks:
            seconds = block.pressure_pa.reshape(-1, load.RATE_HZ)
            seconds.min(1), seconds.mean(1), seconds.max(1)
        bare.append(time.process_time() - middle)
        ours.append(middle - began)
    a, b = statistics.median(ours), max(statistics.median(bare), 1e-6)
    return [
        Row(
            "signals + detectors, 10-minute blocks",
            f"{pump_s / a:,.0f} pump-s per CPU s ({1e6 * a / pump_s:.1f} us each)",
            f"numpy min, mean, max: {pump_s / b:,.0f}",
            b / a,
        )
    ]


# -------------------------------------------------------------------- replay


def write_day(path: Path, hours: float) -> None:
    """A pump-day as a recording, CSV or Parquet by the name."""
    blocks = list(load.day(hours))
    time_s = np.concatenate(
        [b.t0_ts + np.arange(len(b.pressure_pa)) / load.RATE_HZ for b in blocks]
    )
    strokes = np.concatenate([b.stroke_ts for b in blocks])
    table = pa.table(
        {
            "time": np.round(time_s, 3),
            "pump": pa.array(["p0"]).take(pa.array(np.zeros(len(time_s), np.int8))),
            "pressure_pa": np.round(np.concatenate([b.pressure_pa for b in blocks]), 0),
            "strokes": np.searchsorted(strokes, time_s, "right"),
        }
    )
    if path.suffix == ".csv":
        pacsv.write_csv(table, path)
    else:
        pq.write_table(table, path)


def replay_rows(folder: Path, hours: float, rounds: int = 3) -> Iterator[Row]:
    """A pump-day from file to alarms, against only reading the file with pyarrow."""
    site = Site(id="s0", pumps=(load.sites(1)[0].pumps[0],))
    readers: dict[str, Callable[[Path], Any]] = {"parquet": pq.read_table, "csv": pacsv.read_csv}
    for suffix, read in readers.items():
        path = folder / f"day.{suffix}"
        write_day(path, hours)
        ours, bare = [], []
        for _ in range(rounds):
            began = time.process_time()
            for _share in Replay(site).files([path]):
                pass
            middle = time.process_time()
            read(path)
            bare.append(time.process_time() - middle)
            ours.append(middle - began)
        a, b = statistics.median(ours), max(statistics.median(bare), 1e-6)
        yield Row(
            f"replay of {hours:.0f} pump-hours, {suffix}",
            f"{a:.2f} CPU s (a pump-year {a / hours * 24 * 365 / 60:.1f} min)",
            f"pyarrow reads it in {b:.2f} s",
            b / a,
        )


# -------------------------------------------------------------------- broker to alarms


def publish(url_port: int, pumps: int, seconds: int) -> None:
    """All messages at once, QoS 1; runs in a process of its own."""
    ready = [(r.topic, r.payload) for s in range(seconds) for r in load.payloads(pumps, s)]
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.max_inflight_messages_set(1000)
    client.max_queued_messages_set(0)
    client.connect("127.0.0.1", url_port)
    client.loop_start()
    last = None
    for topic, payload in ready:
        last = client.publish(topic, payload, qos=1)
    if last is not None:
        last.wait_for_publish(PATIENCE_S)
    client.disconnect()
    client.loop_stop()


def _received(port: int, pumps: int, seconds: int, count: Callable[[], int]) -> tuple[float, float]:
    """(wall s from the first to the last message, CPU s) of the subscriber in this process."""
    child = multiprocessing.get_context("spawn").Process(
        target=publish, args=(port, pumps, seconds), daemon=True
    )
    child.start()
    waiting, total = threading.Event(), pumps * seconds
    give_up = time.perf_counter() + PATIENCE_S
    while count() == 0 and time.perf_counter() < give_up:
        waiting.wait(0.001)
    began, cpu = time.perf_counter(), time.process_time()
    while count() < total and time.perf_counter() < give_up:
        waiting.wait(0.005)
    if count() < total:
        raise StrokewiseError(f"only {count()} of {total} messages came; the machine is too busy")
    spent = time.perf_counter() - began, time.process_time() - cpu
    child.join(10)
    return spent


def bare_subscriber(port: int, pumps: int, seconds: int) -> tuple[float, float]:
    """paho that counts and discards."""
    got = [0]
    client = mqtt.Client(CallbackAPIVersion.VERSION2)

    def on_message(*_told: object) -> None:
        got[0] += 1

    client.on_message = on_message
    client.on_connect = lambda c, *_told: c.subscribe(TOPICS, 1)
    ready = threading.Event()
    client.on_subscribe = lambda *_told: ready.set()
    client.connect("127.0.0.1", port)
    client.loop_start()
    ready.wait(10)
    try:
        return _received(port, pumps, seconds, lambda: got[0])
    finally:
        client.disconnect()
        client.loop_stop()


def our_subscriber(port: int, pumps: int, seconds: int, folder: Path) -> tuple[float, float]:
    """Intake, store, signals, detectors and alarms."""
    sites = load.sites(pumps)
    store = EmbeddedStore(folder)
    judge, judged = Judge(sites), [0]

    def on_stored(messages: list[Message]) -> None:
        judge.judge(messages, messages[-1].end_us / 1e6)
        judged[0] += len(messages)

    desk = Desk(store, sites, Hooks(on_stored, lambda _s: None))
    intake = Intake(
        BrokerAddress(f"mqtt://127.0.0.1:{port}", client_id=f"bench-{folder.name}"),
        desk, lambda: load.T0_S + float(seconds),
    )  # fmt: skip
    intake.start()
    waiting = threading.Event()
    for _ in range(200):
        if intake.state().connected:
            break
        waiting.wait(0.05)
    waiting.wait(0.3)  # the subscription's receipt is not told outside
    try:
        return _received(port, pumps, seconds, lambda: judged[0])
    finally:
        intake.stop()
        store.close()


def chain_rows(port: int, folder: Path, pumps: int, seconds: int, rounds: int) -> list[Row]:
    """From the broker to the alarm machine against a subscriber that discards, turn and turn.

    Each ratio is the median of the rounds' own: what else the machine does drifts from minute to
    minute, and both sides of one round see the same of it.
    """
    ours, bare = [], []
    for number in range(rounds):
        bare.append(bare_subscriber(port, pumps, seconds))
        ours.append(our_subscriber(port, pumps, seconds, folder / f"chain{number}"))
    total = pumps * seconds
    wall = [statistics.median(x[0] for x in side) for side in (ours, bare)]
    cpu = [statistics.median(x[1] for x in side) for side in (ours, bare)]
    ratios = [[b[i] / a[i] for a, b in zip(ours, bare, strict=True)] for i in range(2)]
    return [
        Row(
            "broker to alarms, flat out, messages/s",
            f"{total / wall[0]:,.0f}",
            f"paho that discards {total / wall[1]:,.0f}",
            statistics.median(ratios[0]),
        ),
        Row(
            "broker to alarms, CPU a message",
            f"{1e6 * cpu[0] / total:.0f} us ({2000 * cpu[0] / total:.2f} cores for 2,000 pumps)",
            f"paho that discards {1e6 * cpu[1] / total:.0f} us",
            statistics.median(ratios[1]),
        ),
    ]
