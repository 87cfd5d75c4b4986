"""kill -9 of the service and of the broker while a real edge node publishes: nothing is missing.

The node runs the virtual wash in real time; the broker is mosquitto with its session file. What a
killed broker forgot, the monitor asks for again and the edge still has.
"""

import os
import signal
import socket
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from edge_kit import free_port, until

from monitor.service.stores import open_folder

pytestmark = [pytest.mark.broker, pytest.mark.crash, pytest.mark.slow]

KILLS = (("service", 6.0), ("broker", 6.0), ("service", 5.0), ("broker", 5.0), ("service", 4.0))
PUMPS = ("presoak", "foam", "wheel-acid", "wax", "rinse-aid", "tire-dressing")


def accepts(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


class Chain:
    """Broker, service and node as programs in one folder."""

    def __init__(self, program: str, folder: Path, demo_files: Path) -> None:
        self.program, self.folder = program, folder
        self.port, self.web = free_port(), free_port()
        user = "user root\n" if os.geteuid() == 0 else ""
        (folder / "mosquitto.conf").write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\n{user}persistence true\n"
            f"persistence_location {folder}/\nautosave_interval 1\nmax_queued_messages 0\n"
        )
        for name in ("site.toml", "virtual.toml"):
            (folder / name).write_text((demo_files / name).read_text())
        url = f'url = "mqtt://127.0.0.1:{self.port}"\n'
        (folder / "strokewise.toml").write_text(
            f'sites = ["site.toml"]\n[broker]\n{url}[web]\nport = {self.web}\n'
        )
        (folder / "node.toml").write_text(
            f'site = "pine-hollow"\nid = "node1"\ndata_dir = "node-data"\n[broker]\n{url}'
            '[virtual]\nfile = "virtual.toml"\n'
        )
        self.running: dict[str, subprocess.Popen[bytes]] = {}

    def start(self, what: str) -> None:
        commands = {
            "broker": [self.program, "-c", str(self.folder / "mosquitto.conf")],
            "service": [sys.executable, "-m", "monitor.cli.main", "serve"],
            "node": [sys.executable, "-m", "edge", "run", "node.toml"],
        }
        log = (self.folder / f"{what}.log").open("ab")
        with log:
            self.running[what] = subprocess.Popen(
                commands[what], cwd=self.folder, stdout=log, stderr=log
            )
        port = {"broker": self.port, "service": self.web}.get(what)
        if port is not None:
            until(lambda: accepts(port), 60.0)

    def words(self, what: str) -> str:
        return (self.folder / f"{what}.log").read_text(errors="replace")

    def end(self, what: str, number: int = signal.SIGTERM) -> None:
        child = self.running.pop(what)
        child.send_signal(number)
        child.wait(60)


def test_no_sample_is_missing_or_doubled(
    mosquitto_program: str, root_folder: Path, tmp_path: Path
) -> None:
    chain = Chain(mosquitto_program, tmp_path, root_folder / "monitor" / "cli" / "demo_files")
    pause = threading.Event()
    try:
        for what in ("broker", "service", "node"):
            chain.start(what)
        for what, after_s in KILLS:
            pause.wait(after_s)
            chain.end(what, signal.SIGKILL)
            pause.wait(1.0)
            chain.start(what)
        pause.wait(40.0)  # the monitor asks every few seconds, the edge sends again
        chain.end("node")
        pause.wait(3.0)
        chain.end("service")
    finally:
        for what in list(chain.running):
            chain.end(what, signal.SIGKILL)
    store = open_folder(tmp_path / "data", read_only=True)
    try:
        for pump in PUMPS:
            messages = store.messages("pine-hollow", pump, 0.0, 4e9)
            seqs = sorted(m.seq for m in messages)
            assert len({m.boot for m in messages}) == 1
            assert len(seqs) > 50
            assert seqs == list(range(seqs[0], seqs[0] + len(seqs))), chain.words("service")
            assert seqs[0] == 0
    finally:
        store.close()
