"""`strokewise backup`: everything of a data folder in one file, also beside a running service."""

from pathlib import Path
from typing import Annotated

import typer

from monitor.cli.show import NOTES, progress
from monitor.clock import now_ts
from monitor.settings.service_file import load_settings
from monitor.store import backup as store_backup


def backup(
    target: Annotated[Path, typer.Argument(help="The file to write (.tar).")],
    file: Annotated[Path, typer.Option(help="The service file.")] = Path("strokewise.toml"),
) -> None:
    """Write a consistent backup and verify it; exit 1 if it does not verify."""
    folder = load_settings(file).data_dir
    with progress("backup", total=1.0) as bar:
        told = bar.task_ids[0]
        made = store_backup.backup(
            folder, target, now_ts(), lambda done: bar.update(told, completed=done)
        )
    with progress("verify", total=1.0) as bar:
        told = bar.task_ids[0]
        faults = store_backup.verify(target, lambda done: bar.update(told, completed=done))
    for fault in faults:
        NOTES.print(f"error: {fault}")
    size_mb = sum(member.size_bytes for member in made) / 1e6
    NOTES.print(
        f"{len(made)} {'file' if len(made) == 1 else 'files'}, {size_mb:.1f} MB in {target}"
    )
    raise typer.Exit(1 if faults else 0)
