"""A served double and Debian's Chromium (or the one STROKEWISE_CHROMIUM names)."""

import os
import socket
import threading

import pytest
import uvicorn

from monitor.api.accounts import Role
from monitor.api.double import Double, fill, invented_site
from monitor.api.web import WebSettings
from monitor.pages.app import create_app

NOW = 1_793_795_200.0
CHEAP = {"argon2_memory_kib": 8, "argon2_passes": 1, "event_wait_s": 0.2}


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args):
    return {
        **browser_type_launch_args,
        "executable_path": os.environ.get("STROKEWISE_CHROMIUM", "/usr/bin/chromium"),
        "args": [
            "--no-sandbox",
            "--disable-gpu",
            "--disable-quic",
            "--no-first-run",
            "--disable-background-networking",
            "--disable-component-update",
            "--disable-sync",
        ],
    }


@pytest.fixture(scope="session")
def base_url():
    """Ours instead of pytest-base-url's, whose form pytest 9 warns about; no test needs one."""
    return ""


class Served:
    """An application on a free port of this machine."""

    def __init__(self, double: Double, role: Role | None = Role.ADMINISTRATOR) -> None:
        self.double = double
        self.app = create_app(double, settings=WebSettings(local_role=role, demo=True, **CHEAP))
        self._socket = socket.create_server(("127.0.0.1", 0))
        self.url = f"http://127.0.0.1:{self._socket.getsockname()[1]}"
        config = uvicorn.Config(self.app, log_level="error", timeout_graceful_shutdown=1)
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(target=self._server.run, args=([self._socket],))
        self._thread.start()

    def stop(self) -> None:
        """End streams and server, then the socket."""
        self.app.state.stopping.set()
        self._server.should_exit = True
        self._thread.join(10)
        self._socket.close()


@pytest.fixture
def serve():
    """Serves a double; with a role of None everybody must sign in."""
    return Served


@pytest.fixture(scope="session")
def looked_at(tmp_path_factory):
    """A filled site that tests only look at."""
    sites = (invented_site(), invented_site("south", units="metric"))
    double = Double(tmp_path_factory.mktemp("looked"), NOW, sites)
    fill(double, days=8)
    served = Served(double)
    yield served
    served.stop()
    double.core.close()


@pytest.fixture
def lived_in(tmp_path):
    """A filled site of its own for a test that does things."""
    double = Double(tmp_path, NOW, (invented_site(),))
    fill(double)
    served = Served(double)
    yield served
    served.stop()
    double.core.close()
