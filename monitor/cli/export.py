"""`strokewise export`: the stored samples as they came, or everything an owner may want."""

from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated

import typer

from monitor.cli.show import NOTES, progress
from monitor.errors import WrongUse
from monitor.service.stores import open_store
from monitor.settings.service_file import Settings, load_settings
from monitor.store.embedded import EmbeddedStore
from monitor.store.export import FORMS, Wish, everything, samples
from monitor.store.interface import Level


def export(
    pump: Annotated[str, typer.Argument(help="site/pump, such as pine-hollow/foam, or 'all'.")],
    out: Annotated[Path, typer.Argument(help=f"A file ({', '.join(FORMS)}); a folder for 'all'.")],
    *,
    start: Annotated[str, typer.Option("--from", help="RFC 3339; left out: all.")] = "",
    end: Annotated[str, typer.Option("--to", help="RFC 3339, not included; left out: all.")] = "",
    file: Annotated[Path, typer.Option(help="The service file.")] = Path("strokewise.toml"),
) -> None:
    """Write samples that `replay` reads again, also beside a running service."""
    settings = load_settings(file)
    if pump != "all" and out.suffix not in FORMS:
        raise WrongUse(f"'{out.name}': the name must end with one of {', '.join(FORMS)}")
    wish = None if pump == "all" else wished(settings, pump, start, end)
    store = open_store(settings, read_only=True)
    try:
        with progress("export", total=1.0) as bar:
            _write(store, wish, out, lambda done: bar.update(bar.task_ids[0], completed=done))
    finally:
        store.close()


def _write(
    store: EmbeddedStore, wish: Wish | None, out: Path, told: Callable[[float], None]
) -> None:
    if wish is None:
        made = everything(store, store.core, out, told)
        NOTES.print(f"{len(made)} files in {out}")
        return
    count = samples(store, narrowed(store, wish), out, told)
    NOTES.print(f"{count} samples in {out}")


def wished(settings: Settings, pump: str, start: str, end: str) -> Wish:
    """What was asked for. Raises WrongUse naming what there is."""
    site_id, _, pump_id = pump.partition("/")
    site = next((s for s in settings.sites if s.id == site_id), None)
    if site is None or site.pump(pump_id) is None:
        known = [f"{s.id}/{p.id}" for s in settings.sites for p in s.pumps]
        raise WrongUse(f"no pump '{pump}'; known: {', '.join(known)}")
    return Wish(site_id, pump_id, (moment(start, 0.0), moment(end, 4e9)))


def moment(text: str, otherwise: float) -> float:
    """Unix seconds of an RFC 3339 time. Raises WrongUse."""
    if not text:
        return otherwise
    try:
        read = datetime.fromisoformat(text)
    except ValueError:
        raise WrongUse(f"'{text}' is no RFC 3339 time like 2026-03-01T08:00:00Z") from None
    return (read if read.tzinfo else read.replace(tzinfo=UTC)).timestamp()


def narrowed(store: EmbeddedStore, wish: Wish) -> Wish:
    """The wish cut to where there are data, so that empty years cost nothing."""
    newest_ts = store.latest_ts().get((wish.site, wish.pump), 0.0)
    end_ts = min(wish.span[1], newest_ts + 1.0)
    hours = store.read(wish.site, wish.pump, (wish.span[0], end_ts), level=Level.HOUR).ts
    first_ts = float(hours[0]) - 3600.0 if len(hours) else end_ts - 7200.0
    start_ts = max(wish.span[0], min(first_ts, end_ts))
    return Wish(wish.site, wish.pump, (start_ts, max(end_ts, start_ts)))
