"""Reads a site file (TOML) into `monitor.site.Site`: every fault at once, with its place."""

from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from monitor.errors import BadSettings
from monitor.settings.written import Written, model, read
from monitor.site import Site

SITE_KEYS = ("id", "label", "time_zone", "altitude_m", "units", "hours")


def load_site(path: Path) -> Site:
    """The site a file describes. Raises BadSettings with all faults: file, line, key, reason."""
    written = read(path)
    _lift_site_table(written)
    _clock_times(written)
    _shorthands(written)
    _cross_checks(written)
    site = model(Site, written)
    if site is None or written.faults:
        raise BadSettings(written.faults)
    return site


def _lift_site_table(written: Written) -> None:
    """The [site] table's keys stand at the top of the model."""
    head = written.data.pop("site", None)
    if not isinstance(head, dict):
        return
    for key, value in head.items():
        written.data[key] = value
        spelled = written.keys.pop(("site", key), key)
        written.keys[(key,)] = spelled


def _clock_times(written: Written) -> None:
    """'07:30' becomes minutes of the day."""
    hours = written.data.get("hours")
    if isinstance(hours, dict):
        _times(written, hours, ("hours",), {"open": "open_min", "close": "close_min"})
    for i, person in enumerate(_tables(written, "people")):
        names = {
            "quiet_from": "quiet_from_min",
            "quiet_to": "quiet_to_min",
            "digest": "digest_min",
        }
        _times(written, person, ("people", i), names)


def _times(
    written: Written, table: dict[str, Any], place: tuple[str | int, ...], names: dict[str, str]
) -> None:
    for spelled, inside in names.items():
        if spelled not in table:
            continue
        written.keys[(*place, inside)] = spelled
        minutes = minutes_of(table.pop(spelled))
        if minutes is None:
            written.fault((*place, inside), "write a time of day like '07:30'")
        else:
            table[inside] = minutes


def minutes_of(text: object) -> int | None:
    """Minutes after midnight of 'HH:MM' (00:00 to 24:00), or None."""
    parts = str(text).split(":")
    if len(parts) != 2 or not all(p.isdigit() for p in parts):
        return None
    total = int(parts[0]) * 60 + int(parts[1])
    return total if int(parts[1]) < 60 and total <= 1440 else None


def _shorthands(written: Written) -> None:
    """`chemical = "…"` names the fluid; a text date stays as TOML gives it."""
    for i, pump in enumerate(_tables(written, "pumps")):
        if "chemical" in pump:
            fluid = pump.setdefault("fluid", {})
            if isinstance(fluid, dict):
                fluid["name"] = pump.pop("chemical")
                written.keys[("pumps", i, "fluid", "name")] = "chemical"


def _tables(written: Written, key: str) -> list[dict[str, Any]]:
    found = written.data.get(key, [])
    return [t for t in found if isinstance(t, dict)] if isinstance(found, list) else []


def _cross_checks(written: Written) -> None:
    _unique(written, "pumps")
    _unique(written, "air_supplies")
    _unique(written, "channels")
    supplies = {t.get("id") for t in _tables(written, "air_supplies")} or {"main"}
    for i, pump in enumerate(_tables(written, "pumps")):
        supply = pump.get("air_supply", "main")
        if supply not in supplies:
            known = ", ".join(sorted(str(s) for s in supplies))
            reason = f"no air supply '{supply}' in this file; known: {known}"
            written.fault(("pumps", i, "air_supply"), reason)
    channels = {t.get("id") for t in _tables(written, "channels")}
    for i, person in enumerate(_tables(written, "people")):
        for channel in person.get("channels", ()):
            if channel not in channels:
                reason = f"no channel '{channel}' in this file; add it under [[channels]]"
                written.fault(("people", i, "channels"), reason)
    zone = written.data.get("time_zone", "UTC")
    try:
        ZoneInfo(str(zone))
    except (ZoneInfoNotFoundError, ValueError):
        reason = f"'{zone}' is no IANA time zone; write one like 'America/Denver' or 'UTC'"
        written.fault(("time_zone",), reason)


def _unique(written: Written, key: str) -> None:
    seen: set[object] = set()
    for i, table in enumerate(_tables(written, key)):
        name = table.get("id")
        if name in seen:
            written.fault((key, i, "id"), f"'{name}' is used twice; every id must be its own")
        seen.add(name)
