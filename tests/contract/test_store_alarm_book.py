"""The alarms' memory: what is said is kept, in order, and the machine goes on where it ended."""

import apsw
import pytest

from monitor.advice.kinds import Kind, Priority
from monitor.alarms.machine import AlarmMachine
from monitor.alarms.policy import AlarmPolicy
from monitor.alarms.types import State, What
from monitor.detectors.finding import Evidence, Finding, Presence
from monitor.store.alarm_book import SCHEMA, AlarmBook, Asked, HistoryBroken
from monitor.store.core import Core


@pytest.fixture
def core(tmp_path):
    core = Core(tmp_path, [SCHEMA])
    yield core
    core.close()


def machine(on_delay_s=0.0):
    return AlarmMachine(lambda _: AlarmPolicy(Priority.ACT_NOW, on_delay_s, 0.0), site="harbour")


def yes(ts, pump="P1"):
    evidence = (Evidence("stall pressure", 310_264.1, "Pa", 400_000.0, None),)
    return Finding(
        pump, Kind.AIRLOCK, Presence.YES, ts, ts, 0.9, 0.5, "Gas is trapped.", evidence,
        ((Kind.AIRLOCK, 0.8), (Kind.LOST_PRIME, 0.2)),
    )  # fmt: skip


def test_what_was_saved_comes_back_equal(core):
    book, m = AlarmBook(core), machine()
    told = m.update([yes(10.0)], 10.0)
    told += m.acknowledge(m.alarms()[0].id, "operator", 20.0)
    book.save("harbour", told, m.dump())
    assert [e.change for e in reversed(book.history(Asked()))] == told
    assert book.verify() == 2


def test_a_restart_goes_on_with_timers_intact(core):
    book, m = AlarmBook(core), machine(on_delay_s=30.0)
    book.save("harbour", m.update([yes(100.0)], 100.0), m.dump())
    again = machine(on_delay_s=30.0)
    again.load(book.load("harbour"))
    assert [(c.what, c.ts) for c in again.tick(131.0)] == [(What.RAISED, 130.0)]
    assert book.load("elsewhere") is None


def test_questions(core):
    book, m = AlarmBook(core), machine()
    book.save("harbour", m.update([yes(10.0)], 10.0), m.dump())
    book.save("harbour", m.update([yes(20.0, "P2")], 20.0), m.dump())
    name = m.alarms()[1].id
    book.save("harbour", m.acknowledge(name, "operator", 30.0), m.dump())

    def ts_of(**asked):
        return [e.change.ts for e in book.history(Asked(**asked))]

    assert ts_of() == [30.0, 20.0, 10.0]
    assert ts_of(site="other") == []
    assert ts_of(subject="P1") == [10.0]
    assert ts_of(alarm_id=name) == [30.0, 20.0]
    assert ts_of(state=State.ACKNOWLEDGED) == [30.0]
    assert ts_of(from_ts=10.0, to_ts=30.0) == [20.0, 10.0]
    first = book.history(Asked(), limit=2)
    assert [e.change.ts for e in book.history(Asked(), before_seq=first[-1].seq)] == [10.0]


def test_the_history_cannot_be_altered_and_a_forgery_is_found(core):
    book, m = AlarmBook(core), machine()
    for ts, pump in ((10.0, "P1"), (20.0, "P2"), (30.0, "P3")):
        book.save("harbour", m.update([yes(ts, pump)], ts), m.dump())
    for sql in ("UPDATE alarm_change SET who='x'", "DELETE FROM alarm_change"):
        with pytest.raises(apsw.ConstraintError, match="only ever added to"), core.write() as db:
            db.execute(sql)
    with core.write() as db:
        db.execute("DROP TRIGGER alarm_change_lasts")
        db.execute("DELETE FROM alarm_change WHERE seq=2")
    with pytest.raises(HistoryBroken, match="row 2"):
        book.verify()


def test_changes_and_machine_are_kept_together_or_not_at_all(core):
    book, m = AlarmBook(core), machine()
    told = m.update([yes(10.0)], 10.0)

    def save_and_fail():
        with core.write():
            book.save("harbour", told, m.dump())
            raise RuntimeError("the power went")

    with pytest.raises(RuntimeError):
        save_and_fail()
    assert book.history(Asked()) == []
    assert book.load("harbour") is None
    book.save("harbour", told, m.dump())
    assert book.verify() == 1


def test_subject_wide_changes_are_kept_too(core):
    book, m = AlarmBook(core), machine()
    book.save("harbour", m.out_of_service("P1", "tech", "visit 7", 5.0), m.dump())
    entry = book.history(Asked(subject="P1"))[0]
    assert (entry.change.by, entry.change.note, entry.change.after) == ("tech", "visit 7", None)
