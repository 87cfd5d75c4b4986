"""Who gets word, and when: simulated hours, in the site's zone."""

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from monitor.advice.kinds import Kind, Priority
from monitor.alarms.types import Alarm, State
from monitor.notify.routes import (
    BURST,
    GATHER_S,
    Case,
    Told,
    Word,
    digests,
    flood_over,
    is_quiet,
    plan,
)
from monitor.site import Person, Pump, Site

ZONE = ZoneInfo("Europe/Paris")
MIN_S, HOUR_S = 60.0, 3600.0


def at(text):
    return datetime.fromisoformat(text).replace(tzinfo=ZONE).timestamp()


NOON = at("2026-11-11 12:00")
NIGHT = at("2026-11-11 23:30")


def site(*people):
    return Site(id="harbour", time_zone="Europe/Paris", pumps=(Pump(id="P1"),), people=people)


def person(name="operator", **kw):
    wanted = {"role": "operator", "channels": ("mail",), **kw}
    return Person(id=name, **wanted)


def alarm(ts=NOON, *, state=State.NOT_ACKNOWLEDGED, priority=Priority.ACT_NOW, **kw):
    active = state in (State.NOT_ACKNOWLEDGED, State.ACKNOWLEDGED)
    facts = {
        "id": "harbour.P1.airlock.1", "site": "harbour", "subject": "P1", "kind": Kind.AIRLOCK,
        "priority": priority, "state": state, "active": active, "acked": False, "since_ts": ts,
        "raised_ts": ts, "last_raised_ts": ts, "cleared_ts": None, "acked_ts": None,
        "acked_by": None, "count": 1, "confidence": 0.9, "severity": 0.5, "sentence": "Gas.",
    }  # fmt: skip
    return Alarm(**{**facts, **kw})


def case(a, told=None, heard_ts=None):
    return Case(a, a.last_raised_ts if heard_ts is None else heard_ts, told or {})


def words(s, cases, now, recent=None, **kw):
    return [(n.person.id, n.word) for n in plan(s, cases, recent or {}, now, **kw)]


def test_word_goes_at_once_and_only_once():
    s, a = site(person()), alarm()
    assert words(s, [case(a)], NOON) == [("operator", Word.RAISED)]
    assert words(s, [case(a, {"operator": Told(Word.RAISED, 1)})], NOON + 60) == []


def test_only_priorities_asked_for_and_only_people_with_a_channel():
    s = site(person(priorities=("act now",)), person("tech", channels=()))
    assert words(s, [case(alarm(priority=Priority.NEXT_VISIT))], NOON) == []
    assert words(s, [case(alarm())], NOON) == [("operator", Word.RAISED)]


def test_acknowledged_or_hidden_alarms_are_silent():
    s = site(person())
    for state in (State.ACKNOWLEDGED, State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE):
        assert words(s, [case(alarm(state=state))], NOON) == []


def test_escalation_only_when_nobody_acknowledged_in_time():
    s = site(person(), person("owner", role="owner", escalate_after_s=30 * MIN_S))
    told = {"operator": Told(Word.RAISED, 1)}
    a = alarm()
    assert words(s, [case(a, told)], NOON + 29 * MIN_S) == []
    assert words(s, [case(a, told)], NOON + 30 * MIN_S) == [("owner", Word.ESCALATED)]
    acked = alarm(state=State.ACKNOWLEDGED)
    assert words(s, [case(acked, told)], NOON + 31 * MIN_S) == []


def test_escalation_counts_from_when_it_was_heard_after_an_outage():
    s = site(person("owner", role="owner", escalate_after_s=30 * MIN_S))
    late = case(alarm(NOON - 5 * HOUR_S), heard_ts=NOON)
    assert words(s, [late], NOON + 1) == []
    assert words(s, [late], NOON + 30 * MIN_S) == [("owner", Word.ESCALATED)]


QUIET = {"quiet_from_min": 22 * 60, "quiet_to_min": 6 * 60}


@pytest.mark.parametrize(
    ("clock", "quiet"),
    [
        ("2026-11-11 21:59", False),
        ("2026-11-11 22:00", True),
        ("2026-11-12 05:59", True),
        ("2026-11-12 06:00", False),
    ],
)
def test_quiet_hours_cross_midnight(clock, quiet):
    assert is_quiet(person(**QUIET), ZONE, at(clock)) is quiet


def test_quiet_hours_follow_the_wall_clock_over_the_clock_change():
    # In the night of 25 October 2026 the zone goes from +02:00 to +01:00 (IANA tz database).
    assert is_quiet(person(**QUIET), ZONE, at("2026-10-24 22:30"))
    assert is_quiet(person(**QUIET), ZONE, at("2026-10-25 05:30"))
    assert not is_quiet(person(**QUIET), ZONE, at("2026-10-25 06:30"))


def test_off_duty_is_quiet_all_day():
    weekdays = person(duty_days=(0, 1, 2, 3, 4))
    assert is_quiet(weekdays, ZONE, at("2026-11-14 12:00"))  # a Saturday
    assert not is_quiet(weekdays, ZONE, at("2026-11-13 12:00"))


def test_word_that_can_wait_waits_for_the_end_of_quiet_hours():
    s = site(person(**QUIET))
    a = alarm(NIGHT, priority=Priority.THIS_SHIFT)
    assert words(s, [case(a)], NIGHT) == []
    assert words(s, [case(a)], at("2026-11-12 06:00")) == [("operator", Word.RAISED)]
    gone = alarm(NIGHT, priority=Priority.THIS_SHIFT, state=State.RETURNED, cleared_ts=NIGHT + 60)
    assert words(s, [case(gone)], at("2026-11-12 06:00")) == []


def test_act_now_wakes_somebody_only_if_nobody_else_is_awake():
    asleep, awake = person(**QUIET), person("tech", role="tech")
    assert words(site(asleep), [case(alarm(NIGHT))], NIGHT) == [("operator", Word.RAISED)]
    assert words(site(asleep, awake), [case(alarm(NIGHT))], NIGHT) == [("tech", Word.RAISED)]
    # One who is only told later does not count as awake for it.
    later = person("owner", role="owner", escalate_after_s=HOUR_S)
    assert ("operator", Word.RAISED) in words(site(asleep, later), [case(alarm(NIGHT))], NIGHT)


def test_returned_to_normal_once_and_only_to_those_who_knew():
    s = site(person(), person("tech", role="tech"))
    back = alarm(state=State.RETURNED, cleared_ts=NOON)
    told = {"operator": Told(Word.RAISED, 1)}
    assert words(s, [case(back, told)], NOON + 14 * MIN_S) == []
    assert words(s, [case(back, told)], NOON + 15 * MIN_S) == [("operator", Word.RETURNED)]
    told = {"operator": Told(Word.RETURNED, 1)}
    assert words(s, [case(back, told)], NOON + 30 * MIN_S) == []


def test_a_repeat_is_news_only_after_the_note_of_return():
    s = site(person())
    again = alarm(count=3)
    assert words(s, [case(again, {"operator": Told(Word.RAISED, 1)})], NOON) == []
    assert words(s, [case(again, {"operator": Told(Word.RETURNED, 2)})], NOON) == [
        ("operator", Word.AGAIN)
    ]


def test_what_becomes_more_urgent_is_news_even_when_acknowledged():
    s = site(person(**QUIET))
    told = {"operator": Told(Word.RAISED, 1, Priority.THIS_SHIFT)}
    for state in (State.NOT_ACKNOWLEDGED, State.ACKNOWLEDGED):
        worse = case(alarm(state=state), told)
        assert words(s, [worse], NOON) == [("operator", Word.WORSE)]
        assert words(s, [case(alarm(state=state, priority=Priority.THIS_SHIFT), told)], NOON) == []
    soft = alarm(state=State.ACKNOWLEDGED, priority=Priority.THIS_SHIFT)
    told = {"operator": Told(Word.RAISED, 1, Priority.NEXT_VISIT)}
    assert words(s, [case(soft, told)], NIGHT) == []
    told = {"operator": Told(Word.RETURNED, 1, Priority.NEXT_VISIT)}
    assert words(s, [case(soft, told)], NOON) == []


def many(n):
    return [case(alarm(id=f"harbour.P{i}.airlock.1", subject=f"P{i}")) for i in range(n)]


def test_more_than_a_handful_is_gathered_into_one_message():
    s = site(person())
    assert len(words(s, many(BURST), NOON)) == BURST
    assert words(s, many(BURST + 1), NOON) == []
    assert words(s, many(BURST + 1), NOON + GATHER_S) == [("operator", Word.SEVERAL)]
    assert words(s, many(2), NOON + GATHER_S, {"operator": BURST}) == [("operator", Word.SEVERAL)]
    assert words(s, many(1), NOON + GATHER_S, {"operator": BURST}) == [("operator", Word.RAISED)]


def test_in_a_flood_everything_is_one_message_each_ten_minutes():
    s, start = site(person()), NOON + GATHER_S
    first = plan(s, many(3), {}, start, flood_start_ts=NOON)
    again = plan(s, many(4), {}, start + 5 * MIN_S, flood_start_ts=NOON)
    later = plan(s, many(4), {}, start + 11 * MIN_S, flood_start_ts=NOON)
    assert [n.word for n in first] == [Word.FLOOD]
    assert len(first[0].alarms) == 3
    assert first[0].key == again[0].key != later[0].key


def test_the_end_of_a_flood_is_told_to_those_who_were_told_of_it():
    s = site(person(), person("tech", role="tech"))
    gone = case(alarm(id="x", state=State.RETURNED))
    notes = flood_over(s, NOON, [*many(2), gone], {"operator"})
    assert [(n.person.id, len(n.alarms)) for n in notes] == [("operator", 2)]


def test_the_same_facts_give_the_same_keys():
    s = site(person(), person("tech", role="tech"))
    first, second = plan(s, many(2), {}, NOON), plan(s, many(2), {}, NOON + 30)
    assert [n.key for n in first] == [n.key for n in second]
    assert len({n.key for n in first}) == 4


def test_digest_once_a_local_day_within_its_window():
    s = site(person(digest_min=7 * 60), person("tech", role="tech", wants_digest=False))
    assert digests(s, at("2026-11-11 06:59")) == []
    first = digests(s, at("2026-11-11 07:00"))
    assert [n.person.id for n in first] == ["operator"]
    assert digests(s, at("2026-11-11 09:00"))[0].key == first[0].key
    assert digests(s, at("2026-11-11 13:01")) == []
    assert digests(s, at("2026-11-12 07:00"))[0].key != first[0].key
