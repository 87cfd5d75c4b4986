"""`strokewise restore`: a backup into an empty folder."""

from pathlib import Path
from typing import Annotated

import typer

from monitor.cli.show import NOTES, progress
from monitor.store import backup as store_backup


def restore(
    source: Annotated[Path, typer.Argument(help="A file that `strokewise backup` wrote.")],
    folder: Annotated[Path, typer.Argument(help="An empty data folder.")],
) -> None:
    """Verify a backup and unpack it; point `data_dir` of the service file to the folder."""
    with progress("restore", total=1.0) as bar:
        told = bar.task_ids[0]
        made = store_backup.restore(source, folder, lambda done: bar.update(told, completed=done))
    NOTES.print(f"{len(made)} {'file' if len(made) == 1 else 'files'} restored to {folder}")
