"""`strokewise serve` as a program, a real mosquitto, and the commands a stranger would run."""

import csv
import os
import socket
import subprocess
import sys
import urllib.request
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path

import pytest
from edge_kit import free_port, until

from monitor import wire

pytestmark = pytest.mark.broker

SITE = """
[site]
id = "{site}"
[[pumps]]
id = "{pump}"
"""
SERVICE = """
sites = ["site.toml"]
data_dir = "data"
[broker]
url = "mqtt://127.0.0.1:{broker}"
[web]
port = {web}
open_to_local = true
[store]
raw_days = 36500
"""


def accepts(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


@pytest.fixture
def broker_port(mosquitto_program: str, tmp_path: Path) -> Iterator[int]:
    port = free_port()
    conf = tmp_path / "mosquitto.conf"
    user = "user root\n" if os.geteuid() == 0 else ""
    conf.write_text(f"listener {port} 127.0.0.1\nallow_anonymous true\n{user}")
    child = subprocess.Popen([mosquitto_program, "-c", str(conf)], stderr=subprocess.DEVNULL)
    until(lambda: accepts(port))
    yield port
    child.terminate()
    child.wait()


class Serve:
    """The service as a child process, with its metrics."""

    def __init__(self, folder: Path, broker_port: int, site: str, pump: str) -> None:
        self.folder, self.port = folder, free_port()
        (folder / "site.toml").write_text(SITE.format(site=site, pump=pump))
        service = SERVICE.format(broker=broker_port, web=self.port)
        (folder / "strokewise.toml").write_text(service)
        self.start()

    def start(self) -> None:
        self.log = (self.folder / "serve.log").open("ab")
        self.child = subprocess.Popen(
            [sys.executable, "-m", "monitor.cli.main", "serve", "strokewise.toml"],
            cwd=self.folder, stdout=self.log, stderr=self.log,
        )  # fmt: skip
        connected = "strokewise_intake_connected"
        until(lambda: self.metric(connected) == 1.0)

    def words(self) -> str:
        return (self.folder / "serve.log").read_text()

    def get(self, path: str) -> str:
        with urllib.request.urlopen(f"http://127.0.0.1:{self.port}{path}", timeout=5) as answer:
            return answer.read().decode()

    def metric(self, name: str) -> float | None:
        try:
            text = self.get("/metrics")
        except OSError:
            return None
        found = [
            line.rsplit(" ", 1)[1] for line in text.splitlines() if line.startswith(name + " ")
        ]
        return float(found[0]) if found else None

    def stop(self) -> int:
        self.child.terminate()
        code = self.child.wait(30)
        self.log.close()
        return code


@pytest.fixture
def serving() -> Iterator[Callable[..., Serve]]:
    """Starts services and ends those that a failed test left running."""
    made: list[Serve] = []

    def make(folder: Path, broker_port: int, site: str, pump: str) -> Serve:
        made.append(Serve(folder, broker_port, site, pump))
        return made[-1]

    yield make
    for serve in made:
        if serve.child.poll() is None:
            serve.child.kill()
            serve.child.wait()


def command(folder: Path, *words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "monitor.cli.main", *words],
        cwd=folder, capture_output=True, text=True, timeout=60, check=False,
    )  # fmt: skip


def publish(port: int, topic: str, file: Path) -> None:
    subprocess.run(
        ["mosquitto_pub", "-p", str(port), "-q", "1", "-t", topic, "-f", str(file)],
        check=True, timeout=20,
    )  # fmt: skip


def test_a_golden_message_comes_back_bit_for_bit_and_bad_ones_cost_only_themselves(
    root_folder: Path, tmp_path: Path, broker_port: int, serving: Callable[..., Serve]
) -> None:
    golden = root_folder / "tests" / "golden"
    good = golden / "good" / "counts-full.cbor"
    topic = wire.data_topic("maple-street", "presoak-1")
    message = wire.decode(topic, good.read_bytes())
    serve = serving(tmp_path, broker_port, message.site, message.pump)
    bad = sorted((golden / "bad").glob("*.*"))
    for file in bad:
        if file.name != "expected.json":
            publish(broker_port, topic, file)
    publish(broker_port, "strokewise/1/nowhere/nobody/data", good)
    big = tmp_path / "big"
    big.write_bytes(b"\x9f" * 1_000_000)
    publish(broker_port, topic, big)
    publish(broker_port, topic, good)
    publish(broker_port, topic, good)
    until(lambda: serve.metric("strokewise_intake_stored_messages_total") == 1.0)
    until(lambda: serve.metric("strokewise_intake_duplicate_messages_total") == 1.0)

    refused = [x for x in serve.get("/metrics").splitlines() if "refused" in x and "{" in x]
    total = sum(float(line.rsplit(" ", 1)[1]) for line in refused)
    assert total == len(bad) - 1 + 2
    assert serve.child.poll() is None

    name = f"{message.site}/{message.pump}"
    done = command(tmp_path, "export", name, "out.csv")
    assert done.returncode == 0, done.stderr
    rows = list(csv.DictReader((tmp_path / "out.csv").read_text().splitlines()))
    pressures = [float(r["pressure_pa"]) if r["pressure_pa"] else None for r in rows]
    expected = [None if v != v else v for v in message.pressure_pa().tolist()]
    assert pressures == expected
    times = [datetime.fromisoformat(r["time"]).timestamp() for r in rows]
    assert [round(t * 1e6) for t in times] == [
        message.t0_us + i * message.dt_us for i in range(len(rows))
    ]
    assert int(rows[-1]["strokes"]) == int(
        message.stroke_total[message.stroke_t_us <= round(times[-1] * 1e6)][-1]
    )
    assert serve.stop() == 0


def test_wrong_use_and_wrong_settings_end_with_two_and_say_what_to_do(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(SITE.format(site="a b", pump="p!"))
    (tmp_path / "strokewise.toml").write_text(SERVICE.format(broker=1, web=99999))
    done = command(tmp_path, "serve", "strokewise.toml")
    assert done.returncode == 2
    assert "site.toml:3: id" in done.stderr
    assert "pumps[0].id" in done.stderr
    assert "web.port" in done.stderr
    assert command(tmp_path, "serve", "absent.toml").returncode == 2
    assert command(tmp_path, "nonsense").returncode == 2


def test_port_in_use_is_said_with_the_remedy(
    tmp_path: Path, broker_port: int, serving: Callable[..., Serve]
) -> None:
    serve = serving(tmp_path, broker_port, "fern", "p1")
    other = tmp_path / "other"
    other.mkdir()
    (other / "site.toml").write_text(SITE.format(site="fern", pump="p1"))
    (other / "strokewise.toml").write_text(SERVICE.format(broker=broker_port, web=serve.port))
    done = command(other, "serve", "strokewise.toml")
    assert done.returncode == 1
    assert "set web.port" in done.stderr
    second = command(tmp_path, "serve", "strokewise.toml")
    assert second.returncode == 1
    assert serve.stop() == 0
