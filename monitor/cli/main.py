"""`strokewise`: the commands, each in its own file, listed by hand here."""

import logging
import sys

import typer
from rich.console import Console

from monitor.cli import (
    alarms,
    check,
    demo,
    export,
    replay,
    serve,
    user,
)
from monitor.errors import BadSettings, StrokewiseError

COMMANDS = (
    ("demo", demo.demo),
    ("serve", serve.serve),
    ("check", check.check),
    ("replay", replay.replay),
    ("export", export.export),
    ("alarms", alarms.alarms),
    ("user", user.user),
)

app = typer.Typer(
    help="Says which small air-driven chemical pump is in trouble, why, and what to do.",
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    epilog="Exit codes: 0 fine, 1 findings or failure, 2 wrong use or settings. "
    "Strokewise watches; it controls nothing and is no safety system.",
)
for _name, _command in COMMANDS:
    app.command(_name)(_command)


def main() -> None:
    """Run a command; errors of ours become one clear line each and an exit code."""
    errors = Console(stderr=True, highlight=False, markup=False, soft_wrap=True)
    try:
        app()
    except BadSettings as problem:
        for fault in problem.faults:
            errors.print(f"error: {fault}")
        sys.exit(2)
    except StrokewiseError as problem:
        logging.getLogger(__name__).debug("command failed", exc_info=True)
        errors.print(f"error: {problem}")
        sys.exit(1)
    except BrokenPipeError:
        sys.exit(1)  # the reader of our output went away


if __name__ == "__main__":
    main()
