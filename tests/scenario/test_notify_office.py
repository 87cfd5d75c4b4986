"""From changes of alarms to messages, over simulated days, with people's hours."""

from datetime import datetime
from zoneinfo import ZoneInfo

import pytest

from monitor.advice.kinds import Kind
from monitor.alarms.grouping import Family
from monitor.alarms.machine import AlarmMachine
from monitor.alarms.policy import default_policy
from monitor.detectors.finding import Finding, Presence
from monitor.notify import SCHEMAS
from monitor.notify.channels import NotDelivered
from monitor.notify.office import Office
from monitor.site import Channel, Person, Pump, Site
from monitor.store.alarm_book import SCHEMA as ALARMS
from monitor.store.alarm_book import AlarmBook
from monitor.store.core import Core

ZONE = ZoneInfo("Europe/Paris")
MIN_S, HOUR_S = 60.0, 3600.0
PUMPS = tuple(f"P{n}" for n in range(1, 13))


def at(text):
    return datetime.fromisoformat(text).replace(tzinfo=ZONE).timestamp()


class Tray:
    """A post that keeps what it got; a channel named 'dead' takes nothing."""

    def __init__(self):
        self.got = []

    def send(self, message, picture=None):  # noqa: ARG002 - the post's signature
        if message.channel == "dead":
            raise NotDelivered("no answer")
        self.got.append(message)


class Day:
    """A site, its machine and office, and a clock that is moved by hand."""

    def __init__(self, folder, start, people):
        self.now, self.tray = start, Tray()
        self.folder = folder
        self.site = Site(
            id="harbour",
            label="Harbour Wash",
            time_zone="Europe/Paris",
            pumps=tuple(Pump(id=p) for p in PUMPS),
            people=people,
            channels=(Channel(id="phone", url="x"), Channel(id="dead", url="x")),
        )
        self.open()
        self.machine = AlarmMachine(default_policy, site="harbour", family=Family.of(self.site))

    def open(self):
        self.core = Core(self.folder, [ALARMS, *SCHEMAS])
        self.book = AlarmBook(self.core)
        self.office = Office(self.core, self.tray, clock=lambda: self.now)

    def keep(self, changes):
        with self.core.write():
            self.book.save("harbour", changes, self.machine.dump())
            self.office.hear(self.site, changes)

    def say(self, kind, presence=Presence.YES, *, subject="P3", since_s=600.0, severity=0.9):
        found = Finding(
            subject, kind, presence, self.now, self.now - since_s, 0.9, severity, "So it is."
        )
        self.keep(self.machine.update([found], self.now))

    def go(self, seconds, step=60.0):
        end = self.now + seconds
        while self.now < end:
            self.now = min(end, self.now + step)
            if changes := self.machine.tick(self.now):
                self.keep(changes)
            self.office.tick(self.site)
            while self.office.courier.deliver(self.now):
                pass

    def read(self):
        got, self.tray.got = [(m.person, m.word, m.subject) for m in self.tray.got], []
        return got

    def words(self):
        return [(person, word) for person, word, _ in self.read()]


OPERATOR = Person(id="operator", role="operator", channels=("phone",), wants_digest=False)
OWNER = Person(
    id="owner", role="owner", channels=("phone",), wants_digest=False, escalate_after_s=30 * MIN_S
)


@pytest.fixture
def day(tmp_path):
    made = []

    def make(start="2026-11-11 12:00", people=(OPERATOR,)):
        made.append(Day(tmp_path, at(start), people))
        return made[-1]

    yield make
    for one in made:
        one.core.close()


def test_raised_escalated_returned(day):
    d = day(people=(OPERATOR, OWNER))
    d.say(Kind.MISSED_PRIME)
    d.go(29 * MIN_S)
    assert d.words() == [("operator", "raised")]
    d.go(2 * MIN_S)
    assert d.words() == [("owner", "not acknowledged in time")]
    d.say(Kind.MISSED_PRIME, Presence.NO)
    d.go(14 * MIN_S)
    assert d.words() == []
    d.go(2 * MIN_S)
    assert d.words() == [("operator", "returned to normal"), ("owner", "returned to normal")]
    d.go(5 * HOUR_S)
    assert d.words() == []


def test_acknowledged_in_time_the_owner_sleeps_on(day):
    d = day(people=(OPERATOR, OWNER))
    d.say(Kind.MISSED_PRIME)
    d.go(10 * MIN_S)
    d.keep(d.machine.acknowledge(d.machine.alarms()[0].id, "operator", d.now))
    d.go(5 * HOUR_S)
    assert d.words() == [("operator", "raised")]


def test_an_alarm_that_comes_and_goes_is_one_message_and_one_note(day):
    d = day()
    for _ in range(10):
        d.say(Kind.MISSED_PRIME)
        d.go(4 * MIN_S)
        d.say(Kind.MISSED_PRIME, Presence.NO)
        d.go(4 * MIN_S)
    d.go(HOUR_S)
    assert d.words() == [("operator", "raised"), ("operator", "returned to normal")]
    assert d.machine.alarms()[0].count == 10
    d.say(Kind.MISSED_PRIME)
    d.go(MIN_S)
    assert d.words() == [("operator", "came back")]


def test_an_acknowledged_alarm_that_becomes_urgent_is_told_again_once(day):
    d = day()
    d.say(Kind.NO_DEMAND, severity=0.2)
    d.go(MIN_S)
    d.keep(d.machine.acknowledge(d.machine.alarms()[0].id, "operator", d.now))
    d.say(Kind.NO_DEMAND, severity=0.9)
    d.go(HOUR_S)
    assert [s for _, _, s in d.read()] == [
        "This shift: running with no demand, P3 · Harbour Wash",
        "Act now, worse than before: running with no demand, P3 · Harbour Wash",
    ]


def test_a_channel_can_be_tried_out(day):
    d = day()
    assert d.office.try_out(d.site, "phone") is None
    assert d.read() == [("", "test", "Test message · Harbour Wash")]
    assert d.office.try_out(d.site, "dead") == "no answer"


def test_quiet_hours_hold_what_can_wait_and_drop_what_went_by_itself(day):
    sleeper = OPERATOR.model_copy(update={"quiet_from_min": 22 * 60, "quiet_to_min": 6 * 60})
    d = day("2026-11-11 23:00", people=(sleeper,))
    d.say(Kind.AIR_SAG, severity=0.1)
    d.say(Kind.NO_DEMAND, subject="P4", severity=0.1)
    d.go(HOUR_S)
    d.say(Kind.NO_DEMAND, Presence.NO, subject="P4")
    d.go(HOUR_S)
    assert d.read() == []
    d.say(Kind.MISSED_PRIME, subject="P5")  # nobody else is awake: it may not wait
    d.go(MIN_S)
    assert d.words() == [("operator", "raised")]
    d.go(at("2026-11-12 06:01") - d.now)
    assert [s for _, _, s in d.read()] == ["This shift: air sag, P3 · Harbour Wash"]


def test_a_shelved_alarm_is_silent_and_news_when_the_shelf_ends(day):
    d = day()
    d.say(Kind.MISSED_PRIME)
    d.go(MIN_S)
    name = d.machine.alarms()[0].id
    d.keep(d.machine.shelve(name, "operator", "drum comes at two", d.now, until_ts=d.now + HOUR_S))
    d.go(59 * MIN_S)
    assert d.words() == [("operator", "raised")]
    d.go(2 * MIN_S)
    assert d.words() == [("operator", "raised")]


def test_a_common_air_fault_is_one_message_and_one_note_of_return(day):
    d = day()
    found = [Finding(p, Kind.LOW_AIR, Presence.YES, d.now, d.now - 5, 0.9, 0.9) for p in PUMPS]
    common = Finding("air:main", Kind.LOW_AIR, Presence.YES, d.now + 8, d.now, 0.95, 0.9)
    d.keep(d.machine.update(found, d.now))
    d.now += 8
    d.keep(d.machine.update([common], d.now))
    d.go(10 * MIN_S)
    assert [s for _, _, s in d.read()] == ["Act now: low air, air supply main · Harbour Wash"]
    back = [Finding(s, Kind.LOW_AIR, Presence.NO, d.now, d.now) for s in ("air:main", *PUMPS)]
    d.keep(d.machine.update(back, d.now))
    d.go(HOUR_S)
    assert d.words() == [("operator", "returned to normal")]


def test_a_flood_becomes_digests(day):
    d = day()
    for pump in PUMPS:  # twelve unlike faults in six minutes: more than ten in ten minutes
        d.say(Kind.MISSED_PRIME, subject=pump)
        d.go(30.0, step=30.0)
    assert d.office.flood_since("harbour") is not None
    d.go(15 * MIN_S)
    told = d.words()
    assert [w for _, w in told[:5]] == ["raised"] * 5
    assert {w for _, w in told[5:]} <= {"several alarms", "flood of alarms", "flood is over"}
    assert len(told) <= 8
    assert "flood is over" in {w for _, w in told}
    listed = d.core.rows("SELECT DISTINCT alarm_id FROM notify_told")
    assert len(listed) == 12  # everybody's alarm was in some message


def test_the_daily_digest_tells_what_stands_what_ended_what_is_hidden_and_what_failed(day):
    person = Person(id="operator", role="operator", channels=("phone", "dead"), digest_min=420)
    d = day("2026-11-11 12:00", people=(person,))
    d.say(Kind.MISSED_PRIME)
    d.go(MIN_S)
    d.say(Kind.MISSED_PRIME, Presence.NO)
    d.keep(d.machine.acknowledge(d.machine.alarms()[0].id, "operator", d.now))
    d.say(Kind.NO_DEMAND, subject="P7")
    d.go(MIN_S)
    d.say(Kind.AIR_SAG, subject="P8")
    d.go(MIN_S)
    sag = next(a for a in d.machine.alarms() if a.subject == "P8")
    d.keep(d.machine.shelve(sag.id, "operator", "busy day", d.now, until_ts=d.now + 30 * HOUR_S))
    d.go(HOUR_S)
    d.read()
    d.go(at("2026-11-12 07:01") - d.now, step=300.0)
    (digest,) = [m for m in d.tray.got if m.word == "daily digest"]
    for part in (
        "Needs someone", "P7, running with no demand", "Ended in the last day",
        "P3, missed prime", "Hidden on purpose", "busy day", "could not be delivered",
        "dead: not delivering since",
    ):  # fmt: skip
        assert part in digest.text
        assert part in digest.html
    d.read()
    d.go(HOUR_S)
    assert [w for _, w in d.words() if w == "daily digest"] == []


def test_no_digest_when_there_is_nothing_to_tell(day):
    person = OPERATOR.model_copy(update={"wants_digest": True})
    d = day("2026-11-11 06:50", people=(person,))
    d.go(20 * MIN_S)
    d.say(Kind.MISSED_PRIME)
    d.go(MIN_S)
    assert d.words() == [("operator", "raised")]  # and no digest of what came later


def test_a_restart_tells_nothing_twice_and_forgets_nobody(day):
    d = day(people=(OPERATOR, OWNER))
    d.say(Kind.MISSED_PRIME)
    d.go(MIN_S)
    assert d.words() == [("operator", "raised")]
    d.core.close()
    d.open()
    d.go(31 * MIN_S)
    assert d.words() == [("owner", "not acknowledged in time")]


def test_what_is_not_kept_is_not_told(day):
    d = day()
    changes = d.machine.update(
        [Finding("P3", Kind.MISSED_PRIME, Presence.YES, d.now, d.now - 60, 0.9, 0.9)], d.now
    )

    def keep_and_fail():
        with d.core.write():
            d.office.hear(d.site, changes)
            raise RuntimeError("the power went")

    with pytest.raises(RuntimeError):
        keep_and_fail()
    assert d.core.rows("SELECT * FROM notify_outbox") == []
    d.keep(changes)
    d.keep([])
    d.go(MIN_S)
    assert d.words() == [("operator", "raised")]


def test_old_things_are_forgotten(day):
    d = day()
    d.say(Kind.MISSED_PRIME)
    d.go(MIN_S)
    d.keep(d.machine.acknowledge(d.machine.alarms()[0].id, "operator", d.now))
    d.say(Kind.MISSED_PRIME, Presence.NO)
    d.go(HOUR_S)
    d.now += 100 * 86400.0
    d.office.tick(d.site)
    for table in ("notify_case", "notify_told", "notify_heard", "notify_outbox"):
        assert d.core.rows(f"SELECT * FROM {table}") == []  # noqa: S608 - our own names
