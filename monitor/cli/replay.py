"""`strokewise replay`: recorded data through the same path at full speed."""

import json
from pathlib import Path
from typing import Annotated

import typer

from monitor.alarms.types import Alarm
from monitor.cli.show import PEOPLE, line, progress, stamp
from monitor.service.replay import Replay
from monitor.settings.site_file import load_site


def replay(
    files: Annotated[list[Path], typer.Argument(help="CSV, Parquet or JSON Lines recordings.")],
    site: Annotated[Path, typer.Option(help="The site file the pumps are described in.")],
    *,
    as_json: Annotated[bool, typer.Option("--json", help="Alarms as JSON Lines.")] = False,
) -> None:
    """Print the alarms a recording would have raised; exit 1 when there are any."""
    run = Replay(load_site(site))
    with progress("replay", total=1.0) as bar:
        for share in run.files(files):
            bar.update(bar.task_ids[0], completed=share)
    alarms = run.alarms()
    for alarm in alarms:
        if as_json:
            line(json.dumps(record(alarm), ensure_ascii=False))
        else:
            ended = f", ended {stamp(alarm.cleared_ts)}" if alarm.cleared_ts else ", stands"
            PEOPLE.print(
                f"{stamp(alarm.raised_ts)}  {alarm.subject}  {alarm.kind} ({alarm.side} side, "
                f"{alarm.priority}{ended}): {alarm.sentence}"
            )
    for note in run.notes():
        PEOPLE.print(note) if not as_json else None
    raise typer.Exit(1 if alarms else 0)


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
