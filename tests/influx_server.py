"""Debian's InfluxDB 1.6.7 behind an nginx that speaks the 2.x write path, on free ports.

The rewrite maps /api/v2/write to /write with db, rp and precision (without the precision map
1.6.7 reads microseconds as nanoseconds, silently) and checks the token as 2.x would.
"""

import contextlib
import os
import shutil
import socket
import subprocess
import threading
import urllib.parse
import urllib.request
from pathlib import Path

TOKEN = "test-token"  # noqa: S105 - the rewrite of this very file checks it
PATH = os.pathsep.join([os.environ.get("PATH", ""), "/usr/sbin", "/usr/local/sbin"])

INFLUX = """\
reporting-disabled = true
bind-address = "127.0.0.1:{rpc}"
[meta]
  dir = "{folder}/meta"
[data]
  dir = "{folder}/data"
  wal-dir = "{folder}/wal"
  index-version = "tsi1"
[monitor]
  store-enabled = false
[http]
  bind-address = "127.0.0.1:{http}"
  log-enabled = false
"""
NGINX = """\
daemon off;
worker_processes 1;
pid {folder}/nginx.pid;
error_log {folder}/nginx.log;
{user}
events {{ worker_connections 64; }}
http {{
  access_log off;
  client_body_temp_path {folder}/body; proxy_temp_path {folder}/proxy;
  fastcgi_temp_path {folder}/f; uwsgi_temp_path {folder}/u; scgi_temp_path {folder}/s;
  client_max_body_size 32m;
  map $arg_precision $short {{ default ns; ns n; us u; ms ms; s s; }}
  map $http_authorization $allowed {{ default 0; "Token {token}" 1; }}
  server {{
    listen 127.0.0.1:{port};
    location = /api/v2/write {{
      if ($allowed = 0) {{ return 401 '{{"code":"unauthorized","message":"unauthorized"}}'; }}
      proxy_set_header Authorization "";
      rewrite ^ /write?db=$arg_bucket&precision=$short? break;
      proxy_pass http://127.0.0.1:{http};
    }}
    location = /query {{
      if ($allowed = 0) {{ return 401 '{{"code":"unauthorized","message":"unauthorized"}}'; }}
      proxy_set_header Authorization "";
      proxy_pass http://127.0.0.1:{http};
    }}
  }}
}}
"""


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class InfluxServerProcess:
    """Both processes; stop() ends what this object started and nothing else."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._http, self._port = free_port(), free_port()
        rpc = free_port()
        (folder / "influx.conf").write_text(INFLUX.format(folder=folder, rpc=rpc, http=self._http))
        user = "user root;" if os.geteuid() == 0 else ""
        (folder / "nginx.conf").write_text(
            NGINX.format(folder=folder, token=TOKEN, port=self._port, http=self._http, user=user)
        )
        self.url = f"http://127.0.0.1:{self._port}"
        self._nginx = self._run("nginx", "-c", str(folder / "nginx.conf"))
        self.start()

    def _run(self, program: str, *arguments: str) -> subprocess.Popen[bytes]:
        found = shutil.which(program, path=PATH)
        assert found, f"{program} is not on PATH"
        log = (self._folder / f"{program}.out").open("ab")
        with log:
            return subprocess.Popen([found, *arguments], stdout=log, stderr=log)

    def start(self) -> None:
        self._influxd = self._run("influxd", "-config", str(self._folder / "influx.conf"))
        waiting = threading.Event()
        for _ in range(500):
            with contextlib.suppress(OSError):
                urllib.request.urlopen(f"http://127.0.0.1:{self._http}/ping")
                return
            waiting.wait(0.05)
        raise AssertionError("influxd did not start")

    def make(self, database: str) -> None:
        query = urllib.parse.urlencode({"q": f'CREATE DATABASE "{database}"'}).encode()
        urllib.request.urlopen(f"http://127.0.0.1:{self._http}/query", query)

    def kill(self) -> None:
        self._influxd.kill()
        self._influxd.wait()

    def stop(self) -> None:
        for process in (self._nginx, self._influxd):
            process.terminate()
            process.wait(10)
