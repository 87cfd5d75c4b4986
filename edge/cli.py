"""strokewise-edge: run, check, doctor, provision. Exit 0 fine, 1 findings, 2 bad settings."""

import logging
import signal
import sys
import threading
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console

from edge import doctor as examiner
from edge.node import Clocks, open_inputs, open_node
from edge.provision import Order, provision
from edge.settings import Node, load_node
from monitor.errors import BadSettings, StrokewiseError

app = typer.Typer(no_args_is_help=True, add_completion=False, help="The node beside the pumps.")
NodeFile = Annotated[Path, typer.Argument(help="the node's settings, NODE.toml")]
console = Console(soft_wrap=True, highlight=False)
errors = Console(stderr=True, soft_wrap=True, highlight=False)
log = logging.getLogger("edge")


def _settings(path: Path) -> Node:
    try:
        return load_node(path)
    except BadSettings as problem:
        for fault in problem.faults:
            errors.print(fault, markup=False)
        raise typer.Exit(2) from None


def _show(findings: Iterable[examiner.Finding]) -> None:
    """Print each as it comes; exit 1 if one is not well."""
    well = True
    for finding in findings:
        well &= finding.well
        mark = "ok  " if finding.well else "LOOK"
        console.print(f"{mark}  {finding.about}: {finding.words}", markup=False)
    if not well:
        raise typer.Exit(1)


@app.command()
def run(node: NodeFile) -> None:
    """Read the sensors and send, until SIGTERM or SIGINT."""
    settings = _settings(node)
    logging.basicConfig(
        level=settings.log_level.upper(),
        format="%(asctime)s %(levelname)s %(message)s",
        stream=sys.stderr,
    )
    stop = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stop.set())
    try:
        open_node(settings).run(stop)
    except BadSettings as problem:
        for fault in problem.faults:
            errors.print(fault, markup=False)
        raise typer.Exit(2) from None
    except (StrokewiseError, OSError) as problem:
        errors.print(str(problem), markup=False)
        raise typer.Exit(1) from None


@app.command()
def check(node: NodeFile) -> None:
    """Read each sensor for two seconds and say what it shows; sends nothing."""
    settings = _settings(node)
    if settings.pumps:
        _show(examiner.check_sensors(settings))
        return
    try:
        inputs = open_inputs(settings)
    except (StrokewiseError, OSError) as problem:
        errors.print(str(problem), markup=False)
        raise typer.Exit(1) from None
    console.print(f"ok    {' '.join(inputs.sources)}: pumps {', '.join(inputs.pumps)}")
    inputs.close()


@app.command()
def doctor(node: NodeFile) -> None:
    """Look at clock, disk, sensors and broker; say what is wrong and what to do."""
    _show(examiner.examine(_settings(node), Clocks()))


@app.command("provision")
def provision_command(
    site: Annotated[str, typer.Option(help="the site's id")],
    node: Annotated[str, typer.Option(help="the node's id")],
    pumps: Annotated[str, typer.Option(help="pump ids, separated by commas")],
    broker: Annotated[str, typer.Option(help="as mqtts://host:8883")],
    ca_file: Annotated[str | None, typer.Option(help="the authority to trust")] = None,
    folder: Annotated[Path, typer.Option(help="where to write")] = Path(),
) -> None:
    """Make a node's settings and password, and the broker's lines for it."""
    order = Order(site, node, tuple(p.strip() for p in pumps.split(",")), broker, ca_file)
    try:
        paths = provision(order, folder)
        load_node(paths[0])
    except BadSettings as problem:
        for fault in problem.faults:
            errors.print(fault, markup=False)
        raise typer.Exit(2) from None
    except (StrokewiseError, OSError) as problem:
        errors.print(str(problem), markup=False)
        raise typer.Exit(1) from None
    settings, password, acl, passwd = paths
    console.print(f"{settings}: the node's settings; adapt the sensors", markup=False)
    console.print(f"{password}: its password; keep it beside the settings, mode 600", markup=False)
    console.print(f"{acl}: append to the broker's acl_file", markup=False)
    console.print(f"{passwd}: append to the broker's password_file, then reload it", markup=False)


def main() -> None:
    """The entry point `strokewise-edge`."""
    app()
