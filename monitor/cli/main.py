"""`strokewise`: the commands, each in its own file, listed by hand here."""

import logging
import os
import sys
from collections.abc import Sequence
from importlib import import_module

import typer

from monitor.cli.show import NOTES
from monitor.errors import BadSettings, StrokewiseError, WrongUse

COMMANDS = {
    "demo": "monitor.cli.demo",
    "serve": "monitor.cli.serve",
    "check": "monitor.cli.check",
    "replay": "monitor.cli.replay",
    "report": "monitor.cli.report",
    "export": "monitor.cli.export",
    "alarms": "monitor.cli.alarms",
    "prepare": "monitor.cli.prepare",
    "user": "monitor.cli.user",
    "backup": "monitor.cli.backup",
    "restore": "monitor.cli.restore",
    "bench": "monitor.cli.bench",
}
"""Name -> where the function of that name (for `report`: the group `app`) stands."""


def build(words: Sequence[str]) -> typer.Typer:
    """The application; only the command asked for is imported, the others cost seconds."""
    app = typer.Typer(
        help="Says which small air-driven chemical pump is in trouble, why, and what to do.",
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        rich_markup_mode=None,
        epilog="Exit codes: 0 fine, 1 findings or failure, 2 wrong use or settings. "
        "Strokewise watches; it controls nothing and is no safety system.",
    )
    app.callback()(_whole)
    wanted = [words[0]] if words and words[0] in COMMANDS else list(COMMANDS)
    for name in wanted:
        module = import_module(COMMANDS[name])
        if hasattr(module, "app"):
            app.add_typer(module.app, name=name)
        else:
            app.command(name)(getattr(module, name))
    return app


def _whole() -> None:
    """Say which small air-driven chemical pump is in trouble, why, and what to do."""


def main() -> None:
    """Run a command; errors of ours become one clear line each and an exit code."""
    # Before numpy is imported: our arrays are small, and idle BLAS threads spin on the other cores.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        build(sys.argv[1:])()
    except BadSettings as problem:
        for fault in problem.faults:
            NOTES.print(f"error: {fault}")
        sys.exit(2)
    except WrongUse as problem:
        NOTES.print(f"error: {problem}")
        sys.exit(2)
    except StrokewiseError as problem:
        logging.getLogger(__name__).debug("command failed", exc_info=True)
        NOTES.print(f"error: {problem}")
        sys.exit(1)
    except BrokenPipeError:
        sys.exit(1)  # the reader of our output went away


if __name__ == "__main__":
    main()
