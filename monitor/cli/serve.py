"""`strokewise serve`: the service on its settings."""

import contextlib
import logging
from pathlib import Path
from typing import Annotated

import typer

from monitor.cli.show import NOTES
from monitor.service.partition import Collector
from monitor.service.running import Service
from monitor.settings.service_file import load_settings


def serve(
    file: Annotated[Path, typer.Argument(help="The service file.")] = Path("strokewise.toml"),
) -> None:
    """Run broker (if embedded), intake, watch, alarms, word to people, and pages."""
    settings = load_settings(file)
    logging.basicConfig(
        level=settings.file.log_level.upper(),
        format="%(asctime)s %(levelname)s %(name)s %(message)s",
    )
    if settings.file.collector.shared:
        Collector(settings, NOTES.print).run()
        return
    service = Service(settings)
    with contextlib.ExitStack() as stack:
        stack.callback(service.stop)
        service.start()
        NOTES.print(f"Pages at {service.url}   broker {service.broker_url}   (stop with Ctrl-C)")
        for text in service.first_words():
            NOTES.print(text)
        service.wait_until_stopped()
