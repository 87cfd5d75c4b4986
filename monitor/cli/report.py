"""`strokewise report visit|bays`: the paper, also beside a running service."""

from pathlib import Path
from typing import Annotated

import typer

from monitor.alarms.grouping import Family
from monitor.alarms.machine import AlarmMachine
from monitor.alarms.policy import default_policy
from monitor.api.bays import periods
from monitor.cli.show import NOTES
from monitor.clock import now_ts
from monitor.errors import WrongUse
from monitor.reports.days import DayTallies
from monitor.reports.export import csv_chunks, table
from monitor.reports.load import Loader
from monitor.reports.paper import bays_pdf, visit_pdf
from monitor.reports.table import table as in_words
from monitor.service.stores import open_store
from monitor.settings.service_file import Settings, load_settings
from monitor.site import Site
from monitor.store.alarm_book import AlarmBook
from monitor.store.embedded import EmbeddedStore
from monitor.units import DISPLAYS

app = typer.Typer(help="Write the visit sheet or the bay comparison.", no_args_is_help=True)

SiteName = Annotated[str, typer.Argument(help="The site's id.")]
File = Annotated[Path, typer.Option(help="The service file.")]
Out = Annotated[Path, typer.Option(help="The file to write: .pdf, for bays also .csv.")]


@app.command()
def visit(
    site: SiteName, out: Out = Path("visit.pdf"), file: File = Path("strokewise.toml")
) -> None:
    """What is open at a site, ranked by what a visit would save, as PDF."""
    settings = load_settings(file)
    found, store = _open(settings, site)
    try:
        machine = AlarmMachine(default_policy, site=found.id, family=Family.of(found))
        saved = AlarmBook(store.core).load(found.id)
        if saved is not None:
            machine.load(saved)
        loader = Loader(DayTallies(store.core, store), found)
        out.write_bytes(visit_pdf(loader.sheet(machine.alarms(), now_ts())))
    finally:
        store.close()
    NOTES.print(f"wrote {out}")


@app.command()
def bays(
    site: SiteName,
    out: Out = Path("bays.pdf"),
    *,
    days: Annotated[int, typer.Option(min=1, max=366, help="The period, up to now.")] = 30,
    by: Annotated[str, typer.Option(help="bay or pump")] = "bay",
    file: File = Path("strokewise.toml"),
) -> None:
    """Bays or pumps of a site side by side, with intervals, as PDF or CSV."""
    if by not in ("bay", "pump"):
        raise typer.BadParameter("write 'bay' or 'pump'", param_hint="--by")
    settings = load_settings(file)
    found, store = _open(settings, site)
    try:
        loader = Loader(DayTallies(store.core, store), found)
        span, before = periods(found, now_ts(), days)
        compared = loader.comparison(span, before, now_ts(), by=by.capitalize())
        made = in_words(compared, DISPLAYS[found.units], found.zone, now_ts())
        if out.suffix.lower() == ".csv":
            body = [[f"{c.text} {c.note}".strip() for c in row] for row in made.rows]
            out.write_bytes(b"".join(csv_chunks(table(made.headings, body))))
        else:
            out.write_bytes(bays_pdf(made, found.label or found.id, DISPLAYS[found.units]))
    finally:
        store.close()
    NOTES.print(f"wrote {out}")


def _open(settings: Settings, site_id: str) -> tuple[Site, EmbeddedStore]:
    found = next((s for s in settings.sites if s.id == site_id), None)
    if found is None:
        known = ", ".join(s.id for s in settings.sites)
        raise WrongUse(f"no site '{site_id}'; known: {known}")
    return found, open_store(settings, read_only=True)
