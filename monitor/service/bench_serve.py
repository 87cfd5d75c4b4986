"""The service as a program, measured from outside: start, memory, pages, seconds to judgement."""

import gzip
import os
import statistics
import subprocess
import sys
import threading
import time
import urllib.request
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from monitor.clock import now_ts
from monitor.errors import StrokewiseError
from monitor.intake.desk import Raw
from monitor.service import bench_load as load
from monitor.service.bench import Row
from monitor.service.broker import free_port
from monitor.service.stores import open_folder
from monitor.store import levels
from monitor.store.embedded import EmbeddedStore
from monitor.store.episodes import EpisodeBook
from monitor.store.rollups import Rollups
from monitor.store.state import StateBook

DAY_S = 86_400
DAYS = 365
FIRST_PAGE_S = 60.0
PUMP_TOML = '[[pumps]]\nid = "{}"\n'
SERVICE_TOML = """
sites = [{sites}]
[broker]
url = "{broker}"
[web]
port = {port}
open_to_local = true
"""


class Served:
    """`strokewise serve` over so many pumps in a folder of its own."""

    def __init__(self, folder: Path, pumps: int, broker_url: str = "embedded") -> None:
        self.folder, self.port = folder, free_port()
        folder.mkdir(parents=True, exist_ok=True)
        names = []
        for site in load.sites(pumps):
            text = f'[site]\nid = "{site.id}"\n' + "".join(
                PUMP_TOML.format(p.id) for p in site.pumps
            )
            (folder / f"{site.id}.toml").write_text(text, encoding="utf-8")
            names.append(f'"{site.id}.toml"')
        text = SERVICE_TOML.format(sites=", ".join(names), broker=broker_url, port=self.port)
        (folder / "strokewise.toml").write_text(text, encoding="utf-8")
        self._child: subprocess.Popen[bytes] | None = None

    def start(self) -> float:
        """Seconds from the command to the first page."""
        log = (self.folder / "serve.log").open("ab")
        words = [sys.executable, "-m", "monitor.cli.main", "serve", "strokewise.toml"]
        began = time.perf_counter()
        with log:
            self._child = subprocess.Popen(  # noqa: S603 - our own program and settings
                words, cwd=self.folder, stdout=log, stderr=log
            )
        waiting = threading.Event()
        while time.perf_counter() - began < FIRST_PAGE_S and self._child.poll() is None:
            try:
                self.get("/")
            except OSError:
                waiting.wait(0.02)
            else:
                return time.perf_counter() - began
        self.stop()
        raise StrokewiseError(f"the service did not start; see {self.folder / 'serve.log'}")

    def get(self, path: str) -> bytes:
        """A page's bytes. Raises OSError."""
        url = f"http://127.0.0.1:{self.port}{path}"
        with urllib.request.urlopen(url, timeout=30) as answer:
            body: bytes = answer.read()
        return body

    def memory_mb(self) -> float:
        """Resident memory of the child (Linux)."""
        if self._child is None:
            return 0.0
        pages = Path(f"/proc/{self._child.pid}/statm").read_text(encoding="ascii").split()[1]
        return int(pages) * os.sysconf("SC_PAGE_SIZE") / 1e6

    def cpu_s(self) -> float:
        """CPU seconds of the child so far (Linux)."""
        if self._child is None:
            return 0.0
        text = Path(f"/proc/{self._child.pid}/stat").read_text(encoding="ascii")
        user, system = text.rsplit(")", 1)[1].split()[11:13]
        return (int(user) + int(system)) / os.sysconf("SC_CLK_TCK")

    def metric(self, name: str) -> float:
        """A figure of /metrics; 0 when it is not there."""
        for line in self.get("/metrics").decode().splitlines():
            if line.startswith(name + " "):
                return float(line.rsplit(" ", 1)[1])
        return 0.0

    def stop(self) -> None:
        """End the child."""
        child, self._child = self._child, None
        if child is None:
            return
        child.terminate()
        try:
            child.wait(20)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait(5)


def fill_year(folder: Path, end_day: int) -> None:
    """A year of minutes and hours of pump p0, as the nights would have sealed them."""
    rng = np.random.default_rng(1)
    store = EmbeddedStore(folder)
    store.append([load.message(0, (end_day - 1) * DAY_S - load.T0_S)])
    rollups = Rollups(store.core)
    sid = store.core.rows("SELECT min(id) FROM series")[0][0]
    for day in range(end_day - DAYS, end_day):
        mean = 390e3 + rng.normal(0, 2e3, 1440)
        rows = levels.Rows(
            day * 1440 + np.arange(1440),
            np.full(1440, 1200),
            mean - rng.random(1440) * 1e5,
            mean,
            mean + rng.random(1440) * 1e4,
            rng.poisson(6, 1440),
            np.full(1440, np.nan),
            np.full(1440, np.nan),
        )
        with store.core.write() as db:
            rollups.put_minutes(db, [(sid, rows)])
            rollups.seal(db, sid, day, None)
    store.close()


def serve_rows(folder: Path, pumps: int = 20) -> list[Row]:
    """Start to first page, memory, and a pump's page over a year."""
    served = Served(folder, pumps)
    fill_year(folder / "data", int(now_ts() // DAY_S))
    start_s = served.start()
    start_cpu_s = served.cpu_s()
    try:
        took, body = [], b""
        for _ in range(7):
            began = time.perf_counter()
            body = served.get("/site/s0/pump/p0?last=1y")
            took.append(time.perf_counter() - began)
        memory = served.memory_mb()
    finally:
        served.stop()
    return [
        Row(
            "start to first page",
            f"{start_s:.1f} s wall, {start_cpu_s:.1f} s CPU",
            "goal 3 s",
            3 / start_s,
        ),
        Row(
            "page of a pump over a year",
            f"{1e3 * statistics.median(took):.0f} ms, {len(gzip.compress(body)) / 1e3:.1f} kB gz",
            "goal 300 ms, 25 kB",
            0.3 / statistics.median(took),
        ),
        Row(f"memory of the service, {pumps} pumps", f"{memory:.0f} MB", "goal 150 MB"),
    ]


def fill_past(folder: Path, pumps: int, raw_s: int = 60) -> None:
    """Each pump's last hours as a service would have left them: episodes, a watermark now, and
    the last minute of raw samples."""
    end_ts = int(now_ts())
    store = open_folder(folder, read_only=False)
    episodes, states = EpisodeBook(store.core), StateBook(store.core)
    for site in load.sites(pumps):
        with store.core.write():
            for pump in site.pumps:
                episodes.add(site.id, *load.past(int(pump.id[1:]), end_ts - raw_s))
            states.save((f"judged/{site.id}/{p.id}", float(end_ts), None) for p in site.pumps)
    for second in range(end_ts - raw_s - load.T0_S, end_ts - load.T0_S):
        store.append([load.message(i, second) for i in range(pumps)])
    store.close()


def waking_rows(folder: Path, broker_url: str, pumps: int) -> list[Row]:
    """A start over pumps with a past: pages, the first that is judged, and all learnt again."""
    served = Served(folder, pumps, broker_url)
    fill_past(folder / "data", pumps)
    began = time.perf_counter()
    page_s = served.start()
    try:
        _connected(served)
        connected_s = time.perf_counter() - began
        waiting = threading.Event()
        while served.metric("strokewise_pumps_to_learn"):
            waiting.wait(0.2)
        learnt_s, cpu_s = time.perf_counter() - began, served.cpu_s()
    finally:
        served.stop()
    return [
        Row(
            f"start over {pumps} pumps with a past",
            f"page {page_s:.1f} s, intake {connected_s:.1f} s, "
            f"all learnt {learnt_s:.0f} s ({1e3 * cpu_s / pumps:.0f} ms of CPU a pump)",
            "judged pump by pump meanwhile",
        )
    ]


class Watcher(threading.Thread):
    """Notes when how many messages were judged, by the service's own figures."""

    def __init__(self, served: Served) -> None:
        super().__init__(daemon=True)
        self._served = served
        self.ended = threading.Event()
        self.seen: list[tuple[float, float]] = []

    def run(self) -> None:
        """Until `ended` is set."""
        while not self.ended.wait(0.05):
            judged = self._served.metric("strokewise_judged_messages_total")
            self.seen.append((time.perf_counter(), judged))

    def when(self, count: float) -> float | None:
        """The first time at which so many were judged."""
        return next((at for at, judged in self.seen if judged >= count), None)


@dataclass(frozen=True, slots=True)
class Live:
    """The whole service in real time, one message a second and pump, at one size.

    lags: from a second's last message handed to the broker until all of it was judged.
    """

    pumps: int
    start_s: float
    cores: float
    memory_mb: float
    lag_p50_s: float
    lag_p99_s: float
    seen: int
    seconds: int

    def rows(self) -> list[Row]:
        """For the table."""
        return [
            Row(
                f"the whole service live, {self.pumps} pumps",
                f"{self.cores:.2f} cores, {self.memory_mb:.0f} MB",
                "goal 1.5 cores for 2,000, 1 GB",
            ),
            Row(
                f"a second's last message sent to all judged, {self.pumps} pumps",
                f"p50 {self.lag_p50_s:.2f} s, p99 {self.lag_p99_s:.2f} s "
                f"({self.seen} of {self.seconds} seconds)",
                "goal under 2 s",
            ),
        ]


def live(broker_url: str, folder: Path, pumps: int, seconds: int) -> Live:
    """Run `strokewise serve` over so many pumps for so many seconds."""
    served = Served(folder, pumps, broker_url)
    start_s = served.start()
    watcher = Watcher(served)
    try:
        _connected(served)
        first_s = int(now_ts()) - load.T0_S
        batches = [load.payloads(pumps, first_s + k) for k in range(seconds)]
        watcher.start()
        cpu_s, began = served.cpu_s(), time.perf_counter()
        sent = _in_real_time(broker_url, batches)
        spent_s, wall_s = served.cpu_s() - cpu_s, time.perf_counter() - began
        for _ in range(100):
            if watcher.when(seconds * pumps) is not None:
                break
            watcher.ended.wait(0.1)
        memory = served.memory_mb()
    finally:
        watcher.ended.set()
        served.stop()
    seen = [watcher.when((k + 1) * pumps) for k in range(seconds)]
    lags = [at - sent[k] for k, at in enumerate(seen) if at is not None]
    low, high = np.quantile(lags, (0.5, 0.99)).tolist() if lags else (np.inf, np.inf)
    return Live(pumps, start_s, spent_s / wall_s, memory, low, high, len(lags), seconds)


def _connected(served: Served) -> None:
    waiting = threading.Event()
    for _ in range(400):
        if served.metric("strokewise_intake_connected"):
            return
        waiting.wait(0.05)
    raise StrokewiseError(f"the service found no broker; see {served.folder / 'serve.log'}")


def _in_real_time(broker_url: str, batches: list[list[Raw]]) -> list[float]:
    """Publish a batch a second; when the last message of each was handed over."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.max_inflight_messages_set(4000)
    client.max_queued_messages_set(0)
    host, port = broker_url.removeprefix("mqtt://").split(":")
    client.connect(host, int(port))
    client.loop_start()
    waiting, sent = threading.Event(), []
    began = time.perf_counter()
    for k, batch in enumerate(batches):
        told = [client.publish(raw.topic, raw.payload, qos=1) for raw in batch]
        told[-1].wait_for_publish(30)
        sent.append(time.perf_counter())
        waiting.wait(max(0.0, k + 1 - (time.perf_counter() - began)))
    client.disconnect()
    client.loop_stop()
    return sent
