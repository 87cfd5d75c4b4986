"""`strokewise prepare`: make what the settings need outside, and try it out."""

from pathlib import Path
from typing import Annotated

import typer

from monitor.cli.show import NOTES, PEOPLE
from monitor.clock import now_ts
from monitor.errors import StrokewiseError
from monitor.notify.channels import ApprisePost
from monitor.notify.office import Office
from monitor.service.stores import influx_server, open_store
from monitor.settings.service_file import Settings, channel_url, load_settings


def prepare(
    file: Annotated[Path, typer.Argument(help="The service file.")] = Path("strokewise.toml"),
    *,
    channels: Annotated[
        bool, typer.Option("--channels", help="Send a test message through every channel.")
    ] = False,
) -> None:
    """Make the database's bucket with its retention; with --channels also try every channel."""
    settings = load_settings(file)
    problems = _bucket(settings)
    if channels:
        problems += _channels(settings)
    raise typer.Exit(1 if problems else 0)


def _bucket(settings: Settings) -> int:
    if settings.file.store.kind != "influxdb":
        PEOPLE.print("store: embedded, nothing to prepare")
        return 0
    from monitor.store.influx import InfluxRemote

    remote = InfluxRemote(influx_server(settings))
    try:
        PEOPLE.print(f"store: {remote.prepare(settings.file.store.raw_days)}")
    except StrokewiseError as problem:
        NOTES.print(f"error: store: {problem}")
        return 1
    finally:
        remote.close()
    return 0


def _channels(settings: Settings) -> int:
    urls = {
        (site.id, channel.id): channel_url(channel, settings.folder)
        for site in settings.sites
        for channel in site.channels
    }
    store = open_store(settings, read_only=True)
    try:
        office = Office(store.core, ApprisePost(lambda s, c: urls[(s, c)]), clock=now_ts)
        bad = 0
        for site in settings.sites:
            for channel in site.channels:
                why = office.try_out(site, channel.id)
                bad += why is not None
                PEOPLE.print(f"{site.id}/{channel.id}: {why or 'took the test message'}")
    finally:
        store.close()
    return bad
