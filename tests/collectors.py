"""Two collectors that share six sites over one mosquitto, every part a real process.

As a program (`python tests/collectors.py [--influx]`) it is the set-up to try by hand: it starts
mosquitto, with --influx also InfluxDB behind its rewrite, two `strokewise serve` and a publisher,
prints the pages and the process numbers to kill or freeze, and says every second which collector
has which site and how many messages were judged; Ctrl-C ends it all.
"""

import contextlib
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from collections.abc import Callable, Sequence
from pathlib import Path

import apsw
import numpy as np
import paho.mqtt.client as mqtt
from influx_server import PATH, TOKEN, InfluxServerProcess
from paho.mqtt.enums import CallbackAPIVersion

from monitor import wire
from monitor.service.stores import open_folder
from monitor.wire import Message

SITES = [f"site{k}" for k in range(6)]
EVERY_S = 0.1
BUCKET = "strokewise"
JUDGED = "strokewise_judged_messages_total"
CONNECTED = "strokewise_intake_connected"
SERVICE = """
sites = [{sites}]
[collector]
name = "{name}"
shared = true
[broker]
url = "mqtt://127.0.0.1:{broker}"
[web]
port = {web}
open_to_local = true
"""
INFLUX = """
[store]
kind = "influxdb"
influx_url = "{url}"
influx_token_env = "STROKEWISE_INFLUX_TOKEN"
"""


def wait_for(what: Callable[[], bool], timeout_s: float) -> bool:
    waiting, until = threading.Event(), time.perf_counter() + timeout_s
    while time.perf_counter() < until:
        if what():
            return True
        waiting.wait(0.05)
    return what()


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def accepts(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def free_row(count: int) -> int:
    """The first of so many ports in a row that nobody listens on."""
    while True:
        first = free_port()
        if first + count < 60_000 and not any(accepts(first + k) for k in range(count)):
            return first


def locked(file: Path) -> bool:
    """Does somebody write to this SQLite file right now?"""
    with contextlib.closing(apsw.Connection(str(file))) as db:
        try:
            db.execute("BEGIN IMMEDIATE; ROLLBACK")
        except apsw.BusyError:
            return True
    return False


def metric(port: int, name: str) -> float:
    """A figure of a service's /metrics; -1 when it does not answer."""
    try:
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=5) as answer:
            lines = answer.read().decode().splitlines()
    except OSError:
        return -1.0
    found = [x.rsplit(" ", 1)[1] for x in lines if x.startswith(name + " ")]
    return float(found[0]) if found else -1.0


class Broker:
    """mosquitto with an unbounded queue for who is away."""

    def __init__(self, program: str, folder: Path) -> None:
        self.port = free_port()
        conf = folder / "mosquitto.conf"
        user = "user root\n" if os.geteuid() == 0 else ""
        conf.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 0\n"
            f"max_inflight_messages 2000\n{user}"
        )
        self._child = subprocess.Popen([program, "-c", str(conf)], stderr=subprocess.DEVNULL)
        assert wait_for(lambda: accepts(self.port), 10)

    def stop(self) -> None:
        self._child.terminate()
        self._child.wait()


class Collector:
    """`strokewise serve` as one of several; its sites' pages are on ports from `web` on."""

    def __init__(self, folder: Path, name: str, broker: int, web: int, influx: str = "") -> None:
        self.name, self.web = name, web
        sites = ", ".join(f'"{s}.toml"' for s in SITES)
        file = folder / f"{name}.toml"
        text = SERVICE.format(sites=sites, name=name, broker=broker, web=web)
        file.write_text(text + (INFLUX.format(url=influx) if influx else ""))
        self.log = folder / f"{name}.log"
        with self.log.open("wb") as log:
            self.child = subprocess.Popen(
                [sys.executable, "-m", "monitor.cli.main", "serve", file.name],
                cwd=folder, stdout=log, stderr=log,
                env={**os.environ, "STROKEWISE_INFLUX_TOKEN": TOKEN},
            )  # fmt: skip

    def judged(self, site: str) -> float:
        """Messages of the site judged in this process; -1 where it has not got it."""
        return metric(self.web + SITES.index(site), JUDGED)

    def connected(self, site: str) -> bool:
        """Has it got the site, and the site its session?"""
        return metric(self.web + SITES.index(site), CONNECTED) == 1

    def freeze(self, sites: Sequence[str], *, committing: bool) -> bool:
        """Stop the process while it is (or is not) in a commit to one of these sites' folders.

        False when no such moment came.
        """

        def frozen() -> bool:
            self.child.send_signal(signal.SIGSTOP)
            os.waitid(os.P_PID, self.child.pid, os.WSTOPPED)
            if any(self._commits(site) for site in sites) == committing:
                return True
            self.child.send_signal(signal.SIGCONT)
            return False

        return wait_for(frozen, 60)

    def _commits(self, site: str) -> bool:
        files = (self.log.parent / "data" / "sites" / site).rglob("*.db")
        return any(locked(file) for file in files if file.name != "owner.db")

    def wake(self) -> None:
        self.child.send_signal(signal.SIGCONT)

    def end(self, *, hard: bool = False) -> None:
        if self.child.poll() is None:
            self.child.send_signal(signal.SIGCONT)
            self.child.kill() if hard else self.child.terminate()
            self.child.wait(30)


class Publisher(threading.Thread):
    """One pump a site, ten short messages a second, QoS 1; counts what the broker receipted."""

    def __init__(self, port: int) -> None:
        super().__init__(daemon=True)
        self.stopping = threading.Event()
        self.sent = 0
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def run(self) -> None:
        t0_us = time.time_ns() // 1000
        while not self.stopping.wait(EVERY_S):
            at_us = t0_us + self.sent * int(EVERY_S * 1e6)
            samples = np.array([1800, 1801], np.int16)
            told = []
            for site in SITES:
                one = Message(site, "p1", 7, self.sent, at_us, 50_000, samples, 244.0)
                body = wire.encode_cbor(one)
                told.append(self._client.publish(wire.data_topic(site, "p1"), body, qos=1))
            for receipt in told:
                receipt.wait_for_publish(10)
            self.sent += 1

    def finish(self) -> int:
        """Stop (again, or before it began, does no harm); how many a site were receipted."""
        self.stopping.set()
        if self.is_alive():
            self.join(20)
        self._client.disconnect()
        self._client.loop_stop()
        return self.sent


def stored(folder: Path, site: str) -> list[int]:
    """The sequence numbers in a site's store, in the order of time."""
    store = open_folder(folder / "data" / "sites" / site)
    try:
        return [m.seq for m in store.messages(site, "p1", 0.0, 4e9)]
    finally:
        store.close()


def write_sites(folder: Path) -> None:
    for site in SITES:
        (folder / f"{site}.toml").write_text(f'[site]\nid = "{site}"\n[[pumps]]\nid = "p1"\n')


def main() -> None:
    """Everything until Ctrl-C."""
    program = shutil.which("mosquitto", path=PATH)
    if program is None:
        sys.exit("mosquitto is not on PATH")
    with contextlib.ExitStack() as stack:
        folder = Path(stack.enter_context(tempfile.TemporaryDirectory()))
        write_sites(folder)
        broker = Broker(program, folder)
        stack.callback(broker.stop)
        url = ""
        if "--influx" in sys.argv[1:]:
            influx = InfluxServerProcess(folder)
            stack.callback(influx.stop)
            influx.make(BUCKET)
            url = influx.url
        both = [
            Collector(folder, name, broker.port, free_row(len(SITES)), url)
            for name in ("ant", "bee")
        ]
        for one in both:
            stack.callback(one.end)
            say(f"{one.name}: process {one.child.pid}, log {one.log}, pages from port {one.web}")
        publisher = Publisher(broker.port)
        publisher.start()
        stack.callback(publisher.finish)
        with contextlib.suppress(KeyboardInterrupt):
            while not publisher.stopping.wait(1.0):
                has = [(c.name, s, c.judged(s)) for c in both for s in SITES]
                words = [f"{s}@{name} {n:.0f}" for name, s, n in has if n >= 0]
                say(f"sent {publisher.sent} a site; {', '.join(words) or 'nobody has a site'}")


def say(words: str) -> None:
    sys.stdout.write(words + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    main()
