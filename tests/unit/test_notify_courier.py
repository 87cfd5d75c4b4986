"""The courier: a fault of one message, one picture or the store costs only itself."""

import threading

import pytest

from monitor.errors import StoreUnavailable
from monitor.notify.message import merged
from monitor.notify.outbox import SCHEMA, Message, Outbox
from monitor.notify.worker import Courier
from monitor.store.core import Core


def message(key, channel="hook", person="operator"):
    return Message(key, "harbour", channel, person, "raised", key, "text", "<b>", f"alarm-{key}")


class Post:
    def __init__(self):
        self.got = []
        self.bad = set()
        self.came = threading.Event()

    def send(self, parcel, picture=None):
        if parcel.key in self.bad:
            raise RuntimeError("a plug-in's surprise with a secret in it")
        self.got.append((parcel.key, picture))
        self.came.set()


@pytest.fixture
def desk(tmp_path):
    core = Core(tmp_path, [SCHEMA])
    outbox, post = Outbox(core, merged), Post()
    yield outbox, post
    core.close()


def courier(desk, picture=lambda _: b"png"):
    return Courier(*desk, picture, lambda: 1000.0)


def test_a_message_that_breaks_its_channel_stops_no_other(desk):
    outbox, post = desk
    post.bad.add("one")
    outbox.add([message("one")], 0.0)
    one = courier(desk)
    assert one.deliver(1000.0) == 0
    (health,) = outbox.health()
    assert health.error == "unexpected RuntimeError"
    outbox.add([message("two")], 1000.0)
    assert one.deliver(1031.0) == 1
    assert [key for key, _ in post.got] == ["two"]
    (health,) = outbox.health()
    assert health.waiting == 1


def test_word_goes_without_its_picture_if_that_cannot_be_drawn(desk):
    outbox, post = desk

    def broken(_):
        raise ValueError("no samples")

    outbox.add([message("one")], 0.0)
    assert courier(desk, broken).deliver(1000.0) == 1
    assert post.got == [("one", None)]


def test_the_picture_is_asked_for_by_alarm(desk):
    outbox, post = desk
    outbox.add([message("one")], 0.0)
    courier(desk, lambda alarm_id: alarm_id.encode()).deliver(1000.0)
    assert post.got == [("one", b"alarm-one")]


def test_a_full_disk_does_not_end_the_courier(desk, monkeypatch, caplog):
    outbox, post = desk
    one = courier(desk)
    real, failures = outbox.ready, []

    def once_full(now_ts):
        if not failures:
            failures.append(1)
            raise StoreUnavailable("full")
        return real(now_ts)

    monkeypatch.setattr(outbox, "ready", once_full)
    outbox.add([message("one")], 0.0)
    one.start()
    one.wake()
    assert post.came.wait(10.0)
    one.close()
    assert "outbox-unavailable" in caplog.text


def test_what_was_delivered_but_could_not_be_recorded_comes_again(desk, monkeypatch, caplog):
    outbox, post = desk
    real, failures = outbox.sent, []

    def once_full(parcel, now_ts):
        if not failures:
            failures.append(1)
            raise StoreUnavailable("full")
        return real(parcel, now_ts)

    monkeypatch.setattr(outbox, "sent", once_full)
    outbox.add([message("one")], 0.0)
    one = courier(desk)
    one._lane(("harbour", "hook"))
    one._lane(("harbour", "hook"))
    assert [key for key, _ in post.got] == ["one", "one"]
    assert outbox.health()[0].waiting == 0
    assert "outbox-unavailable" in caplog.text


def test_one_channel_has_one_call_under_way_and_blocks_no_other(desk):
    outbox, post = desk
    inside, leave, other = threading.Event(), threading.Event(), threading.Event()

    def send(parcel, picture=None):  # noqa: ARG001 - the post's signature
        if parcel.channel == "slow":
            assert not inside.is_set()
            inside.set()
            leave.wait(10.0)
        else:
            other.set()

    post.send = send
    outbox.add([message("a", "slow", "p1"), message("b", "slow", "p2")], 0.0)
    one = courier(desk)
    one.start()
    assert inside.wait(10.0)
    outbox.add([message("c", "quick")], 0.0)
    one.wake()
    assert other.wait(10.0)
    one._stop.set()
    leave.set()
    one.close()
    assert {h.channel: h.waiting for h in outbox.health()} == {"quick": 0, "slow": 1}
