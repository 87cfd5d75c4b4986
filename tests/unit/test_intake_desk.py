"""What the intake refuses, why, and that it costs nothing else; asking for what is missing."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pace import examples

from monitor import wire
from monitor.errors import StoreFull, StoreUnavailable
from monitor.intake.asking import FIRST_ASK_S, MAX_ASKS, Asking
from monitor.intake.desk import Desk, Hooks, Raw
from monitor.intake.refused import KEEP_PER_REASON, MAX_REASONS, Refused, RefusedBook
from monitor.site import Pump, Site
from monitor.store.embedded import EmbeddedStore
from monitor.store.interface import Receipt
from monitor.store.memory import MemoryStore
from monitor.wire import Message, NodeStatus

NOW_TS = 1_764_000_000.0
SITE = Site(id="fern", pumps=(Pump(id="a"), Pump(id="b", node="node2")))


def message(seq: int, pump: str = "a", **more: object) -> Message:
    t0 = round((NOW_TS - 1000 + seq) * 1e6)
    counts = np.arange(20, dtype=np.int16) + 1000
    plain = Message("fern", pump, 4, seq, t0, 50_000, counts, 244.0, 0.0)
    return replace(plain, **more)  # type: ignore[arg-type] # any field may be changed


def raw(one: Message) -> Raw:
    return Raw(wire.data_topic(one.site, one.pump), wire.encode_cbor(one))


class Office:
    """A desk over a store in memory, with what it told."""

    def __init__(self, store: MemoryStore | None = None) -> None:
        self.store = store or MemoryStore()
        self.stored: list[Message] = []
        self.statuses: list[NodeStatus] = []
        self.desk = Desk(self.store, [SITE], Hooks(self.stored.extend, self.statuses.append))

    def take(self, *batch: Raw, now_ts: float = NOW_TS) -> None:
        self.desk.tell(self.desk.take(batch, now_ts))


BAD = {
    "unknown pump": raw(message(0, "zz")),
    "unknown site": Raw(
        "strokewise/1/oak/n/status", wire.encode_status(NodeStatus("oak", "n", True, NOW_TS))
    ),
    "time in the future": raw(message(0, t0_us=round((NOW_TS + 90_000) * 1e6))),
    "time out of range": raw(message(0, t0_us=315_532_800_000_000)),
    "too large": Raw("strokewise/1/fern/a/data", bytes(1_000_000)),
    "bad topic": Raw("strokewise/1/fern/data", b"[]"),
    "counter backwards": Raw(
        "strokewise/1/fern/a/data",
        b'[{"bn":"fern:a:","bt":1763999000,"n":"boot","u":"count","v":4},'
        b'{"n":"seq","u":"count","v":1},{"n":"step","u":"s","v":0.5},{"n":"pressure","u":"Pa","v":1},'
        b'{"n":"strokes","u":"count","v":9},{"n":"strokes","u":"count","t":0.2,"v":8}]',
    ),
}


@pytest.mark.parametrize("reason", BAD)
def test_each_bad_message_is_named_sampled_and_costs_only_itself(
    reason: str, caplog: pytest.LogCaptureFixture
) -> None:
    office = Office()
    office.take(raw(message(0)), BAD[reason], raw(message(1)))
    assert [m.seq for m in office.stored] == [0, 1]
    assert office.desk.refused.counts() == {reason: 1}
    (sample,) = office.desk.refused.samples()
    assert sample.topic == BAD[reason].topic
    assert sample.detail
    assert sample.first_bytes == BAD[reason].payload[:64]
    assert sample.size_bytes == len(BAD[reason].payload)
    assert "refused" in caplog.text


@pytest.mark.parametrize("t0_us", [315_532_800_000_000, 4_102_444_800_000_000])
def test_the_years_1980_and_2100_are_refused(t0_us: int) -> None:
    office = Office()
    office.take(raw(message(0, t0_us=t0_us)))
    assert office.stored == []
    assert sum(office.desk.refused.counts().values()) == 1


@pytest.mark.parametrize("bad", [b"NaN", b'"NaN"', b"1e999", b"null"])
def test_no_value_that_is_no_number_gets_in(bad: bytes) -> None:
    body = wire.encode_json(message(0, samples=np.array([1.0, 2.0]), scale_pa=1.0))
    assert b'"v":2.0' in body
    office = Office()
    office.take(Raw("strokewise/1/fern/a/data", body.replace(b'"v":2.0', b'"v":' + bad)))
    assert office.stored == []
    assert sum(office.desk.refused.counts().values()) == 1


def test_a_message_sent_twice_is_told_once() -> None:
    office = Office()
    office.take(raw(message(0)), raw(message(0)))
    office.take(raw(message(0)))
    assert len(office.stored) == 1
    assert office.desk.duplicate_messages == 2


def test_each_pump_is_told_in_time_order() -> None:
    office = Office()
    office.take(*(raw(message(seq, pump)) for seq in (3, 1, 2) for pump in "ba"))
    assert [(m.pump, m.seq) for m in office.stored] == [
        (pump, seq) for pump in "ab" for seq in (1, 2, 3)
    ]


def test_a_status_is_told_and_what_it_calls_lost_is_not_asked_for() -> None:
    office = Office()
    office.take(raw(message(0)), raw(message(9)))
    status = NodeStatus(
        "fern", "node1", True, NOW_TS, lost=(("a", 4, 0, 5), ("zz", 4, 0, 5), ("a", 9, 1, 2))
    )
    office.take(Raw("strokewise/1/fern/node1/status", wire.encode_status(status)))
    assert [s.node for s in office.statuses] == ["node1"]
    assert office.store.watermark("fern", "a", 4) == (5, [(6, 8)])
    assert office.desk.asking.lost_messages == 5


def test_an_emptied_status_is_nothing_to_tell() -> None:
    office = Office()
    office.take(Raw("strokewise/1/fern/node1/status", b""))
    assert office.statuses == []
    assert office.desk.refused.counts() == {}


def test_a_failing_listener_stops_nothing(caplog: pytest.LogCaptureFixture) -> None:
    store = MemoryStore()

    def fail(_messages: object) -> None:
        raise RuntimeError("pages are on fire")

    desk = Desk(store, [SITE], Hooks(fail, fail))
    desk.tell(desk.take([raw(message(0))], NOW_TS))
    desk.tell(desk.take([raw(message(1))], NOW_TS))
    assert store.watermark("fern", "a", 4) == (1, [])
    assert desk.failed_hooks == 2
    assert "the data are safe" in caplog.text


class Choosy(MemoryStore):
    """Fails as told."""

    fault: Exception | None = None

    def append(self, batch: Sequence[Message]) -> list[Receipt]:
        if self.fault and any(m.seq == 1 for m in batch):
            raise self.fault
        return super().append(batch)


@pytest.mark.parametrize("fault", [StoreFull(), StoreUnavailable("away")])
def test_while_the_store_is_away_nothing_of_the_batch_counts(fault: Exception) -> None:
    store = Choosy()
    office = Office(store)
    store.fault = fault
    with pytest.raises(type(fault)):
        office.take(raw(message(0)), raw(message(1)))
    assert (office.stored, office.desk.received_messages) == ([], 0)
    store.fault = None
    office.take(raw(message(0)), raw(message(1)))
    assert len(office.stored) == 2


def test_one_message_the_store_chokes_on_costs_only_itself() -> None:
    store = Choosy()
    office = Office(store)
    store.fault = OverflowError("too big")
    office.take(*(raw(message(seq)) for seq in range(3)))
    assert [m.seq for m in office.stored] == [0, 2]
    assert office.desk.refused.counts() == {"not storable": 1}


@settings(deadline=None, max_examples=examples(60), suppress_health_check=[HealthCheck.too_slow])
@given(st.data())
def test_garbage_between_good_messages_loses_none(data: st.DataObject) -> None:
    office = Office()
    topics = st.sampled_from(
        ["strokewise/1/fern/b/data", "strokewise/1/fern/n/status", "strokewise/1//data", "", "a/b"]
    )
    good = [raw(message(seq)) for seq in range(20)]
    whole = wire.encode_cbor(message(0, "b"))
    json = wire.encode_json(message(0, "b"))
    broken = st.one_of(
        st.binary(max_size=80),
        st.tuples(st.sampled_from([whole, json]), st.integers(0, 300), st.integers(0, 255)).map(
            lambda t: t[0][: t[1] % len(t[0])] + bytes([t[2]]) + t[0][t[1] % len(t[0]) + 1 :]
        ),
        st.text(max_size=60).map(str.encode),
    )
    batch = list(good)
    for topic, payload in data.draw(st.lists(st.tuples(topics, broken), max_size=30)):
        batch.insert(data.draw(st.integers(0, len(batch))), Raw(topic, payload))
    office.take(*batch)
    assert [m.seq for m in office.stored if m.pump == "a"] == list(range(20))
    assert len(office.desk.refused.samples()) <= MAX_REASONS * KEEP_PER_REASON


def test_thousands_of_bad_payloads_keep_the_memory_bounded(tmp_path: Path) -> None:
    store = EmbeddedStore(tmp_path)
    desk = Desk(store, [SITE], Hooks(lambda _m: None, lambda _s: None))
    rng = np.random.default_rng(1)
    whole = wire.encode_cbor(message(0))
    for k in range(20):
        batch = [raw(message(k))]
        for _ in range(500):
            body = bytearray(whole)
            for at in rng.integers(0, len(body), 3):
                body[at] ^= int(rng.integers(1, 256))
            batch.append(Raw("strokewise/1/fern/b/data", bytes(body)))
        desk.take(batch, NOW_TS)
    assert store.watermark("fern", "a", 4) == (19, [])
    assert sum(desk.refused.counts().values()) == 10_000
    assert len(desk.refused.samples()) <= len(desk.refused.counts()) * KEEP_PER_REASON
    store.close()


def test_reasons_without_end_become_other() -> None:
    book = RefusedBook()
    for k in range(1000):
        book.add(Refused(float(k), f"reason {k}", "t", "d", b"", 0))
    assert len(book.counts()) <= MAX_REASONS + 1
    assert sum(book.counts().values()) == 1000


def node_of(_site: str, pump: str) -> str | None:
    return {"a": "node1", "b": "node2"}.get(pump)


def test_a_hole_is_asked_for_after_a_while_and_forgotten_when_filled() -> None:
    store = MemoryStore()
    asking = Asking(store, node_of)
    first = [message(seq) for seq in (0, 1, 5)]
    store.append(first)
    asking.seen(first, NOW_TS)
    assert asking.due(NOW_TS + FIRST_ASK_S - 1) == []
    (wanted,) = asking.due(NOW_TS + FIRST_ASK_S)
    assert (wanted.site, wanted.node, wanted.ranges) == ("fern", "node1", (("a", 4, 2, 4),))
    assert asking.due(NOW_TS + FIRST_ASK_S + 1) == []
    rest = [message(seq) for seq in (2, 3, 4)]
    store.append(rest)
    asking.seen(rest, NOW_TS + 40)
    assert asking.due(NOW_TS + 1000) == []
    assert asking.open_holes == 0


def test_what_never_comes_is_declared_lost_in_the_end() -> None:
    store = MemoryStore()
    asking = Asking(store, node_of)
    some = [message(0), message(5)]
    store.append(some)
    asking.seen(some, NOW_TS)
    asked = sum(bool(asking.due(NOW_TS + k * 10.0)) for k in range(4000))
    assert asked == MAX_ASKS
    assert asking.lost_messages == 4
    assert store.watermark("fern", "a", 4) == (5, [])


def test_many_holes_are_asked_for_newest_first_and_bounded() -> None:
    store = MemoryStore()
    asking = Asking(store, node_of)
    odd = [message(seq) for seq in range(0, 600, 2)]
    store.append(odd)
    asking.seen(odd, NOW_TS)
    (wanted,) = asking.due(NOW_TS + 60)
    assert len(wanted.ranges) == 100
    assert wanted.ranges[0] == ("a", 4, 597, 597)


def test_a_stream_seen_for_the_first_time_is_checked_for_old_holes() -> None:
    store = MemoryStore()
    store.append([message(seq) for seq in (0, 4)])
    asking = Asking(store, node_of)
    later = [message(5)]
    store.append(later)
    asking.seen(later, NOW_TS)
    assert asking.due(NOW_TS + 60)[0].ranges == (("a", 4, 1, 3),)
