"""`strokewise export`: the stored samples, as they came."""

import csv
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, TextIO

import typer

from monitor.cli.show import NOTES, stamp
from monitor.errors import StrokewiseError
from monitor.service.stores import open_folder
from monitor.settings.service_file import load_settings
from monitor.store.interface import Store
from monitor.wire import Message

HEADER = ("time", "pump", "pressure_pa", "strokes", "demand", "air_pa")
STEP_S = 3600.0


def export(
    pump: Annotated[str, typer.Argument(help="site/pump, such as pine-hollow/presoak.")],
    *,
    start: Annotated[str, typer.Option("--from", help="RFC 3339; left out: all.")] = "",
    end: Annotated[str, typer.Option("--to", help="RFC 3339, not included; left out: all.")] = "",
    out: Annotated[Path | None, typer.Option(help="A file; left out: standard output.")] = None,
    file: Annotated[Path, typer.Option(help="The service file.")] = Path("strokewise.toml"),
) -> None:
    """Write a pump's samples as CSV that `replay` reads again, also beside a running service."""
    site_id, _, pump_id = pump.partition("/")
    settings = load_settings(file)
    site = next((s for s in settings.sites if s.id == site_id), None)
    if site is None or site.pump(pump_id) is None:
        known = [f"{s.id}/{p.id}" for s in settings.sites for p in s.pumps]
        raise StrokewiseError(f"no pump '{pump}'; known: {', '.join(known)}")
    store = open_folder(settings.data_dir, read_only=True)
    try:
        latest_ts = store.latest_ts().get((site_id, pump_id), 0.0)
        span = (parse(start, 0.0), parse(end, latest_ts + 1.0))
        if out is None:
            count = write(store, (site_id, pump_id), span, sys.stdout)
        else:
            with out.open("w", encoding="utf-8", newline="") as target:
                count = write(store, (site_id, pump_id), span, target)
    finally:
        store.close()
    NOTES.print(f"{count} samples")


def parse(text: str, otherwise: float) -> float:
    """Unix seconds of an RFC 3339 time. Raises StrokewiseError."""
    if not text:
        return otherwise
    try:
        moment = datetime.fromisoformat(text)
    except ValueError:
        raise StrokewiseError(f"'{text}' is no RFC 3339 time like 2026-03-01T08:00:00Z") from None
    return (moment if moment.tzinfo else moment.replace(tzinfo=UTC)).timestamp()


def write(store: Store, key: tuple[str, str], span: tuple[float, float], target: TextIO) -> int:
    """Samples of [from, to), hour by hour; how many."""
    rows = csv.writer(target, lineterminator="\r\n")
    rows.writerow(HEADER)
    count = 0
    from_ts = max(span[0], first_ts(store, key, span))
    while from_ts < span[1]:
        to_ts = min(from_ts + STEP_S, span[1])
        for message in store.messages(*key, from_ts, to_ts):
            count += _write_message(message, rows)
        from_ts = to_ts
    return count


def first_ts(store: Store, key: tuple[str, str], span: tuple[float, float]) -> float:
    """Where the stored data of a pump begin, so that empty years cost nothing."""
    series = store.read(*key, span, max_points=2000)
    return float(series.ts[0]) - STEP_S if len(series.ts) else span[1]


def _write_message(message: Message, rows: "csv._writer") -> int:  # type: ignore[name-defined]  # the csv module names no public type
    pressure = message.pressure_pa()
    total = int(message.stroke_total[0]) if len(message.stroke_total) else None
    changes = iter(zip(message.stroke_t_us.tolist(), message.stroke_total.tolist(), strict=True))
    change = next(changes, None)
    for i, value in enumerate(pressure.tolist()):
        t_us = message.t0_us + i * message.dt_us
        while change is not None and change[0] <= t_us:
            total, change = change[1], next(changes, None)
        shown = "" if value != value else repr(value)
        rows.writerow(
            (stamp_us(t_us), message.pump, shown, "" if total is None else total,
             _demand(message, t_us), "" if message.air_pa is None else repr(message.air_pa))
        )  # fmt: skip
    return len(pressure)


def _demand(message: Message, t_us: int) -> str:
    if message.demand_t_us is None or message.demand_on is None or not len(message.demand_t_us):
        return ""
    before = message.demand_on[message.demand_t_us <= t_us]
    return "" if not len(before) else str(int(before[-1]))


def stamp_us(t_us: int) -> str:
    """RFC 3339 with microseconds."""
    text = stamp(t_us // 1_000_000) or ""
    return f"{text[:-5]}.{t_us % 1_000_000:06d}Z"
