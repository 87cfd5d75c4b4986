"""The command strokewise-edge: exit codes, what it says, and that it stops cleanly."""

import signal
import socket
from pathlib import Path

import pytest
from edge_kit import Listener, Mosquitto, edge_process, free_port, until
from typer.testing import CliRunner

from edge import doctor, watchdog
from edge.cli import app
from edge.node import Clocks
from edge.settings import load_node
from monitor.wire import decode_status, status_topic

IIO_NODE = """
[node]
site = "pine-hollow"
id = "wall-1"
[broker]
url = "mqtt://127.0.0.1:{port}"
[outbox]
max_mb = 1
[[pumps]]
id = "foam"
  [pumps.pressure]
  source = "iio"
  root = "iio"
  name = "adc"
  channel = "voltage0"
[[pumps]]
id = "wax"
  [pumps.pressure]
  source = "iio"
  root = "iio"
  name = "adc"
  channel = "voltage1"
"""
REPLAY_NODE = """
[node]
site = "pine-hollow"
id = "wall-1"
[broker]
url = "mqtt://127.0.0.1:{port}"
[replay]
file = "tape.csv"
pumps = ["foam"]
speed = 100
"""


@pytest.fixture
def wall(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A node's folder: foam at 12 mA, wax with a broken wire; no waiting in checks."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(doctor, "LISTEN_S", 0.2)
    monkeypatch.setattr(doctor, "CONNECT_S", 5.0)
    device = tmp_path / "iio" / "iio:device0"
    device.mkdir(parents=True)
    (device / "name").write_text("adc\n")
    (device / "in_voltage_scale").write_text("1.0\n")
    (device / "in_voltage0_raw").write_text("1800\n")
    (device / "in_voltage1_raw").write_text("30\n")
    (tmp_path / "node.toml").write_text(IIO_NODE.format(port=free_port()))
    return tmp_path


def run(*arguments: str) -> tuple[int, str]:
    result = CliRunner().invoke(app, list(arguments))
    return result.exit_code, result.output


def test_check_reads_each_sensor_and_says_what_it_sees(wall: Path) -> None:
    code, said = run("check", str(wall / "node.toml"))
    assert code == 1
    assert "ok    foam pressure: 75.0 psi" in said
    assert "LOOK  wax pressure: pressure: 0.20 mA: broken wire" in said


def test_check_is_content_when_all_is_well(wall: Path) -> None:
    (wall / "iio" / "iio:device0" / "in_voltage1_raw").write_text("600")
    code, said = run("check", str(wall / "node.toml"))
    assert (code, "LOOK" in said) == (0, False)


def test_check_names_a_device_that_is_not_there(wall: Path) -> None:
    (wall / "iio" / "iio:device0" / "name").write_text("other")
    code, said = run("check", str(wall / "node.toml"))
    assert code == 1
    assert "no IIO device 'adc'" in said
    assert "there are: other" in said


def test_check_of_a_vented_line_gives_the_zero_to_set(wall: Path) -> None:
    (wall / "iio" / "iio:device0" / "in_voltage0_raw").write_text("660")
    _, said = run("check", str(wall / "node.toml"))
    assert "set zero_pa = 25855" in said


def test_bad_settings_are_exit_2_with_every_fault(wall: Path) -> None:
    path = wall / "node.toml"
    path.write_text(path.read_text().replace("voltage0", "volt").replace('"wall-1"', '"wall 1"'))
    for command in ("run", "check", "doctor"):
        code, said = run(command, str(path))
        assert code == 2
        assert "pumps[0].pressure.channel" in said
        assert "id: String should match" in said


def test_doctor_says_what_is_wrong_with_clock_and_broker(wall: Path) -> None:
    code, said = run("doctor", str(wall / "node.toml"))
    assert code == 1
    assert "LOOK  broker mqtt://127.0.0.1" in said
    assert "cannot be reached" in said
    assert "outbox: 0 waiting" in said


@pytest.mark.parametrize(
    ("wall_s", "synced", "word"),
    [(100.0, True, "never set"), (1.764e9, False, "runs free"), (1.764e9, True, "synchronised")],
)
def test_clock_findings(wall_s: float, synced: bool, word: str) -> None:  # noqa: FBT001  # a parameter of the table
    found = doctor.check_clock(Clocks(wall=lambda: wall_s, synchronised=lambda: synced))
    assert word in found.words
    assert found.well is (word == "synchronised")


def test_a_disk_that_is_too_small_for_the_bounds(wall: Path) -> None:
    node = load_node(wall / "node.toml")
    huge = node.outbox.model_copy(update={"max_mb": 10**9})
    found = doctor.check_disk(node.model_copy(update={"outbox": huge}))
    assert not found.well
    assert "lower outbox.max_mb" in found.words


def test_provision_writes_four_files_and_refuses_a_second_time(wall: Path) -> None:
    arguments = ["provision", "--site", "pine-hollow", "--node", "wall-9", "--pumps", "foam, wax"]
    arguments += ["--broker", "mqtts://broker.example", "--ca-file", "ca.pem", "--folder", "new"]
    code, said = run(*arguments)
    assert code == 0, said
    assert "append to the broker's acl_file" in said
    assert load_node(wall / "new" / "pine-hollow.wall-9.toml").broker.port == 8883
    assert run(*arguments)[0] == 1
    arguments[4] = "wall 9"
    assert run(*arguments)[0] == 1


def test_systemd_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
        line.bind(str(tmp_path / "notify"))
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        watchdog.notify("READY=1")
        assert line.recv(100) == b"READY=1"
    watchdog.notify("WATCHDOG=1")
    monkeypatch.delenv("NOTIFY_SOCKET")
    watchdog.notify("WATCHDOG=1")


@pytest.mark.broker
def test_a_replay_ends_by_itself_and_sigterm_stops_a_node_cleanly(
    mosquitto_program: str, tmp_path: Path
) -> None:
    broker = Mosquitto(mosquitto_program, tmp_path).start()
    listener = Listener(broker.port).start()
    rows = [f"{1_764_000_000 + i / 20:.2f},foam,60" for i in range(400)]
    (tmp_path / "tape.csv").write_text("\n".join(["time,pump,pressure_psi", *rows]) + "\n")
    (tmp_path / "node.toml").write_text(REPLAY_NODE.format(port=broker.port))
    process = edge_process("run", str(tmp_path / "node.toml"))
    _, err = process.communicate(timeout=60)
    assert process.returncode == 0, err
    assert len([1 for t, _, _ in listener.got if t.endswith("data")]) == 20
    (tmp_path / "node.toml").write_text(
        REPLAY_NODE.format(port=broker.port).replace("speed = 100", "speed = 0.5")
    )
    process = edge_process("run", str(tmp_path / "node.toml"))
    topic = status_topic("pine-hollow", "wall-1")
    until(lambda: len([1 for t, _, _ in listener.got if t == topic]) >= 3)
    process.send_signal(signal.SIGTERM)
    _, err = process.communicate(timeout=20)
    assert process.returncode == 0, err
    until(lambda: not decode_status(*listener.got[-1][:2]).online)
    listener.stop()
    broker.kill()
