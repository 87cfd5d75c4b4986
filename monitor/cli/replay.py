"""`strokewise replay`: recorded data through the same path at full speed."""

import json
from pathlib import Path
from typing import Annotated

import typer

from monitor.alarms.types import Alarm
from monitor.cli.show import NOTES, PEOPLE, line, progress, stamp
from monitor.service.replay import Replay
from monitor.settings.site_file import load_site
from monitor.site import Site


def replay(
    files: Annotated[list[Path], typer.Argument(help="CSV, Parquet or JSON Lines recordings.")],
    site: Annotated[
        list[Path],
        typer.Option(
            help="The site file the pumps are described in; with several, a recording lies in a "
            "folder named by its site's id."
        ),
    ],
    *,
    as_json: Annotated[bool, typer.Option("--json", help="Alarms as JSON Lines.")] = False,
    jobs: Annotated[
        int, typer.Option(min=1, help="Processes; pumps of one air supply stay together.")
    ] = 1,
    keep: Annotated[
        Path | None,
        typer.Option(help="Folder for finished parts, to go on from after an interruption."),
    ] = None,
) -> None:
    """Print the alarms a recording would have raised; exit 1 when there are any."""
    sites = [load_site(path) for path in site]
    if jobs == 1 and keep is None and len(sites) == 1:
        alarms, notes = _one_by_one(sites[0], files)
    else:
        alarms, notes = _in_parallel(sites, files, jobs, keep)
    for alarm in alarms:
        if as_json:
            line(json.dumps(record(alarm), ensure_ascii=False))
        else:
            ended = f", ended {stamp(alarm.cleared_ts)}" if alarm.cleared_ts else ", stands"
            PEOPLE.print(
                f"{stamp(alarm.raised_ts)}  {alarm.subject}  {alarm.kind} ({alarm.side} side, "
                f"{alarm.priority}{ended}): {alarm.sentence}"
            )
    if not alarms and not as_json:
        PEOPLE.print("No alarm in what was recorded.")
    for note in notes:
        PEOPLE.print(note) if not as_json else None
    raise typer.Exit(1 if alarms else 0)


def _one_by_one(site: Site, files: list[Path]) -> tuple[list[Alarm], list[str]]:
    run = Replay(site)
    with progress("replay", total=1.0) as bar:
        for share in run.files(files):
            bar.update(bar.task_ids[0], completed=share)
    return run.alarms(), run.notes()


def _in_parallel(
    sites: list[Site], files: list[Path], jobs: int, keep: Path | None
) -> tuple[list[Alarm], list[str]]:
    # Imported here: only who asks for it starts processes.
    from monitor.service.months import Months, by_site

    todo = by_site(sites, files)
    run = Months(jobs, keep)
    with progress("replay", total=1.0) as bar:
        for share in run.run(todo):
            bar.update(bar.task_ids[0], completed=share)
    if run.resumed:
        NOTES.print(f"{run.resumed} of {len(todo)} parts were done before")
    return run.alarms(todo), run.notes()


def record(alarm: Alarm) -> dict[str, object]:
    """One alarm as a JSON object; SI units, times RFC 3339 and Unix seconds."""
    return {
        "pump": alarm.subject,
        "kind": alarm.kind.value,
        "side": alarm.side.value,
        "priority": alarm.priority.value,
        "state": alarm.state.value,
        "raised": stamp(alarm.raised_ts),
        "cleared": stamp(alarm.cleared_ts),
        "confidence": round(alarm.confidence, 3),
        "evidence": [
            {
                "name": e.name,
                "value": e.value,
                "unit": e.unit,
                "usual": [e.usual_low, e.usual_high],
                "limits": [e.low, e.high],
            }
            for e in alarm.evidence
        ],
        "sentence": alarm.sentence,
        "severity": round(alarm.severity, 3),
        "causes": [[kind.value, round(weight, 3)] for kind, weight in alarm.causes],
        "since": stamp(alarm.since_ts),
        "raised_ts": alarm.raised_ts,
        "cleared_ts": alarm.cleared_ts,
        "count": alarm.count,
        "members": list(alarm.members),
    }
