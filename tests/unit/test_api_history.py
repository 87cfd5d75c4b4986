"""Alarms of the past against a slow twin that reads the whole history."""

from dataclasses import replace

import pytest

from monitor.advice.kinds import Kind
from monitor.api.double import Double, finding, invented_site
from monitor.api.history import alarms_between
from monitor.detectors.finding import Presence
from monitor.store.alarm_book import AlarmBook, Asked

NOW = 1_793_795_200.0
DAY_S = 86_400.0


@pytest.fixture(scope="module")
def double(tmp_path_factory):
    made = Double(tmp_path_factory.mktemp("history"), NOW, (invented_site(pumps=3),))
    for day in range(40, 0, -1):
        kind = (Kind.AIRLOCK, Kind.LOW_AIR, Kind.NO_DEMAND)[day % 3]
        found = finding(f"P{1 + day % 2}", kind, NOW - day * DAY_S, "x")
        made.time_ts = found.ts + 600
        made.find("north", found)
        if day > 2:
            made.find("north", replace(found, presence=Presence.NO, ts=found.ts + 7200))
            made.time_ts = found.ts + 9000
            made.find("north", replace(found, presence=Presence.NO, ts=made.time_ts))
        for alarm in made.alarms("north"):
            made.acknowledge(alarm.id, by="ann")
    made.time_ts = NOW
    yield made
    made.core.close()


def slow_twin(double, span, subject):
    last = {}
    for entry in reversed(AlarmBook(double.core).history(Asked(site="north"), limit=10_000)):
        if entry.change.after is not None:
            last[entry.change.after.id] = entry.change.after
    out = set()
    for alarm in last.values():
        end = float("inf") if alarm.active else alarm.cleared_ts
        if alarm.raised_ts < span[1] and end >= span[0] and subject in (None, alarm.subject):
            out.add((alarm.id, alarm.state, alarm.cleared_ts, alarm.acked_by))
    return out


@pytest.mark.parametrize("subject", [None, "P1", "P2", "P3"])
@pytest.mark.parametrize("days", [(40, 0), (20, 10), (1, 0), (35, 34.5), (400, 300)])
def test_every_occurrence_is_there_once_as_it_last_stood(double, subject, days):
    span = (NOW - days[0] * DAY_S, NOW - days[1] * DAY_S)
    found = alarms_between(double, "north", span, subject)
    seen = {(a.id, a.state, a.cleared_ts, a.acked_by) for a in found}
    assert len(found) == len(seen)
    assert seen == slow_twin(double, span, subject)
    raised = [a.raised_ts for a in found]
    assert raised == sorted(raised, reverse=True)
