"""The alarm figures against a worked set, and against the definitions they come from."""

import pytest

from monitor.advice.kinds import Kind, Priority
from monitor.alarms.figures import Activation, activations, figures, repeats
from monitor.alarms.flood import chatters, floods
from monitor.alarms.machine import AlarmMachine
from monitor.alarms.policy import AlarmPolicy
from monitor.detectors.finding import Finding, Presence

# One hour, activations in seconds (computed; the counting rules are those of an open benchmark
# note on alarm figures: only activations, empty periods stay, half-open windows).
HOUR = {
    "A": (0, 20, 40),
    "B": (600, 700),
    "C": tuple(1200 + 30 * i for i in range(12)),
    "D": (1700,), "E": (1800,), "F": (2500,), "G": (2600,), "H": (3000,), "I": (3300,),
    "J": (3400,), "K": (3500,),
}  # fmt: skip
SET = [Activation(name, float(t), t + 5.0) for name, times in HOUR.items() for t in times]


def test_the_worked_hour():
    found = figures(SET, 0.0, 3600.0)
    assert found.total == 25
    assert found.buckets == (3, 2, 13, 1, 2, 4)
    assert found.flood_period_share == pytest.approx(1 / 6)
    assert found.max_in_10_min == 13
    assert found.floods == ((1500.0, 2070.0),)
    assert found.flood_time_share == pytest.approx(570 / 3600)
    assert found.top[0] == ("C", 12)
    assert found.top[0][1] / found.total == pytest.approx(0.48)
    assert found.top_share == pytest.approx(0.96)
    assert found.chattering_names == ("A",)
    assert found.stale == 0
    assert found.per_hour == pytest.approx(25)
    assert set(found.misses()) >= {"flood_period_share", "max_in_10_min", "chattering"}


def test_one_alarm_in_ten_minutes_is_144_a_day_and_just_acceptable():
    day = [Activation(f"a{i}", i * 600.0, i * 600.0 + 60) for i in range(144)]
    found = figures(day, 0.0, 86400.0)
    assert (found.per_day, found.per_hour, found.per_10_min) == (144, 6, 1)
    assert found.misses() == []


def test_flood_starts_above_ten_and_ends_below_five():
    ten = [float(i) for i in range(10)]
    assert floods(ten, 10_000) == []
    assert floods([*ten, 10.0], 100) == [(10.0, None)]
    # Seven have left the window at 606 s, four remain.
    assert floods([*ten, 10.0], 10_000) == [(10.0, 606.0)]


def test_chattering_needs_three_in_a_half_open_minute():
    assert not chatters([0.0, 30.0, 60.0])
    assert chatters([0.0, 30.0, 59.9])
    assert not chatters([0.0, 1.0])


def test_stale_counts_what_stood_longer_than_a_day_at_once():
    seen = [Activation("a", 0.0), Activation("b", 10.0, 86400.0 * 1.5), Activation("c", 86400.0)]
    assert figures(seen, 0.0, 86400.0 * 1.9).stale == 2
    assert figures(seen, 0.0, 86400.0).stale == 0


def test_priority_split_sums_to_one():
    seen = [Activation("a", 1.0, 2.0, p) for p in Priority]
    assert sum(figures(seen, 0.0, 100.0).priority_share.values()) == pytest.approx(1.0)


def test_nothing_at_all_is_fine():
    found = figures([], 0.0, 86400.0)
    assert found.misses() == []
    assert (found.total, found.top_share, found.buckets) == (0, 0.0, (0,) * 144)


def test_activations_from_a_history_count_what_was_shown():
    m = AlarmMachine(lambda _: AlarmPolicy(Priority.ACT_NOW, 0.0, 0.0))
    told = []

    def hear(presence, ts, kind):
        told.extend(m.update([Finding("P1", kind, presence, ts, ts, 0.9)], ts))

    hear(Presence.YES, 1.0, Kind.LOW_AIR)
    hear(Presence.YES, 2.0, Kind.AIRLOCK)  # under low air: nobody sees it
    hear(Presence.NO, 3.0, Kind.LOW_AIR)
    hear(Presence.YES, 4.0, Kind.LOW_AIR)
    told += m.shelve(m.alarms()[0].id, "operator", "later", 5.0, until_ts=50.0)
    told += m.tick(60.0)
    seen = activations(told)
    assert [(a.name, a.ts, a.end_ts) for a in seen] == [
        ("P1.low-air", 1.0, 3.0),
        ("P1.low-air", 4.0, 5.0),
        ("P1.low-air", 50.0, None),
    ]
    assert repeats(told) == {"P1.low-air": 1}
