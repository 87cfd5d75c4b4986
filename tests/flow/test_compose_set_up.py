"""What the compose file starts: secrets made once, a broker over TLS with them, pinned images."""

import os
import re
import shutil
import socket
import ssl
import subprocess
import threading
from collections.abc import Iterator
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
import yaml
from edge_kit import free_port
from paho.mqtt.enums import CallbackAPIVersion

from edge.settings import load_node
from monitor.settings.service_file import load_settings

pytestmark = pytest.mark.broker


@pytest.fixture(scope="module")
def compose(tmp_path_factory: pytest.TempPathFactory, root_folder: Path) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("secrets")
    script = root_folder / "config" / "compose" / "set-up.sh"
    subprocess.run([str(script), str(folder)], check=True, capture_output=True, timeout=60)
    return folder, script


@pytest.fixture(scope="module")
def port(compose: tuple[Path, Path], root_folder: Path, mosquitto_program: str) -> Iterator[int]:
    folder = compose[0]
    port = free_port()
    conf = (root_folder / "config" / "compose" / "mosquitto.conf").read_text()
    conf = conf.replace("/secrets", str(folder)).replace("listener 8883", f"listener {port}")
    conf = conf.replace("/mosquitto/data/", f"{folder}/")
    own = folder / "own.conf"
    own.write_text(conf + ("user root\n" if os.geteuid() == 0 else ""))
    child = subprocess.Popen([mosquitto_program, "-c", str(own)], stdout=subprocess.DEVNULL)
    waiting = threading.Event()
    for _ in range(100):
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) == 0:
                break
        waiting.wait(0.05)
    yield port
    child.terminate()
    child.wait()


def connect(port: int, ca: Path, user: str, password: str) -> str:
    """'Success' or why not."""
    answer: list[str] = []
    told = threading.Event()

    def on_connect(*args: object) -> None:
        answer.append(str(args[3]))
        told.set()

    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.username_pw_set(user, password)
    client.tls_set(str(ca))
    client.on_connect = on_connect
    client.connect("localhost", port)
    client.loop_start()
    told.wait(10)
    client.disconnect()
    client.loop_stop()
    return answer[0] if answer else "nothing"


def test_logins_made_by_set_up_work_over_tls_and_others_do_not(
    compose: tuple[Path, Path], port: int
) -> None:
    folder = compose[0]
    password = (folder / "monitor.password").read_text()
    assert connect(port, folder / "ca.pem", "monitor", password) == "Success"
    node = (folder / "node1.password").read_text()
    assert connect(port, folder / "ca.pem", "pine-hollow.node1", node) == "Success"
    assert connect(port, folder / "ca.pem", "monitor", "wrong") != "Success"
    foreign = ssl.create_default_context()
    with socket.create_connection(("127.0.0.1", port)) as raw, pytest.raises(ssl.SSLError):
        foreign.wrap_socket(raw, server_hostname="localhost")


def test_a_second_start_keeps_every_secret(compose: tuple[Path, Path]) -> None:
    folder, script = compose
    before = {p.name: p.read_bytes() for p in folder.iterdir() if "password" in p.name}
    subprocess.run([str(script), str(folder)], check=True, capture_output=True, timeout=60)
    assert {n: (folder / n).read_bytes() for n in before} == before
    assert (folder / "monitor.password").stat().st_mode & 0o077 == 0


def test_the_compose_file_pins_images_and_holds_no_password(root_folder: Path) -> None:
    text = (root_folder / "docker-compose.yml").read_text()
    services = yaml.safe_load(text)["services"]
    assert {"broker", "influxdb", "monitor", "node", "set-up"} == set(services)
    for name, service in services.items():
        assert re.search(r":\d+\.\d+\.\d+", service["image"]), name
    assert "PASSWORD:" not in text
    assert "TOKEN:" not in text
    for name in ("broker", "influxdb", "monitor"):
        assert "healthcheck" in services[name]


def test_its_settings_are_read_without_a_fault(root_folder: Path, tmp_path: Path) -> None:
    folder = tmp_path / "etc"
    shutil.copytree(root_folder / "config" / "compose", folder)
    # As the image does: the demo's wash is described once.
    image = (folder / "Dockerfile").read_text()
    copied = re.findall(r"COPY (monitor/\S+) /etc/strokewise/(\S+)", image)
    assert len(copied) == 2
    for source, name in copied:
        shutil.copyfile(root_folder / source, folder / name)
    settings = load_settings(folder / "strokewise.toml")
    assert settings.file.store.kind == "influxdb"
    node = load_node(folder / "node.toml")
    topics = (folder / "acl").read_text()
    for pump in settings.sites[0].pumps:
        assert f"topic write strokewise/1/pine-hollow/{pump.id}/data" in topics
    assert node.broker.username == "pine-hollow.node1"
