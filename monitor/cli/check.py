"""`strokewise check`: settings and installation, before anything is connected."""

from pathlib import Path
from typing import Annotated

import typer

from monitor.advice.text import amount
from monitor.cli.show import PEOPLE
from monitor.hydraulics.installation import Line, check_site
from monitor.service.stores import open_store
from monitor.settings.service_file import load_settings
from monitor.settings.site_file import load_site
from monitor.settings.written import read
from monitor.site import Site
from monitor.store.alarm_book import AlarmBook, HistoryBroken
from monitor.units import DISPLAYS

MARKS = {"ok": "as it should", "warn": "look at", "bad": "change", "unknown": "not known"}


def check(
    file: Annotated[Path, typer.Argument(help="A service file or a site file (TOML).")],
    *,
    quiet: Annotated[bool, typer.Option("--quiet", help="Only what is not as it should.")] = False,
    data: Annotated[bool, typer.Option("--data", help="Read all stored data back too.")] = False,
) -> None:
    """Check settings and, pump by pump, the installation; exit 1 when something must change."""
    written = read(file)
    sites = load_settings(file).sites if "sites" in written.data else (load_site(file),)
    bad = sum(show_site(site, quiet=quiet) for site in sites)
    if data and "sites" in written.data:
        bad += show_data(file)
    PEOPLE.print(
        "Limits are common practice or computed; the pump's and the chemical's makers, safety "
        "data sheets, local codes and licensed trades prevail."
    )
    raise typer.Exit(1 if bad else 0)


def show_site(site: Site, *, quiet: bool) -> int:
    """Print one site, a line for each matter; how many must change."""
    lines = check_site(site)
    for pump in site.pumps:
        PEOPLE.print(f"{site.id}/{pump.id}  {pump.label}".rstrip())
        for item in lines:
            if item.pump == pump.id and not (quiet and item.verdict == "ok"):
                PEOPLE.print(as_line(item, site))
    return sum(item.verdict == "bad" for item in lines)


def show_data(file: Path) -> int:
    """Read every stored chunk and the alarm history back; how many places are damaged."""
    store = open_store(load_settings(file), read_only=True)
    try:
        damage = [f"{d.file}, {d.place}: {d.problem}" for d in store.verify()]
        try:
            PEOPLE.print(f"alarm history: {AlarmBook(store.core).verify()} entries, unbroken")
        except HistoryBroken as problem:
            damage.append(f"alarm history: {problem}")
    finally:
        store.close()
    for text in damage:
        PEOPLE.print(f"damaged: {text}")
    PEOPLE.print(f"stored data: {len(damage)} damaged places")
    return len(damage)


def as_line(item: Line, site: Site) -> str:
    """'  change: air pressure 112 psi (20 psi to 100 psi; common practice ...): lower it'."""
    value = amount(item.value, item.unit, DISPLAYS[site.units])
    text = f"  {MARKS[item.verdict]}: {item.name} {value} ({item.limit}; {item.source})"
    return f"{text}: {item.what_to_change}" if item.what_to_change else text
