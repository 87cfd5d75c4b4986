"""Whatever comes, a phone gets no storm, and everything that stands gets told."""

from bisect import bisect_left

from hypothesis import example, given, settings
from hypothesis import strategies as st
from pace import examples

from monitor.advice.kinds import Kind, Priority
from monitor.alarms.flood import floods
from monitor.alarms.types import Alarm, State
from monitor.notify.routes import BURST, BURST_S, GATHER_S, NEWS, Case, Told, Word, plan
from monitor.site import Person, Pump, Site

SITE = Site(
    id="harbour",
    pumps=(Pump(id="P1"),),
    people=(Person(id="operator", role="operator", channels=("phone",)),),
)
STEP_S, SPAN_S = 30.0, 5400.0
# (pump, when it comes, how long it stays): many at once, or a trickle.
events = st.lists(
    st.tuples(st.integers(0, 60), st.floats(0, 3600), st.floats(60, 7200)),
    max_size=80,
    unique_by=lambda e: e[0],
)


def alarm(pump, start, end, now):
    is_on = now < end
    return Alarm(
        f"harbour.P{pump}.airlock.1", "harbour", f"P{pump}", Kind.AIRLOCK, Priority.ACT_NOW,
        State.NOT_ACKNOWLEDGED if is_on else State.RETURNED, is_on, False, start, start, start,
        None if is_on else end, None, None, 1, 0.9, 0.5, "Gas.",
    )  # fmt: skip


def live(story):
    """(when, notice) of every message, and who was told what in the end."""
    told, sent, keys = {}, [], set()
    now = 0.0
    while now < SPAN_S:
        now += STEP_S
        cases = [
            Case(alarm(p, a, a + d, now), a, {"operator": told[p]} if p in told else {})
            for p, a, d in story
            if a <= now
        ]
        storms = floods([a for _, a, _ in story], now)
        raging = storms[-1][0] if storms and storms[-1][1] is None else None
        recent = {"operator": sum(ts > now - BURST_S for ts, _ in sent)}
        for notice in plan(SITE, cases, recent, now, flood_start_ts=raging):
            if notice.key in keys:
                continue
            keys.add(notice.key)
            sent.append((now, notice))
            for one in notice.alarms:
                word = notice.word if notice.word in NEWS | {Word.RETURNED} else None
                word = word or (Word.RAISED if one.active else Word.RETURNED)
                told[int(one.subject[1:])] = Told(word, 1)
    return sent, told


@settings(deadline=None, max_examples=examples(60))
@given(events)
@example([(pump, 5.0, 7000.0) for pump in range(60)])
@example([(pump, 45.0 * pump, 7000.0) for pump in range(60)])
@example([(pump, 20.0 * pump, 60.0) for pump in range(60)])
def test_no_ten_minutes_bring_more_than_a_handful_and_the_gathered_ones(story):
    sent, _ = live(story)
    times = [ts for ts, _ in sent]
    for first, ts in enumerate(times):
        # Two ten-minute slots can touch one window, each with one of each gathered kind.
        assert bisect_left(times, ts + BURST_S) - first <= BURST + 4


@settings(deadline=None, max_examples=examples(60))
@given(events)
@example([(pump, 5.0, 7000.0) for pump in range(60)])
@example([(pump, 45.0 * pump, 7000.0) for pump in range(60)])
@example([(pump, 20.0 * pump, 60.0) for pump in range(60)])
def test_whatever_stands_long_enough_is_told_once(story):
    sent, told = live(story)
    patience_s = GATHER_S + 2 * BURST_S
    for pump, start, length in story:
        if length > patience_s:
            assert pump in told, (pump, start)
        news = [
            notice
            for _, notice in sent
            for one in notice.alarms
            if one.subject == f"P{pump}" and one.active
        ]
        assert len(news) <= 1
