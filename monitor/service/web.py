"""The pages' server in a thread of its own, so that the main thread can wait for signals."""

import logging
import socket
import threading

import uvicorn
from fastapi import FastAPI

from monitor.errors import StrokewiseError

log = logging.getLogger(__name__)
GRACE_S = 2
"""Open event streams get this long at a stop (chosen: browsers reconnect by themselves)."""


class WebServer:
    """uvicorn on a socket bound at once, so that the address is known before it serves."""

    def __init__(self, app: FastAPI, host: str, port: int) -> None:
        self._app = app
        try:
            self._socket = socket.create_server((host, port), reuse_port=False)
        except OSError as problem:
            raise StrokewiseError(
                f"cannot listen on {host}:{port} ({problem.strerror}); set web.port to a free "
                "port, or to 0 for any"
            ) from problem
        self.port = int(self._socket.getsockname()[1])
        config = uvicorn.Config(
            app,
            log_level="warning",
            timeout_graceful_shutdown=GRACE_S,
            server_header=False,
            proxy_headers=False,
        )
        self._server = uvicorn.Server(config)
        self._thread = threading.Thread(
            target=self._server.run, args=([self._socket],), name="pages", daemon=True
        )

    def start(self) -> None:
        """Serve."""
        self._thread.start()

    def stop(self) -> None:
        """End open streams, then the server."""
        self._app.state.stopping.set()
        self._server.should_exit = True
        if self._thread.is_alive():
            self._thread.join(GRACE_S + 3)
        self._socket.close()
