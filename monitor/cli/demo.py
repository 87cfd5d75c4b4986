"""`strokewise demo`: an embedded broker, a virtual wash, the service and its pages."""

import contextlib
import logging
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from importlib.resources import as_file, files
from pathlib import Path
from typing import Annotated

import typer

from monitor.alarms.types import Change, What
from monitor.api.accounts import Role
from monitor.cli.show import PEOPLE, stamp
from monitor.errors import StrokewiseError
from monitor.service.running import Service
from monitor.settings.service_file import load_settings

SERVICE = """\
data_dir = "data"
sites = ["site.toml"]
[broker]
url = "embedded"
[web]
port = {port}
"""
NODE = """\
site = "pine-hollow"
id = "node1"
data_dir = "node-data"
[broker]
url = "{url}"
protocol = "3.1.1"
[virtual]
file = "virtual.toml"
"""
TOLD = {What.RAISED, What.REPEATED, What.CLEARED}


def demo(
    *,
    port: Annotated[int, typer.Option(help="Port of the pages; 0 takes a free one.")] = 8117,
    data: Annotated[
        Path | None, typer.Option(help="Keep the data here; left out: a folder that is removed.")
    ] = None,
) -> None:
    """Run an invented wash: six pumps, four of which get into trouble within ten minutes."""
    logging.basicConfig(level="WARNING", format="%(levelname)s %(name)s %(message)s")
    with contextlib.ExitStack() as stack:
        folder = data or Path(stack.enter_context(tempfile.TemporaryDirectory("-strokewise")))
        folder.mkdir(parents=True, exist_ok=True)
        _lay_out(folder, port)
        service = Service(
            load_settings(folder / "strokewise.toml"), local_role=Role.OWNER, on_change=_tell
        )
        service.start()
        stack.callback(service.stop)
        (folder / "node.toml").write_text(NODE.format(url=service.broker_url), encoding="utf-8")
        node = _start_node(folder)
        stack.callback(_end, node)
        PEOPLE.print(f"Strokewise demo: look at {service.url}  (Ctrl-C ends it)")
        PEOPLE.print("Six pumps of an invented wash; trouble begins after about two minutes.")
        PEOPLE.print("It watches; it controls nothing and is no safety system.")
        service.wait_until_stopped(lambda: node.poll() is None)
        if node.poll() not in (None, 0):
            last = (folder / "node.log").read_text(encoding="utf-8").strip().splitlines()[-1:]
            raise StrokewiseError(f"the virtual node ended by itself: {' '.join(last)}")


def _lay_out(folder: Path, port: int) -> None:
    for name in ("site.toml", "virtual.toml"):
        with as_file(files("monitor.cli.demo_files") / name) as path:
            shutil.copyfile(path, folder / name)
    (folder / "strokewise.toml").write_text(SERVICE.format(port=port), encoding="utf-8")


def _start_node(folder: Path) -> "subprocess.Popen[bytes]":
    """The edge runs as a program of its own, as it would beside real pumps."""
    command = [sys.executable, "-m", "edge", "run", str(folder / "node.toml")]
    log = (folder / "node.log").open("ab")
    with log:
        return subprocess.Popen(command, stdout=log, stderr=log)  # noqa: S603 - our own program


def _end(node: "subprocess.Popen[bytes]") -> None:
    node.terminate()
    with contextlib.suppress(subprocess.TimeoutExpired):
        node.wait(10)
    if node.poll() is None:
        node.kill()


def _tell(_site: str, changes: Sequence[Change]) -> None:
    for change in changes:
        alarm = change.after
        if alarm is None or change.what not in TOLD:
            continue
        PEOPLE.print(
            f"{stamp(change.ts)}  {alarm.subject}: {alarm.kind}, {alarm.side} side, "
            f"{alarm.priority}, {change.what}"
            + (f" - {alarm.sentence}" if change.what is not What.CLEARED else "")
        )
