import itertools
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from monitor.charts.ticks import day_start_ts, round_step, time_ticks, value_ticks

PARIS = ZoneInfo("Europe/Paris")


def ts(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


def test_the_day_summer_time_ends_has_25_hours_and_two_o_clock_twice():
    """Directive 2000/84/EC: in 2026 summer time ends on 25 October at 01:00 UTC."""
    span = (ts("2026-10-25T00:00+02:00"), ts("2026-10-26T00:00+01:00"))
    assert span[1] - span[0] == 25 * 3600
    ticks = time_ticks(span, PARIS, 25)
    assert len(ticks) == 25
    texts = [t.text for t in ticks]
    assert texts[2:5] == ["02:00 CEST", "02:00 CET", "03:00 CET"]
    assert all(b.ts - a.ts == 3600 for a, b in itertools.pairwise(ticks))


def test_six_hour_ticks_stay_on_the_wall_clock_over_the_change():
    span = (ts("2026-10-24T00:00+02:00"), ts("2026-10-27T00:00+01:00"))
    hours = [datetime.fromtimestamp(t.ts, PARIS).hour for t in time_ticks(span, PARIS, 13)]
    assert set(hours) == {0, 6, 12, 18}


def test_the_day_summer_time_begins_has_23_hours():
    span = (ts("2026-03-29T00:00+01:00"), ts("2026-03-30T00:00+02:00"))
    assert len(time_ticks(span, PARIS, 25)) == 23


@pytest.mark.parametrize("length", [10, 60, 900, 3600, 86_400, 7 * 86_400, 30 * 86_400, 3.2e7, 6e8])
@pytest.mark.parametrize("zone", ["Europe/Paris", "America/Chicago", "Asia/Kolkata", "UTC"])
def test_there_are_some_ticks_and_not_too_many(length, zone):
    start = datetime(2026, 5, 3, 7, 13, 5, tzinfo=UTC).timestamp()
    ticks = time_ticks((start, start + length), ZoneInfo(zone), 8)
    assert 1 <= len(ticks) <= 9
    assert all(start <= t.ts < start + length for t in ticks)
    assert all(a.ts < b.ts for a, b in itertools.pairwise(ticks))


def test_days_begin_at_local_midnight_and_years_are_strong():
    assert day_start_ts(datetime(2026, 7, 1, tzinfo=UTC).date(), PARIS) == ts(
        "2026-07-01T00:00+02:00"
    )
    start = ts("2025-06-15T00:00+00:00")
    strong = [t.text for t in time_ticks((start, start + 400 * 86_400), PARIS, 8) if t.strong]
    assert strong == ["2026"]


def test_values_are_round_and_enclose():
    assert value_ticks(0, 61, 4) == [0, 20, 40, 60, 80]
    assert value_ticks(0, 4.2, 4) == [0, 2, 4, 6]
    assert round_step(100, 5) == 20


def test_half_minutes_are_written_with_their_seconds():
    begin = ts("2026-11-25T14:00+01:00")
    texts = [t.text for t in time_ticks((begin, begin + 400.0), PARIS, 14)]
    assert texts[:3] == ["14:00:00", "14:00:30", "14:01:00"]
    assert len(set(texts)) == len(texts)
    assert time_ticks((begin, begin + 400.0), PARIS, 7)[0].text == "14:00"
