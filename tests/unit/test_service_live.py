"""What event streams see, and the fields the JSON record of an alarm has."""

import asyncio
import json

from monitor.advice.kinds import Kind, Priority
from monitor.alarms.types import Alarm, State
from monitor.cli.replay import record
from monitor.detectors.finding import Evidence
from monitor.service.live import KEPT_CHANGES, Changes


def test_changes_are_numbered_and_distinct():
    log = Changes()
    log.add(["a", "b", "a"])
    newest, ids = log.after(0)
    assert (newest, ids) == (3, ["a", "b"])
    assert log.after(3) == (3, [])
    log.add(["c"])
    assert log.after(3) == (4, ["c"])


def test_changes_are_bounded():
    log = Changes()
    log.add([str(i) for i in range(3 * KEPT_CHANGES)])
    newest, ids = log.after(0)
    assert newest == 3 * KEPT_CHANGES
    assert len(ids) == KEPT_CHANGES
    assert ids[-1] == str(3 * KEPT_CHANGES - 1)


def test_an_alarm_as_json_has_the_promised_fields():
    alarm = Alarm(
        "x", "fern", "p1", Kind.LOW_AIR, Priority.THIS_SHIFT, State.NOT_ACKNOWLEDGED,
        active=True, acked=False, since_ts=1.0, raised_ts=1_764_000_000.25, last_raised_ts=None,
        cleared_ts=None, acked_ts=None, acked_by=None, count=1, confidence=0.91234, severity=0.5,
        sentence="Low air.", evidence=(Evidence("stall pressure", 3e5, "Pa", 4e5, None),),
        causes=((Kind.LOW_AIR, 0.9), (Kind.PRESSURE_SENSOR, 0.1)),
    )  # fmt: skip
    made = json.loads(json.dumps(record(alarm)))
    promised = [
        "pump",
        "kind",
        "side",
        "priority",
        "state",
        "raised",
        "cleared",
        "confidence",
        "evidence",
    ]
    assert list(made)[: len(promised)] == promised
    assert made["side"] == "air"
    assert made["raised"] == "2025-11-24T16:00:00.250Z"
    assert made["cleared"] is None
    assert made["evidence"][0] == {
        "name": "stall pressure", "value": 3e5, "unit": "Pa", "usual": [4e5, None],
        "limits": [None, None],
    }  # fmt: skip
    assert made["causes"][1] == ["pressure sensor fault", 0.1]


def test_waiting_for_changes_ends_at_once_when_there_are_some():
    from monitor.service.live import LiveService

    live = LiveService.__new__(LiveService)
    live.log = Changes()
    live.log.add(["a"])
    assert asyncio.run(live.changes(0, wait_s=5.0)) == (1, ["a"])
    assert asyncio.run(live.changes(1, wait_s=0.0)) == (1, [])
