"""How commands speak: one console for people, plain lines for programs."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime

from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

PEOPLE = Console(highlight=False, markup=False, soft_wrap=True)
NOTES = Console(stderr=True, highlight=False, markup=False, soft_wrap=True)


def line(text: str) -> None:
    """One line for a program, exactly as it is."""
    sys.stdout.write(text + "\n")


def stamp(ts: float | None) -> str | None:
    """RFC 3339 in UTC with milliseconds, or None."""
    if ts is None:
        return None
    text = datetime.fromtimestamp(ts, UTC).isoformat(timespec="milliseconds")
    return text.replace("+00:00", "Z")


@contextmanager
def progress(label: str, total: float) -> Iterator[Progress]:
    """A progress bar on stderr, hidden where nobody looks."""
    bar = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.percentage:>3.0f} %"),
        TimeRemainingColumn(),
        console=NOTES,
        transient=True,
        disable=not NOTES.is_terminal,
    )
    with bar:
        bar.add_task(label, total=total)
        yield bar
