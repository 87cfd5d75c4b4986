"""`strokewise bench`: what this machine can do, as ratios measured side by side in one run."""

import os
import platform
import tempfile
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Annotated

import typer
from rich.table import Table

from monitor.charts.growth import Panel, draw
from monitor.cli.show import PEOPLE, progress
from monitor.service import bench as measure
from monitor.service import bench_serve
from monitor.service.bench import Parts, Row
from monitor.service.bench_serve import Live
from monitor.service.broker import EmbeddedBroker

SIZES = (20, 200, 2000)
Step = Callable[[], Iterable[Row]]


def bench(
    *,
    quick: Annotated[
        bool, typer.Option("--quick", help="Shorter runs, up to 200 pumps: a minute or two.")
    ] = False,
    plot: Annotated[
        Path | None, typer.Option(help="Draw how it grows with the pumps into this SVG file.")
    ] = None,
) -> None:
    """Measure intake, store, judgement, replay, pages, memory and start on this machine."""
    sizes = SIZES[:2] if quick else SIZES
    rows: list[Row] = []
    grown: list[Parts] = []
    live: list[Live] = []
    with tempfile.TemporaryDirectory(prefix="strokewise-bench-") as name:
        folder = Path(name)
        broker = EmbeddedBroker(folder / "broker")
        broker.start()
        steps = _steps(folder, broker, quick=quick)
        with progress("bench", total=len(steps) + 2 * len(sizes)) as bar:
            try:
                for step in steps:
                    rows += step()
                    bar.advance(bar.task_ids[0])
                for pumps in sizes:
                    seconds = 8 if quick else 20
                    live.append(bench_serve.live(broker.url, folder / f"l{pumps}", pumps, seconds))
                    rows += live[-1].rows()
                    bar.advance(bar.task_ids[0])
                for pumps in sizes:
                    seconds = 20 if quick or pumps > 200 else 60
                    grown.append(measure.parts_apart(pumps, seconds, folder / f"size{pumps}"))
                    bar.advance(bar.task_ids[0])
            finally:
                broker.stop()
    PEOPLE.print(_machine(broker))
    PEOPLE.print(_table(rows))
    PEOPLE.print(_growth(grown))
    if plot is not None:
        plot.write_text(growth(grown, live), encoding="utf-8")
        PEOPLE.print(f"drawn into {plot}")


def _steps(folder: Path, broker: EmbeddedBroker, *, quick: bool) -> list[Step]:
    hours, rounds = (4.0, 1) if quick else (24.0, 3)
    big = 200 if quick else 2000
    for name in ("store", "replay"):
        (folder / name).mkdir()
    return [
        lambda: measure.chain_rows(broker.port, folder, 200, *((20, 1) if quick else (50, 5))),
        lambda: [measure.store_rows(folder / "store", big, 10 if quick else 30)],
        lambda: measure.watch_rows(hours, rounds),
        lambda: measure.replay_rows(folder / "replay", hours, rounds),
        lambda: bench_serve.serve_rows(folder / "serve"),
        lambda: bench_serve.waking_rows(folder / "waking", broker.url, 20 if quick else 500),
    ]


def growth(grown: list[Parts], live: list[Live]) -> str:
    """The measured growth as a drawing."""
    panels = [
        Panel(
            "CPU a message, µs",
            {
                "decode": [p.decode_us for p in grown],
                "store": [p.store_us + p.fold_us for p in grown],
                "blocks": [p.assemble_us for p in grown],
                "watch": [p.watch_us for p in grown],
                "alarms": [p.alarms_us for p in grown],
            },
            stacked=True,
        ),
        Panel(
            "Cores kept busy, 1 message a second",
            {"whole service": [x.cores for x in live], "its parts": [p.cores for p in grown]},
            goal=("goal 1.5", 1.5),
        ),
        Panel(
            "Memory, MB",
            {"models fitted": [p.memory_mb for p in grown], "fresh": [x.memory_mb for x in live]},
            goal=("goal at 2,000", 1000.0),
        ),
        Panel(
            "Last message sent to all judged, s",
            {"99 of 100": [x.lag_p99_s for x in live], "half": [x.lag_p50_s for x in live]},
            goal=("goal 2 s", 2.0),
        ),
        Panel(
            "Start to first page, s (no past)",
            {"start": [x.start_s for x in live]},
            goal=("goal 3 s at 20", 3.0),
        ),
        Panel("Learning 270 draws again, CPU s", {"at a start": [p.learn_s for p in grown]}),
    ]
    return draw("What grows with the pumps", [p.pumps for p in grown], panels)


def _machine(broker: EmbeddedBroker) -> str:
    load = ", ".join(f"{x:.1f}" for x in os.getloadavg())
    return (
        f"{platform.system()} {platform.machine()}, {os.cpu_count()} cores, Python "
        f"{platform.python_version()}, broker {broker.name}; load average {load}. Ratio: the bare "
        "operation's time over ours, both from this run (goals: over 1 is reached)."
    )


def _table(rows: list[Row]) -> Table:
    table = Table(title="Side by side", title_justify="left")
    for heading in ("what", "ours", "bare or goal"):
        table.add_column(heading)
    table.add_column("ratio", justify="right")
    for row in rows:
        ratio = "" if row.ratio is None else f"{row.ratio:.3g}"
        table.add_row(row.what, row.ours, row.bare, ratio)
    return table


def _growth(grown: list[Parts]) -> Table:
    table = Table(
        title="Growth: CPU microseconds a message; cores at one message a second and pump",
        title_justify="left",
    )
    names = (
        "pumps", "decode", "store", "blocks", "watch", "alarms", "fold", "all", "cores", "MB",
    )  # fmt: skip
    for heading in names:
        table.add_column(heading, justify="right")
    for p in grown:
        parts = (p.decode_us, p.store_us, p.assemble_us, p.watch_us, p.alarms_us, p.fold_us)
        figures = [f"{x:.1f}" for x in (*parts, p.total_us)]
        table.add_row(f"{p.pumps:,}", *figures, f"{p.cores:.3f}", f"{p.memory_mb:.0f}")
    return table
