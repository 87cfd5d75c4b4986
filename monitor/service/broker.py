"""The embedded broker: mosquitto if it is on PATH, else the one that pip brought.

Either runs as a child process on the loopback address and ends with its parent. A broker's
receipt is not storage: whichever it is, the edge keeps what it sent and sends again what the
monitor says it misses.
"""

import contextlib
import logging
import os
import shutil
import signal
import socket
import subprocess
import threading
from collections.abc import Callable
from pathlib import Path

from monitor.errors import StrokewiseError

log = logging.getLogger(__name__)

READY_S = 10.0
MOSQUITTO_CONF = """\
listener {port} 127.0.0.1
allow_anonymous true
persistence true
persistence_location {folder}/
autosave_interval 5
max_inflight_messages 2000
max_queued_messages 0
max_packet_size 262144
log_dest stderr
log_type error
log_type warning
{user}
"""
PIP_BROKER_TOML = """\
id = 0
[router]
id = 0
max_connections = 500
max_outgoing_packet_count = 200
max_segment_size = 10485760
max_segment_count = 10
[v4.1]
name = "loopback"
listen = "127.0.0.1:{port}"
next_connection_delay_ms = 1
[v4.1.connections]
connection_timeout_ms = 60000
max_payload_size = 262144
max_inflight_count = 200
dynamic_filters = true
"""


def free_port() -> int:
    """A TCP port on the loopback address that nobody listens on now."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class EmbeddedBroker:
    """A broker of our own for one process's life. Raises StrokewiseError when it will not start."""

    def __init__(self, folder: Path, *, port: int = 0, prefer_pip: bool = False) -> None:
        self.folder = folder
        self.port = port or free_port()
        program = None if prefer_pip else shutil.which("mosquitto", path=_search_path())
        self.name = "mosquitto" if program else "iotcore"
        self._program = program
        self._child: subprocess.Popen[bytes] | None = None
        self._stop_pip: Callable[[], None] | None = None

    @property
    def url(self) -> str:
        """Where clients connect."""
        return f"mqtt://127.0.0.1:{self.port}"

    @property
    def running(self) -> bool:
        """False once the child has died."""
        if self._child is not None:
            return self._child.poll() is None
        return self._stop_pip is not None

    def start(self) -> None:
        """Start and wait until it accepts connections."""
        self.folder.mkdir(parents=True, exist_ok=True)
        end_leftover(self.folder / "broker.pid", str(self.folder / "broker.conf"))
        if self._program:
            self._start_mosquitto(self._program)
        else:
            self._start_pip()

    def _start_mosquitto(self, program: str) -> None:
        conf = self.folder / "broker.conf"
        # Started as root it would drop to its own user and could not write our folder.
        user = "user root" if os.geteuid() == 0 else ""
        text = MOSQUITTO_CONF.format(port=self.port, folder=self.folder.resolve(), user=user)
        conf.write_text(text, encoding="utf-8")
        with (self.folder / "broker.log").open("ab") as out:
            self._child = subprocess.Popen(  # noqa: S603 - our own settings, a program on PATH
                [program, "-c", str(conf)], stdout=out, stderr=out
            )
        (self.folder / "broker.pid").write_text(str(self._child.pid), encoding="ascii")
        if not wait_for_port(self.port, self._child):
            self.stop()
            raise StrokewiseError(f"the broker did not start; see {self.folder / 'broker.log'}")

    def _start_pip(self) -> None:
        from iotcore import Broker  # only where no broker is on PATH

        conf = self.folder / "broker.toml"
        conf.write_text(PIP_BROKER_TOML.format(port=self.port), encoding="utf-8")
        broker = Broker(config_path=str(conf))
        try:
            broker.start(timeout=READY_S)
        except (OSError, RuntimeError) as problem:
            raise StrokewiseError(f"the embedded broker did not start: {problem}") from problem
        self._stop_pip = broker.stop

    def stop(self) -> None:
        """End the child; safe to call twice."""
        if self._stop_pip is not None:
            self._stop_pip()
            self._stop_pip = None
        child, self._child = self._child, None
        if child is None:
            return
        child.terminate()
        with contextlib.suppress(subprocess.TimeoutExpired):
            child.wait(5)
        if child.poll() is None:
            child.kill()
            child.wait(5)


def end_leftover(pid_file: Path, conf: str) -> None:
    """End a broker that outlived a killed parent: two on one folder destroy each other's file.

    Only a process that runs on this very settings file is touched (told by /proc, so on Linux).
    """
    try:
        pid = int(pid_file.read_text(encoding="ascii"))
        command = Path(f"/proc/{pid}/cmdline").read_bytes().decode(errors="replace").split("\0")
    except (OSError, ValueError):
        return
    if conf not in command:
        return
    log.warning("ending leftover broker pid=%d", pid)
    with contextlib.suppress(ProcessLookupError):
        os.kill(pid, signal.SIGTERM)
    waiting = threading.Event()
    for _ in range(100):
        if not Path(f"/proc/{pid}/cmdline").exists():
            return
        waiting.wait(0.05)


def _search_path() -> str:
    """PATH and the folders where distributions put daemons."""
    return os.pathsep.join([os.environ.get("PATH", ""), "/usr/sbin", "/usr/local/sbin"])


def wait_for_port(port: int, child: "subprocess.Popen[bytes]", timeout_s: float = READY_S) -> bool:
    """True once the port accepts; False when the child ended or the time is up."""
    for _ in range(int(timeout_s / 0.05)):
        if child.poll() is not None:
            return False
        with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 0.2):
            return True
        with contextlib.suppress(subprocess.TimeoutExpired):
            child.wait(0.05)
    return False
