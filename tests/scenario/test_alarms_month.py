"""A month of a site with 40 pumps and 12 faults: can a person live with its alarms?

Findings come at draws, with doubts, flickers and consequences; the figures are held against the
"very likely acceptable" column of ANSI/ISA-18.2 and EEMUA 191 as quoted in public texts.
"""

from dataclasses import dataclass

import numpy as np
import pytest

from monitor.advice.kinds import Kind, Priority
from monitor.alarms.figures import activations, figures
from monitor.alarms.grouping import Family
from monitor.alarms.machine import AlarmMachine
from monitor.alarms.policy import AlarmPolicy, default_policy
from monitor.alarms.types import State
from monitor.detectors.finding import Finding, Presence
from monitor.notify import SCHEMAS
from monitor.notify.office import Office
from monitor.site import AirSupply, Person, Pump, Site
from monitor.store.core import Core

START = 1_790_000_000.0 - 1_790_000_000.0 % 86400.0
HOUR_S, DAY_S = 3600.0, 86400.0
DAYS = 30
END = START + DAYS * DAY_S
OPEN_H, CLOSE_H = 7.0, 21.0
DRAWS_A_DAY = 12.0
PUMPS = tuple(f"P{n}" for n in range(1, 41))
MAIN, SECOND = PUMPS[:24], PUMPS[24:]
JUDGED = (
    Kind.MISSED_PRIME, Kind.AIRLOCK, Kind.LOW_AIR, Kind.AIR_SAG, Kind.NO_DEMAND, Kind.LOST_PRIME,
    Kind.RESTRICTED_SUCTION, Kind.DRUM_EMPTY, Kind.BALL_LEAK, Kind.PRESSURE_SENSOR, Kind.WORN,
)  # fmt: skip


@dataclass(frozen=True)
class Fault:
    """kind stands on `subject` from a day and hour for so long; pumps show `shows` while it does.

    flicker: share of draws that deny it; doubt: share that cannot tell.
    """

    kind: Kind
    subject: str
    day: float
    hour: float
    hours: float
    pumps: tuple[str, ...] = ()
    shows: tuple[Kind, ...] = ()
    flicker: float = 0.0
    doubt: float = 0.0

    @property
    def span(self):
        start = START + self.day * DAY_S + self.hour * HOUR_S
        return start, start + self.hours * HOUR_S

    @property
    def touched(self):
        return self.pumps or (self.subject,)

    @property
    def seen(self):
        return (self.kind, *self.shows)


FAULTS = (
    Fault(Kind.MISSED_PRIME, "P3", 1, 9, 2.0, shows=(Kind.LOST_PRIME,)),
    Fault(Kind.AIRLOCK, "P11", 3, 10, 5.0),
    Fault(
        Kind.LOW_AIR, "air:main", 5, 11, 3.0, pumps=MAIN,
        shows=(Kind.AIR_SAG, Kind.AIRLOCK, Kind.MISSED_PRIME),
    ),
    Fault(Kind.NO_DEMAND, "P7", 7, 8, 48.0),
    Fault(Kind.LOST_PRIME, "P22", 9, 8, 30.0, flicker=0.3, doubt=0.3),
    Fault(
        Kind.DRUM_EMPTY, "P30", 11, 15, 4.0,
        shows=(Kind.MISSED_PRIME, Kind.LOST_PRIME, Kind.RESTRICTED_SUCTION),
    ),
    Fault(Kind.RESTRICTED_SUCTION, "P15", 12, 8, 96.0, doubt=0.4),
    Fault(Kind.AIR_SAG, "air:second", 17, 9, 8.0, pumps=SECOND, flicker=0.2),
    Fault(Kind.NODE_SILENT, "node:n2", 19, 13, 3.0, pumps=PUMPS[20:]),
    Fault(Kind.WORN, "P38", 20, 8, 200.0),
    Fault(
        Kind.PRESSURE_SENSOR, "P9", 21, 8, 40.0, shows=(Kind.LOW_AIR, Kind.AIR_SAG), flicker=0.5
    ),
    Fault(Kind.BALL_LEAK, "P19", 24, 8, 72.0, flicker=0.5),
)  # fmt: skip


def harbour():
    return Site(
        id="harbour",
        air_supplies=(AirSupply(id="main"), AirSupply(id="second")),
        pumps=tuple(
            Pump(
                id=p,
                air_supply="main" if p in MAIN else "second",
                node=f"n{1 + PUMPS.index(p) // 20}",
            )
            for p in PUMPS
        ),
        people=(
            Person(
                id="operator", role="operator", channels=("phone",),
                priorities=("act now", "this shift"), quiet_from_min=1320, quiet_to_min=360,
            ),
        ),
    )  # fmt: skip


def at_draw(pump, ts, rng, standing):
    """What the detectors say of one draw."""
    said = []
    for kind, (doubt, slip, dice) in zip(JUDGED, rng.random((len(JUDGED), 3)), strict=True):
        presence, sure, since = Presence.NO, 0.0, ts
        if doubt < 0.05:
            presence = Presence.CANNOT_TELL
        elif slip < 0.002:
            presence, sure = Presence.YES, 0.4  # a doubtful verdict on a healthy pump
        for fault in standing:
            if kind in fault.seen:
                presence, sure, since = Presence.YES, 0.9, max(fault.span[0], ts - 60.0)
                if dice < fault.flicker:
                    presence = Presence.NO
                elif dice < fault.flicker + fault.doubt:
                    presence = Presence.CANNOT_TELL
        said.append(Finding(pump, kind, presence, ts, since, sure, 0.5))
    return said


def month(seed=7):
    """(ts, findings) of the whole month in order of time."""
    rng = np.random.default_rng(seed)
    moments = []
    for pump in PUMPS:
        mine = [f for f in FAULTS if pump in f.touched and f.kind is not Kind.NODE_SILENT]
        deaf = [f.span for f in FAULTS if pump in f.touched and f.kind is Kind.NODE_SILENT]
        for day in range(DAYS):
            for hour in np.sort(rng.uniform(OPEN_H, CLOSE_H, rng.poisson(DRAWS_A_DAY))):
                ts = START + day * DAY_S + float(hour) * HOUR_S
                if any(a <= ts < b for a, b in deaf):
                    continue
                standing = [f for f in mine if f.span[0] <= ts < f.span[1]]
                moments.append((ts, at_draw(pump, ts, rng, standing)))
    for fault in FAULTS:
        moments += common(fault)
    moments.sort(key=lambda m: m[0])
    return moments


def common(fault):
    """What is said of a supply or a node: by siblings, and by time alone."""
    if not fault.pumps:
        return []
    start, end = fault.span
    if fault.kind is Kind.NODE_SILENT:
        said = [
            (ts, [Finding(p, fault.kind, Presence.YES, ts, start, 0.99, 0.6) for p in fault.pumps])
            for ts in np.arange(start + 30.0, end, 30.0).tolist()
        ]
        back = [Finding(p, fault.kind, Presence.NO, end, end) for p in fault.pumps]
        return [*said, (end, back)]
    found = [Finding(fault.subject, fault.kind, Presence.YES, start + 600, start, 0.95, 0.6)]
    gone = [Finding(fault.subject, fault.kind, Presence.NO, end, end)]
    return [(start + 600.0, found), (end + 1.0, gone)]


def live(machine, moments, *, hear=lambda _: None, tick=None):
    """Run the month; an operator acknowledges what has waited for 20 min, in opening hours."""
    told, looked = [], START
    for ts, findings in moments:
        changes = machine.update(findings, ts)
        while ts - looked >= 600.0:
            looked += 600.0
            if OPEN_H <= (looked % DAY_S) / HOUR_S < CLOSE_H:
                for alarm in machine.alarms():
                    waited = ts - (alarm.last_raised_ts or ts)
                    if alarm.state in (State.NOT_ACKNOWLEDGED, State.RETURNED) and waited > 1200:
                        changes += machine.acknowledge(alarm.id, "operator", ts)
            if tick:
                tick(ts)
        told += changes
        if changes:
            hear(changes)
    return told


@pytest.fixture(scope="module")
def moments():
    return month()


@pytest.fixture(scope="module")
def history(moments):
    machine = AlarmMachine(default_policy, site="harbour", family=Family.of(harbour()))
    return live(machine, moments)


def test_the_month_is_very_likely_acceptable(history):
    found = figures(activations(history), START, END)
    assert found.misses() == []
    assert found.chattering_names == ()
    assert found.floods == ()
    assert found.stale < 5
    assert found.per_day < 5
    # Most of what calls for somebody can wait (published split about 80/15/5).
    assert found.priority_share[Priority.ACT_NOW] < 0.5


def test_every_fault_was_told_and_nothing_else(history):
    shown = {a.name for a in activations(history)}
    expected = {f"{f.subject}.{'-'.join(f.kind.value.split())}" for f in FAULTS}
    assert expected <= shown
    # Low air was seen at draws before enough pumps agreed that it is the supply.
    early = {n for n in shown - expected if n.split(".")[0] in (*MAIN, *SECOND)}
    assert shown - expected == early
    assert all(n.split(".")[1] in ("low-air", "air-sag") for n in early)


@pytest.mark.slow
def test_without_the_machine_the_same_month_is_not(moments, history):
    """The control: no delays, no grouping, every finding of a fault told by itself."""
    bare = AlarmMachine(lambda _: AlarmPolicy(Priority.ACT_NOW, 0.0, 0.0, 0.0, rejoin_s=0.0))
    found = figures(activations(live(bare, moments)), START, END)
    assert "max_in_10_min" in found.misses()
    assert found.floods
    assert found.total > 8 * len(activations(history))


@pytest.mark.slow
def test_the_operator_gets_few_messages(moments, tmp_path):
    site, got, now = harbour(), [], [START]

    class Tray:
        def send(self, message, picture=None):  # noqa: ARG002 - the post's signature
            got.append(message)

    core = Core(tmp_path, SCHEMAS)
    office = Office(core, Tray(), clock=lambda: now[0])

    def tick(ts):
        now[0] = ts
        office.tick(site)
        while office.courier.deliver(ts):
            pass

    def hear(changes):
        now[0] = changes[-1].ts
        office.hear(site, changes)

    machine = AlarmMachine(default_policy, site="harbour", family=Family.of(site))
    live(machine, moments, hear=hear, tick=tick)
    core.close()
    news = [m for m in got if m.word != "daily digest"]
    digests = [m for m in got if m.word == "daily digest"]
    assert len(digests) <= DAYS
    assert len(news) < 3 * len(FAULTS)
