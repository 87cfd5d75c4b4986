"""Which letter goes next, against a link that only notes what it was given."""

from pathlib import Path

import numpy as np
import pytest

from edge.link import WINDOW, Event, Link
from edge.outbox import Bounds, Order, Outbox
from edge.publish import LIVE_LIMIT, MOST_ANSWERS, Publisher, Rules
from monitor.wire import Message, Wanted, data_topic, decode, encode_cbor

T0_S = 1_764_000_000


class FakeLink:
    def __init__(self) -> None:
        self.up = True
        self.in_flight = 0
        self.sent: list[tuple[str, bytes]] = []

    @property
    def free(self) -> int:
        return WINDOW - self.in_flight if self.up else 0

    def send(self, topic: str, payload: bytes) -> int:
        self.in_flight += 1
        self.sent.append((topic, payload))
        return len(self.sent)

    def landed(self) -> None:
        self.in_flight -= 1


class Desk:
    """Outbox, fake link and publisher with a clock of their own."""

    def __init__(self, folder: Path, order: Order = "newest first", rate: float = 10.0) -> None:
        self.box = Outbox(folder / "outbox.db", Bounds(10**9, 1e9, 10_000))
        self.link = FakeLink()
        link: Link = self.link  # type: ignore[assignment]  # the part of it that is used
        self.publisher = Publisher("pine-hollow", self.box, link, Rules(order, rate))
        self.now_s = 0.0
        self.seq = 0
        self.acked = 0

    def add(self, count: int = 1) -> None:
        rows = []
        for _ in range(count):
            t0_us = round((T0_S + self.seq) * 1e6)
            message = Message(
                site="pine-hollow",
                pump="foam",
                boot=7,
                seq=self.seq,
                t0_us=t0_us,
                dt_us=50_000,
                samples=np.zeros(20, np.int16),
            )
            rows.append(("foam", 7, self.seq, t0_us, encode_cbor(message)))
            self.seq += 1
        self.box.add(rows, None)

    def step(self, passed_s: float = 1.0, *, receipts: bool = True) -> list[int]:
        """Time passes, receipts come, letters go; the sequence numbers of those that went."""
        self.now_s += passed_s
        if receipts:
            events = [
                Event("receipt", mid) for mid in range(self.acked + 1, len(self.link.sent) + 1)
            ]
            self.acked = len(self.link.sent)
            self.publisher.take(events, self.now_s)
        before = len(self.link.sent)
        self.publisher.pump(self.now_s, round((T0_S + self.seq) * 1e6))
        return [self.read(i).seq for i in range(before, len(self.link.sent))]

    def read(self, index: int) -> Message:
        topic, payload = self.link.sent[index]
        assert topic == data_topic("pine-hollow", "foam")
        return decode(topic, payload)

    def tell(self, *events: Event) -> bool:
        return self.publisher.take(list(events), self.now_s)


@pytest.fixture
def desk(tmp_path: Path) -> Desk:
    return Desk(tmp_path)


def wanted(first: int, last: int, boot: int = 7) -> Event:
    return Event("wanted", wanted=Wanted("pine-hollow", "wall-1", (("foam", boot, first, last),)))


def test_live_letters_go_at_once_and_in_order(desk: Desk) -> None:
    desk.add(3)
    assert desk.step() == [0, 1, 2]
    desk.add()
    assert desk.step() == [3]
    assert desk.step() == []
    assert desk.box.waiting == 0


def test_a_backlog_goes_newest_first_at_its_rate_and_live_letters_are_not_held_up(
    desk: Desk,
) -> None:
    desk.link.up = False
    desk.add(40)
    assert desk.step() == []
    desk.link.up = True
    assert desk.tell(Event("up"))
    desk.add()
    assert desk.step() == [40, 39, 38, 37, 36, 35]
    desk.add()
    assert desk.step() == [41, 34, 33, 32, 31, 30]


def test_a_backlog_in_order(tmp_path: Path) -> None:
    desk = Desk(tmp_path, "in order")
    desk.add(8)
    desk.tell(Event("up"))
    assert desk.step() == []
    assert desk.step() == [0, 1, 2, 3, 4]
    assert desk.step() == [5, 6, 7]


def test_late_letters_are_marked_historical_and_live_ones_not(desk: Desk) -> None:
    desk.add(30)
    desk.tell(Event("up"))
    desk.step(0.1)
    desk.step(60.0)
    marks = {desk.read(i).seq: desk.read(i).historical for i in range(len(desk.link.sent))}
    assert marks[29] is False
    desk.step(60.0)
    desk.step(60.0)
    desk.step(60.0)
    last = desk.read(len(desk.link.sent) - 1)
    assert (last.seq < 20, last.historical) == (True, True)


def test_no_more_than_the_window_is_in_flight_and_nothing_goes_twice(desk: Desk) -> None:
    desk.add(300)
    sent = desk.step(receipts=False)
    sent += desk.step(receipts=False)
    assert sent == list(range(WINDOW))
    for _ in range(6):
        sent += desk.step()
    assert sorted(sent) == list(range(300))


def test_what_the_line_cannot_carry_becomes_backlog(desk: Desk) -> None:
    desk.add(LIVE_LIMIT + 50)
    assert desk.step(receipts=False)[0] == 50


def test_wanted_letters_are_sent_again_and_what_is_gone_is_said(desk: Desk) -> None:
    desk.add(5)
    desk.step()
    desk.step()
    assert desk.box.kept == 5
    assert desk.tell(wanted(3, 8), wanted(0, 1, boot=99), wanted(3, 8))
    assert desk.step() == [3, 4]
    desk.step()
    assert desk.publisher.lost == (("foam", 7, 5, 8), ("foam", 99, 0, 1))
    assert desk.box.kept == 5


def test_answers_are_bounded(desk: Desk) -> None:
    desk.tell(*[wanted(i, i, boot=i + 100) for i in range(50)])
    for _ in range(20):
        desk.step()
    assert len(desk.publisher.lost) == MOST_ANSWERS


def test_a_long_wanted_range_is_served_in_parts(desk: Desk) -> None:
    desk.add(60)
    desk.step()
    desk.step()
    desk.tell(wanted(0, 59))
    again = [seq for _ in range(20) for seq in desk.step()]
    assert again == list(range(60))


def test_refused_letters_stay_and_wait(desk: Desk, caplog: pytest.LogCaptureFixture) -> None:
    desk.add(2)
    desk.step()
    desk.tell(Event("refused", 1, "Not authorized"), Event("refused", 2, "Not authorized"))
    desk.acked = 2
    assert desk.publisher.refused == 2
    assert "rights" in caplog.text
    assert len(caplog.records) == 1
    desk.add()
    assert desk.step() == []
    assert sorted(desk.step(40.0)) == [0, 1, 2]
    desk.step()
    assert desk.box.waiting == 0


def test_receipts_nobody_waits_for_are_ignored(desk: Desk) -> None:
    desk.tell(Event("receipt", 99), Event("down", text="gone"))
    assert desk.step() == []
