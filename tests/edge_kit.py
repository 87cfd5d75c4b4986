"""Helpers for tests with a real broker: start and kill it, listen on it, make certificates."""

import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion

from edge.clock import steady_s

PATIENCE_S = 30.0


def free_port() -> int:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        return int(one.getsockname()[1])


def until(what: Callable[[], object], patience_s: float = PATIENCE_S) -> None:
    """Look again and again until it is true; fails with its name when patience ends."""
    end = steady_s() + patience_s
    while not what():
        assert steady_s() < end, f"not within {patience_s} s: {getattr(what, '__doc__', '')}"
        time.sleep(0.02)


class Mosquitto:
    """A broker of our own: plain for anybody, or with TLS, logins and access lists."""

    def __init__(self, program: str, folder: Path, lines: str = "allow_anonymous true\n") -> None:
        self.port = free_port()
        self._program = program
        self._config = folder / "mosquitto.conf"
        self.configure(
            f"listener {self.port} 127.0.0.1\npersistence false\nmax_queued_messages 0\n"
            f"max_inflight_messages 1000\n{lines}"
        )
        self._log = folder / "mosquitto.log"
        self._process: subprocess.Popen[bytes] | None = None

    def configure(self, text: str) -> None:
        """These settings; as root it must be told to stay root, to read files of this test."""
        self._config.write_text(("user root\n" if os.getuid() == 0 else "") + text)

    def start(self) -> "Mosquitto":
        with self._log.open("ab") as log:
            self._process = subprocess.Popen(
                [self._program, "-c", str(self._config)], stdout=log, stderr=log
            )
        until(self._answers)
        return self

    def _answers(self) -> bool:
        """the broker answers"""
        assert self._process is not None
        assert self._process.poll() is None, self._log.read_text()
        with socket.socket() as one:
            return one.connect_ex(("127.0.0.1", self.port)) == 0

    def kill(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            self._process = None


class Listener:
    """A client that notes what it gets; a session that survives (clean start false, v5)."""

    def __init__(self, port: int, topics: str = "strokewise/1/#", name: str = "listener") -> None:
        self.got: list[tuple[str, bytes, bool]] = []
        self.ready = threading.Event()
        self.client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=name, protocol=MQTTProtocolVersion.MQTTv5
        )
        self.client.reconnect_delay_set(1, 1)
        self._topics = topics
        self._port = port
        self.client.on_connect = self._connected
        self.client.on_subscribe = lambda *_: self.ready.set()
        self.client.on_message = self._message

    def _connected(self, client: mqtt.Client, *_: object) -> None:
        client.subscribe(self._topics, qos=1)

    def _message(self, _client: mqtt.Client, _data: object, message: mqtt.MQTTMessage) -> None:
        self.got.append((message.topic, message.payload, message.retain))

    def start(self) -> "Listener":
        self.client.connect("127.0.0.1", self._port, clean_start=False)
        self.client.loop_start()
        assert self.ready.wait(PATIENCE_S)
        return self

    def stop(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def edge_process(*arguments: str) -> subprocess.Popen[bytes]:
    """`strokewise-edge` with these arguments, from this very interpreter."""
    return subprocess.Popen(
        [sys.executable, "-c", "from edge.cli import main; main()", *arguments],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )


def authority(folder: Path, name: str) -> tuple[Path, Path, Path]:
    """A new authority and a server certificate of it for 127.0.0.1: (ca, certificate, key)."""
    ca_key, ca, key, request, certificate, extra = (
        folder / f"{name}.{end}"
        for end in ("ca.key", "ca.pem", "server.key", "csr", "server.pem", "ext")
    )
    curve = ["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"]
    extra.write_text("subjectAltName=IP:127.0.0.1\n")
    for command in (
        [
            "req",
            "-x509",
            *curve,
            "-days",
            "2",
            "-keyout",
            ca_key,
            "-out",
            ca,
            "-subj",
            f"/CN={name}",
        ],
        ["req", *curve, "-keyout", key, "-out", request, "-subj", "/CN=127.0.0.1"],
        [
            *("x509", "-req", "-in", request, "-CA", ca, "-CAkey", ca_key, "-CAcreateserial"),
            *("-days", "2", "-extfile", extra, "-out", certificate),
        ],
    ):
        subprocess.run(["openssl", *map(str, command)], check=True, capture_output=True)
    return ca, certificate, key
