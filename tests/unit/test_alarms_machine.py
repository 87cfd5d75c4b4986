"""The life cycle against the transition and timing vectors of the open alarm standards."""

import pytest

from monitor.advice.kinds import Kind, Priority
from monitor.advice.records import record
from monitor.alarms.grouping import Family
from monitor.alarms.machine import AlarmMachine
from monitor.alarms.policy import AlarmPolicy, default_policy
from monitor.alarms.types import Alarm, AlarmRefused, State, What, tag
from monitor.detectors.finding import Finding, Presence

YES, NO, DUNNO = Presence.YES, Presence.NO, Presence.CANNOT_TELL
PRIME = Kind.MISSED_PRIME


def machine(**policy):
    wanted = {"on_delay_s": 0.0, "off_delay_s": 0.0, **policy}
    return AlarmMachine(lambda _: AlarmPolicy(Priority.ACT_NOW, **wanted), site="harbour")


def say(presence, ts, *, subject="P1", kind=PRIME, since=None, confidence=0.9):
    return Finding(subject, kind, presence, ts, ts if since is None else since, confidence)


def state_of(m, subject="P1", kind=PRIME):
    found = [a for a in m.alarms() if (a.subject, a.kind) == (subject, kind)]
    return found[0].state if found else State.NORMAL


def the(m, subject="P1", kind=PRIME) -> Alarm:
    return next(a for a in m.alarms() if (a.subject, a.kind) == (subject, kind))


def whats(changes):
    return [c.what for c in changes]


def raised(m, ts=100.0, **kw):
    m.update([say(YES, ts, **kw)], ts)
    return the(m, kw.get("subject", "P1"), kw.get("kind", PRIME)).id


# Timing vector (a), computed: limit 2.00 bar LOW, deadband 0.10, delays 15 s, a sample every 5 s.
BAR = (2.40, 1.95, 2.40, 1.95, 1.95, 1.95, 1.95, 2.05, 2.05, 2.15, 2.15, 2.05, 2.15, 2.15, 2.15,
       2.15, 2.15, 1.99, 2.40)  # fmt: skip
ACTIVE = "0000001111111110000"


def verdict(bar, ts):
    """Inside the deadband a detector says YES, but is not sure enough to call anybody."""
    if bar >= 2.10:
        return say(NO, ts, kind=Kind.LOW_AIR)
    return say(YES, ts, kind=Kind.LOW_AIR, confidence=0.9 if bar < 2.00 else 0.3)


def test_vector_a_deadband_on_delay_off_delay():
    m = machine(on_delay_s=15.0, off_delay_s=15.0)
    seen = ""
    for step, bar in enumerate(BAR):
        m.update([verdict(bar, step * 5.0)], step * 5.0)
        seen += "1" if any(a.active for a in m.alarms()) else "0"
    assert seen == ACTIVE


def walk(m, condition, letters, acts):
    seen = ""
    for second, mark in enumerate(condition):
        ts = float(second)
        m.update([say(YES if mark == "#" else NO, ts)], ts)
        if second in acts:
            acts[second](ts)
        seen += letters[state_of(m)]
    return seen


def test_vector_b_on_delay_and_acknowledge():
    """A published PLC training text on alarms, one character a second, on-delay 3 s."""
    m = machine(on_delay_s=3.0)
    letters = {State.NORMAL: "N", State.NOT_ACKNOWLEDGED: "U", State.ACKNOWLEDGED: "A",
               State.RETURNED: "R"}  # fmt: skip

    def ack(ts):
        m.acknowledge(tag("P1", PRIME), "operator", ts)

    seen = walk(m, "_#__#######__#####_____", letters, {9: ack, 20: ack})
    assert seen == "NNNNNNNUUAANNNNNUURRNNN"


def test_vector_c_latching():
    """Same source: latching, on-delay 1 s; the reset at 5 s does nothing."""
    m = machine(on_delay_s=1.0, latching=True)
    letters = {State.NORMAL: "N", State.NOT_ACKNOWLEDGED: "U", State.LATCHED: "U",
               State.LATCHED_ACKNOWLEDGED: "L"}  # fmt: skip
    name = tag("P1", PRIME)
    acts = {
        5: lambda ts: m.reset(name, "tech", ts),
        8: lambda ts: m.acknowledge(name, "tech", ts),
        11: lambda ts: m.reset(name, "tech", ts),
    }
    assert walk(m, "__####_________", letters, acts) == "NNNUUUUULLLNNNN"


def test_non_latching_row_by_row():
    m = machine()
    assert whats(m.update([say(YES, 1)], 1)) == [What.RAISED]
    first = the(m).id
    assert state_of(m) is State.NOT_ACKNOWLEDGED
    m.update([say(NO, 2)], 2)
    assert state_of(m) is State.RETURNED
    assert whats(m.update([say(YES, 3)], 3)) == [What.REPEATED]
    assert (the(m).id, the(m).count, state_of(m)) == (first, 2, State.NOT_ACKNOWLEDGED)
    m.acknowledge(first, "operator", 4)
    assert state_of(m) is State.ACKNOWLEDGED
    assert the(m).acked_by == "operator"
    m.update([say(NO, 5)], 5)
    assert state_of(m) is State.NORMAL
    assert m.alarms() == []


def test_latching_row_by_row():
    m = machine(latching=True)
    name = raised(m, 1)
    m.update([say(NO, 2)], 2)
    assert state_of(m) is State.LATCHED
    assert m.reset(name, "tech", 3) == []  # before the acknowledgement: nothing
    m.acknowledge(name, "tech", 4)
    assert state_of(m) is State.LATCHED_ACKNOWLEDGED
    m.update([say(YES, 5)], 5)
    assert (state_of(m), the(m).count) == (State.ACKNOWLEDGED, 1)  # the same occurrence
    assert m.reset(name, "tech", 6) == []  # the condition is present: nothing
    m.update([say(NO, 7)], 7)
    assert whats(m.reset(name, "tech", 8)) == [What.RESET]
    assert state_of(m) is State.NORMAL


def test_acknowledge_reaches_only_what_was_there_before():
    m = machine()
    name = raised(m, 10)
    assert m.acknowledge(name, "operator", 10) == []
    assert state_of(m) is State.NOT_ACKNOWLEDGED
    assert m.acknowledge(name, "operator", 11) != []
    assert m.acknowledge(name, "operator", 12) == []  # once is enough


def test_auto_acknowledge_class_needs_no_hand():
    m = machine(auto_ack=True)
    raised(m, 1)
    m.update([say(NO, 2)], 2)
    assert state_of(m) is State.NORMAL


def test_cannot_tell_neither_raises_nor_clears():
    m = machine(on_delay_s=5.0, off_delay_s=5.0)
    assert m.update([say(DUNNO, 1)], 1) == []
    m.update([say(YES, 2)], 2)
    m.update([say(DUNNO, 4)], 4)
    assert whats(m.tick(7)) == [What.RAISED]
    assert m.update([say(DUNNO, 8)], 60) == []
    assert the(m).active


def test_delays_take_effect_when_they_ran_out_not_when_looked_at():
    m = machine(on_delay_s=15.0, off_delay_s=60.0)
    m.update([say(YES, 100)], 100)
    changes = m.update([say(NO, 7300)], 7400)
    assert [(c.what, c.ts) for c in changes] == [(What.RAISED, 115.0), (What.CLEARED, 7360.0)]


def test_on_delay_runs_from_the_beginning_by_the_signals_but_not_from_before_a_no():
    m = machine(on_delay_s=15.0)
    assert whats(m.update([say(YES, 100, since=70)], 100)) == [What.RAISED]
    m.update([say(NO, 101)], 101)
    assert m.update([say(YES, 102, since=70)], 102) == []
    assert whats(m.tick(116)) == [What.REPEATED]


def test_a_batch_is_heard_in_the_order_of_its_times():
    m = machine()
    changes = m.update([say(NO, 20), say(YES, 10)], 30)
    assert [(c.what, c.ts) for c in changes] == [(What.RAISED, 10.0), (What.CLEARED, 20.0)]


def test_time_only_goes_forward():
    m = machine(on_delay_s=10.0)
    m.update([say(YES, 100)], 100)
    assert m.tick(50) == []
    assert [c.ts for c in m.update([say(YES, 3)], 111)] == [110.0]
    assert m.acknowledge(the(m).id, "operator", 4)[0].ts == 111.0


def test_repeat_within_an_hour_is_one_alarm_with_a_count_and_later_a_new_one():
    m = machine()
    first = raised(m, 0)
    m.acknowledge(first, "operator", 1)
    m.update([say(NO, 2)], 2)
    assert whats(m.update([say(YES, 3600)], 3600)) == [What.REPEATED]
    assert (the(m).id, the(m).count, state_of(m)) == (first, 2, State.NOT_ACKNOWLEDGED)
    m.acknowledge(first, "operator", 3601)
    m.update([say(NO, 3602)], 3602)
    assert whats(m.update([say(YES, 7203)], 7203)) == [What.RAISED]
    assert the(m).id != first
    assert the(m).count == 1


# Shelving, after OPC UA Part 9 section 5.8.


def test_timed_shelf_ends_by_itself_and_the_alarm_comes_back_as_new():
    m = machine()
    name = raised(m, 0)
    m.acknowledge(name, "operator", 1)
    m.shelve(name, "operator", "waiting for seals", 2, until_ts=3600)
    shelved = the(m)
    assert (shelved.state, shelved.shelved_until_ts) == (State.SHELVED, 3600)
    assert (shelved.shelved_by, shelved.shelve_reason) == ("operator", "waiting for seals")
    assert whats(m.tick(3600)) == [What.SHELF_ENDED]
    assert state_of(m) is State.NOT_ACKNOWLEDGED


def test_timed_shelf_outlasts_the_condition_which_is_still_recorded():
    m = machine()
    m.shelve(raised(m, 0), "operator", "known", 2, until_ts=3600)
    assert whats(m.update([say(NO, 10)], 10)) == [What.CLEARED]
    assert state_of(m) is State.SHELVED
    m.tick(3600)
    assert state_of(m) is State.NORMAL


def test_one_shot_shelf_ends_when_the_condition_goes():
    m = machine()
    m.shelve(raised(m, 0), "operator", "known", 2, one_shot=True)
    m.update([say(NO, 10)], 10)
    assert state_of(m) is State.NORMAL


def test_one_shot_shelf_is_limited_too():
    m = machine(max_shelve_s=100.0)
    m.shelve(raised(m, 0), "operator", "known", 2, one_shot=True)
    m.tick(102)
    assert state_of(m) is State.NOT_ACKNOWLEDGED


def test_an_inactive_point_can_be_shelved_and_stays_quiet():
    m = machine()
    m.shelve(tag("P1", PRIME), "tech", "changing the drum", 0, until_ts=600)
    assert [a.state for a in m.alarms()] == [State.SHELVED]
    m.update([say(YES, 10)], 10)
    assert state_of(m) is State.SHELVED
    m.unshelve(tag("P1", PRIME), "tech", 20)
    assert state_of(m) is State.NOT_ACKNOWLEDGED


@pytest.mark.parametrize(
    ("kw", "reason", "word"),
    [
        ({"until_ts": 1000.0}, "  ", "reason"),
        ({"until_ts": 5.0}, "x", "end"),
        ({}, "x", "end"),
        ({"until_ts": 1e9}, "x", "at most 7 days"),
    ],
)
def test_a_shelf_without_reason_or_end_or_too_long_is_refused(kw, reason, word):
    m = machine()
    name = raised(m, 10)
    with pytest.raises(AlarmRefused, match=word):
        m.shelve(name, "operator", reason, 11, **kw)
    assert state_of(m) is State.NOT_ACKNOWLEDGED


def test_no_second_shelf_no_unknown_alarm_no_nameless_hand():
    m = machine()
    name = raised(m, 10)
    m.shelve(name, "operator", "x", 11, until_ts=100)
    with pytest.raises(AlarmRefused, match="shelved already"):
        m.shelve(name, "operator", "x", 12, until_ts=200)
    with pytest.raises(AlarmRefused, match="may be over"):
        m.acknowledge("harbour.P9.x.1", "operator", 13)
    with pytest.raises(AlarmRefused, match="no kind"):
        m.shelve("P1.no-such-kind", "operator", "x", 13, until_ts=200)
    with pytest.raises(AlarmRefused, match="who"):
        m.acknowledge(name, " ", 13)


def test_a_refusal_loses_no_change():
    m = machine(on_delay_s=10.0)
    m.update([say(YES, 0)], 0)
    with pytest.raises(AlarmRefused):
        m.shelve(tag("P1", PRIME), "operator", "x", 20)
    assert [(c.what, c.ts) for c in m.tick(21)] == [(What.RAISED, 10.0)]


# Suppressed by design.


def family():
    return Family(dict.fromkeys(("P1", "P2", "P3"), ("air:main", "node:n1")))


def grouped(**policy):
    wanted = {"on_delay_s": 0.0, "off_delay_s": 0.0, **policy}
    return AlarmMachine(lambda _: AlarmPolicy(Priority.ACT_NOW, **wanted), family=family())


def test_a_consequence_stands_under_its_cause_never_the_other_way():
    m = grouped()
    m.update([say(YES, 1, kind=Kind.AIRLOCK)], 1)
    changes = m.update([say(YES, 2, kind=Kind.LOW_AIR)], 2)
    assert whats(changes) == [What.RAISED, What.SUPPRESSED]
    assert state_of(m, kind=Kind.AIRLOCK) is State.SUPPRESSED
    assert state_of(m, kind=Kind.LOW_AIR) is State.NOT_ACKNOWLEDGED
    assert the(m, kind=Kind.AIRLOCK).cause == the(m, kind=Kind.LOW_AIR).id


def test_a_consequence_waits_for_the_on_delay_of_its_cause():
    delays = {Kind.LOW_AIR: 30.0, Kind.AIRLOCK: 5.0}
    m = AlarmMachine(lambda k: AlarmPolicy(Priority.ACT_NOW, on_delay_s=delays[k]))
    m.update([say(YES, 0, kind=Kind.LOW_AIR), say(YES, 1, kind=Kind.AIRLOCK)], 1)
    assert m.tick(29) == []
    told = m.tick(30)
    assert {(c.after.kind, c.after.state) for c in told} == {
        (Kind.LOW_AIR, State.NOT_ACKNOWLEDGED),
        (Kind.AIRLOCK, State.SUPPRESSED),
    }


def test_a_common_air_fault_takes_its_members_under_it():
    m = grouped()
    for n, pump in enumerate(("P1", "P2", "P3")):
        m.update([say(YES, n, subject=pump, kind=Kind.LOW_AIR)], n)
    m.update([say(YES, 5, subject="air:main", kind=Kind.LOW_AIR)], 5)
    assert [a.subject for a in m.alarms() if a.state is not State.SUPPRESSED] == ["air:main"]
    assert sorted(the(m, "air:main", Kind.LOW_AIR).members) == ["P1", "P2", "P3"]
    m.update([say(YES, 6, subject="P2", kind=Kind.AIR_SAG)], 6)
    assert state_of(m, "P2", Kind.AIR_SAG) is State.SUPPRESSED
    m.update([say(YES, 7, subject="P2", kind=Kind.NO_DEMAND)], 7)
    assert state_of(m, "P2", Kind.NO_DEMAND) is State.NOT_ACKNOWLEDGED


def test_high_air_is_never_hidden_under_another_air_fault():
    m = grouped()
    for kind in (Kind.LOW_AIR, Kind.AIR_SAG, Kind.ICING):
        m.update([say(YES, 1, subject="air:main", kind=kind)], 1)
    m.update([say(YES, 2, kind=Kind.HIGH_AIR)], 2)
    assert state_of(m, kind=Kind.HIGH_AIR) is State.NOT_ACKNOWLEDGED


def test_after_the_cause_a_consequence_waits_for_a_fresh_finding():
    m = grouped()
    m.update([say(YES, 1, kind=Kind.LOW_AIR), say(YES, 1, kind=Kind.AIRLOCK)], 1)
    m.update([say(YES, 1, subject="P2", kind=Kind.LOW_AIR)], 1)
    m.update([say(YES, 1, subject="P2", kind=Kind.AIRLOCK)], 1)
    m.update([say(NO, 9, kind=Kind.LOW_AIR), say(NO, 9, subject="P2", kind=Kind.LOW_AIR)], 9)
    assert state_of(m, kind=Kind.AIRLOCK) is State.SUPPRESSED
    assert m.update([say(YES, 15, kind=Kind.AIRLOCK, confidence=0.4)], 15) == []
    assert whats(m.update([say(YES, 20, kind=Kind.AIRLOCK)], 20)) == [What.RELEASED]
    assert state_of(m, kind=Kind.AIRLOCK) is State.NOT_ACKNOWLEDGED
    assert whats(m.update([say(NO, 21, subject="P2", kind=Kind.AIRLOCK)], 21)) == [What.CLEARED]
    assert state_of(m, "P2", Kind.AIRLOCK) is State.NORMAL


def test_a_cause_that_comes_back_keeps_its_consequence_under_it():
    m = grouped()
    m.update([say(YES, 1, kind=Kind.LOW_AIR), say(YES, 1, kind=Kind.AIRLOCK)], 1)
    m.update([say(NO, 9, kind=Kind.LOW_AIR)], 9)
    m.update([say(YES, 10, kind=Kind.LOW_AIR)], 10)
    m.update([say(YES, 20, kind=Kind.AIRLOCK)], 20)
    assert state_of(m, kind=Kind.AIRLOCK) is State.SUPPRESSED


def test_a_silent_node_is_one_alarm_not_one_a_pump():
    m = AlarmMachine(default_policy, family=family())
    pumps = ("P1", "P2", "P3")
    told = []
    for second in range(200):
        ts = 1000.0 + second
        silent = [p for n, p in enumerate(pumps) if second > 2 * n]
        told += m.update(
            [say(YES, ts, subject=p, kind=Kind.NODE_SILENT, since=1000.0) for p in silent], ts
        )
    shown = [c for c in told if c.after.state is State.NOT_ACKNOWLEDGED]
    assert [c.subject for c in shown] == ["node:n1"]
    assert sorted(the(m, "node:n1", Kind.NODE_SILENT).members) == sorted(pumps)
    # P1 and P2 come back, P3 does not: then it is P3's own matter.
    for second in range(200, 220):
        ts = 1000.0 + second
        back = [say(NO, ts, subject=p, kind=Kind.NODE_SILENT) for p in ("P1", "P2")]
        m.update([*back, say(YES, ts, subject="P3", kind=Kind.NODE_SILENT, since=1000.0)], ts)
    open_ = [a for a in m.alarms() if a.active]
    assert [(a.subject, a.state) for a in open_] == [("P3", State.NOT_ACKNOWLEDGED)]


def test_one_silent_pump_of_three_is_its_own_alarm():
    m = AlarmMachine(default_policy, family=family())
    told = []
    for second in range(0, 300, 10):
        ts = 1000.0 + second
        told += m.update([say(YES, ts, subject="P2", kind=Kind.NODE_SILENT, since=1000.0)], ts)
    assert [c.subject for c in told] == ["P2"]


def test_no_cause_is_its_own_consequence():
    def causes(kind, seen=()):
        for cause in record(kind).suppressed_by:
            assert cause not in (kind, *seen), (cause, kind)
            causes(cause, (kind, *seen))

    for kind in Kind:
        causes(kind)


def test_what_gets_worse_gets_more_urgent_and_stays_so():
    m = AlarmMachine(lambda _: AlarmPolicy(Priority.NEXT_VISIT, 0.0, 0.0, severe=Priority.ACT_NOW))

    def hear(ts, severity):
        return m.update([Finding("P1", PRIME, YES, ts, ts, 0.9, severity)], ts)

    assert whats(hear(1, 0.2)) == [What.RAISED]
    assert the(m).priority is Priority.NEXT_VISIT
    assert whats(hear(2, 0.8)) == [What.URGENT]
    assert hear(3, 0.1) == []
    assert the(m).priority is Priority.ACT_NOW


def test_the_policy_of_each_kind_follows_its_record():
    for kind in Kind:
        policy, behaviour = default_policy(kind), record(kind).behaviour
        assert (policy.on_delay_s, policy.off_delay_s) == (
            behaviour.on_delay_s,
            behaviour.off_delay_s,
        )
        assert policy.latching == behaviour.latching
        assert policy.priority_at(0.0) == record(kind).priority(0.0)
        assert policy.priority_at(0.9) == record(kind).priority(0.9)


# Out of service.


def test_out_of_service_hides_records_and_starts_afresh():
    m = machine()
    raised(m, 1)
    changes = m.out_of_service("P1", "tech", "visit 12", 2)
    assert [(c.what, c.note) for c in changes] == [(What.OUT_OF_SERVICE, "visit 12")] * 2
    assert state_of(m) is State.OUT_OF_SERVICE
    changes = m.update([say(YES, 3, kind=Kind.AIRLOCK)], 3)
    assert whats(changes) == [What.RAISED]  # still recorded
    assert state_of(m, kind=Kind.AIRLOCK) is State.OUT_OF_SERVICE
    m.return_to_service("P1", "tech", 10)
    assert m.alarms() == []
    m.update([say(YES, 11, since=1)], 11)
    assert state_of(m) is State.NOT_ACKNOWLEDGED


def test_out_of_service_needs_a_work_entry_and_comes_back_once():
    m = machine()
    with pytest.raises(AlarmRefused, match="work entry"):
        m.out_of_service("P1", "tech", "", 1)
    with pytest.raises(AlarmRefused, match="not out of service"):
        m.return_to_service("P1", "tech", 1)
    m.out_of_service("P1", "tech", "visit 12", 1)
    with pytest.raises(AlarmRefused, match="already"):
        m.out_of_service("P1", "tech", "visit 13", 2)


def test_restart_with_timers_intact():
    m = machine(on_delay_s=30.0)
    m.update([say(YES, 100)], 100)
    again = machine(on_delay_s=30.0)
    again.load(m.dump())
    assert [(c.what, c.ts) for c in again.tick(131)] == [(What.RAISED, 130.0)]


def test_changes_that_could_not_be_kept_are_handed_out_again_in_order():
    m = machine()
    first = m.update([say(YES, 1)], 1)
    m.put_back(first)
    again = machine()
    again.load(m.dump())
    for one in (m, again):
        assert whats(one.update([say(NO, 2)], 2)) == [What.RAISED, What.CLEARED]


def test_a_broken_dump_is_refused_in_words():
    with pytest.raises(AlarmRefused, match="cannot be read"):
        machine().load({"now_ts": "x", "slots": [], "out": {}})


def test_spent_points_are_forgotten():
    m = machine()
    name = raised(m, 0)
    m.acknowledge(name, "operator", 1)
    m.update([say(NO, 2)], 2)
    m.tick(2 + 3601)
    assert m.dump()["slots"] == []
