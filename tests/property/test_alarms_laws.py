"""Whatever is heard and done, in whatever order: the laws of the alarm machine."""

import json
from itertools import chain

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.advice.kinds import Kind, Priority
from monitor.alarms.grouping import Family
from monitor.alarms.machine import AlarmMachine
from monitor.alarms.policy import AlarmPolicy
from monitor.alarms.types import AlarmRefused, State, What, tag
from monitor.detectors.finding import Finding, Presence

SUBJECTS = ("P1", "P2", "air:main")
KINDS = (Kind.LOW_AIR, Kind.AIRLOCK, Kind.DIAPHRAGM, Kind.WORN)
S = State
OPEN = {S.NOT_ACKNOWLEDGED, S.ACKNOWLEDGED, S.RETURNED, S.LATCHED, S.LATCHED_ACKNOWLEDGED}
HIDDEN = {S.SHELVED, S.SUPPRESSED, S.OUT_OF_SERVICE}
# What one event may do to a state shown, after the state diagram of ANSI/ISA-18.2 (A to I);
# any state may be hidden, and what was hidden comes back as B or A (checked apart).
ALLOWED = {
    What.RAISED: {(S.NORMAL, S.NOT_ACKNOWLEDGED)},
    What.REPEATED: {
        (S.NORMAL, S.NOT_ACKNOWLEDGED),
        (S.RETURNED, S.NOT_ACKNOWLEDGED),
        (S.LATCHED, S.NOT_ACKNOWLEDGED),
        (S.LATCHED_ACKNOWLEDGED, S.ACKNOWLEDGED),
    },
    What.CLEARED: {
        (S.NOT_ACKNOWLEDGED, S.RETURNED),
        (S.NOT_ACKNOWLEDGED, S.LATCHED),
        (S.NOT_ACKNOWLEDGED, S.NORMAL),  # the auto-acknowledge class
        (S.ACKNOWLEDGED, S.NORMAL),
        (S.ACKNOWLEDGED, S.LATCHED_ACKNOWLEDGED),
    },
    What.ACKNOWLEDGED: {
        (S.NOT_ACKNOWLEDGED, S.ACKNOWLEDGED),
        (S.RETURNED, S.NORMAL),
        (S.LATCHED, S.LATCHED_ACKNOWLEDGED),
    },
    What.RESET: {(S.LATCHED_ACKNOWLEDGED, S.NORMAL)},
}


def policy(kind):
    return AlarmPolicy(
        Priority.THIS_SHIFT,
        severe=Priority.ACT_NOW,
        on_delay_s=20.0 if kind is Kind.LOW_AIR else 7.0,
        off_delay_s=11.0,
        latching=kind is Kind.DIAPHRAGM,
        auto_ack=kind is Kind.WORN,
        rejoin_s=100.0,
        max_shelve_s=120.0,
    )


def fresh():
    family = Family({"P1": ("air:main",), "P2": ("air:main",)})
    return AlarmMachine(policy, site="harbour", family=family)


names = st.sampled_from(SUBJECTS)
kinds = st.sampled_from(KINDS)
gaps = st.sampled_from((-5.0, 0.0, 0.5, 3.0, 7.0, 20.0, 60.0, 150.0))
heard = st.tuples(
    st.just("hear"), gaps, names, kinds, st.sampled_from(Presence), st.floats(0, 30),
    st.sampled_from((0.3, 0.9)), st.sampled_from((0.1, 0.8)),
)  # fmt: skip
done = st.tuples(
    st.sampled_from(("ack", "reset", "shelve", "one-shot", "unshelve", "out", "back", "tick")),
    gaps, names, kinds,
)  # fmt: skip
stories = st.lists(st.one_of(heard, heard, done), max_size=40)


def act(m, step, now):
    word, _, subject, kind, *rest = step
    name = tag(subject, kind)
    if word == "hear":
        presence, back_s, *sure = rest
        return m.update([Finding(subject, kind, presence, now, now - back_s, *sure)], now)
    acts = {
        "ack": lambda: m.acknowledge(name, "operator", now),
        "reset": lambda: m.reset(name, "operator", now),
        "shelve": lambda: m.shelve(name, "operator", "later", now, until_ts=now + 90),
        "one-shot": lambda: m.shelve(name, "operator", "later", now, one_shot=True),
        "unshelve": lambda: m.unshelve(name, "operator", now),
        "out": lambda: m.out_of_service(subject, "tech", "visit 1", now),
        "back": lambda: m.return_to_service(subject, "tech", now),
        "tick": lambda: m.tick(now),
    }
    try:
        return acts[word]()
    except AlarmRefused:
        return []


def play(story, m, start=1000.0, *, close=True):
    now, out = start, []
    for step in story:
        now += step[1]
        out.append(act(m, step, now))
    if close:  # what happened on the way to a refusal is told by the next call
        out.append(m.tick(now))
    return out, now


@given(stories)
def test_never_leaves_the_allowed_transitions(story):
    for change in chain(*play(story, fresh())[0]):
        if change.after is None:
            continue
        start = change.before.state if change.before else S.NORMAL
        end = change.after.state
        if change.what is What.URGENT:
            assert start == end
            continue
        if end in HIDDEN or (start in HIDDEN and end in (S.NORMAL, S.NOT_ACKNOWLEDGED)):
            continue
        assert (start, end) in ALLOWED[change.what], change


@given(stories)
def test_the_history_is_unbroken_and_time_goes_forward(story):
    m = fresh()
    last, seen = float("-inf"), {}
    for change in chain(*play(story, m)[0]):
        assert change.ts >= last
        last = change.ts
        assert change.by
        if change.after is None:
            continue
        point = change.after.tag
        before = change.before.state if change.before else S.NORMAL
        if change.what is not What.RAISED:
            assert seen.get(point, S.NORMAL) == before, change
        seen[point] = change.after.state
    assert {p: s for p, s in seen.items() if s is not S.NORMAL} == {
        a.tag: a.state for a in m.alarms()
    }


@given(stories, st.integers(0, 40))
def test_restored_midway_goes_on_as_if_uninterrupted(story, cut):
    whole = fresh()
    expected, _ = play(story, whole)
    first, second = fresh(), fresh()
    before, now = play(story[:cut], first, close=False)
    second.load(json.loads(json.dumps(first.dump())))
    after, _ = play(story[cut:], second, now)
    assert [*chain(*before, *after)] == [*chain(*expected)]
    assert second.dump() == whole.dump()


@given(stories)
def test_one_occurrence_has_one_id_and_only_counts_up(story):
    counts = {}
    for change in chain(*play(story, fresh())[0]):
        if change.after is None or not change.after.count:
            continue
        if change.what is What.RAISED:
            assert change.after.id not in counts
        assert change.after.count >= counts.get(change.after.id, 0)
        counts[change.after.id] = change.after.count


@given(stories)
def test_everything_heals(story):
    """However it went: NO for all, service back, shelves over, acknowledged, reset: quiet."""
    m = fresh()
    _, now = play(story, m)
    for subject in list(m.out):
        m.return_to_service(subject, "tech", now + 1)
    now += 300
    m.update([Finding(s, k, Presence.NO, now, now) for s in SUBJECTS for k in KINDS], now)
    m.tick(now + 200)
    for alarm in m.alarms():
        m.acknowledge(alarm.id, "operator", now + 201)
        m.reset(alarm.id, "operator", now + 202)
    assert m.alarms() == []
    m.tick(now + 1000)
    assert m.dump()["slots"] == []


@pytest.mark.parametrize("tick_s", [1.0, 7.0, 3600.0])
def test_the_history_does_not_depend_on_how_often_it_ticks(tick_s):
    m, now, told = fresh(), 0.0, []
    heard = [
        Finding("P1", Kind.AIRLOCK, Presence.YES, 10.0, 10.0, 0.9),
        Finding("P1", Kind.AIRLOCK, Presence.NO, 400.0, 400.0),
        Finding("P2", Kind.WORN, Presence.YES, 500.0, 500.0, 0.9),
    ]
    while now < 7200.0:
        due = [f for f in heard if now < f.ts <= now + tick_s]
        now += tick_s
        told += m.update(due, now)
    assert [(c.what, c.ts) for c in told] == [
        (What.RAISED, 17.0),
        (What.CLEARED, 411.0),
        (What.RAISED, 507.0),
    ]
