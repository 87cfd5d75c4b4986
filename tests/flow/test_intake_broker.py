"""Intake against a real mosquitto: receipts after commit, held stores, garbage among good ones."""

import socket
import subprocess
import threading
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

import numpy as np
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from monitor import wire
from monitor.errors import StoreFull
from monitor.intake.desk import Desk, Hooks
from monitor.intake.intake import BrokerAddress, Intake
from monitor.site import Pump, Site
from monitor.store.embedded import EmbeddedStore
from monitor.store.interface import Receipt
from monitor.wire import Message

pytestmark = pytest.mark.broker

NOW_TS = 1_750_000_000.0
SITE = Site(id="fern", pumps=(Pump(id="a"), Pump(id="b")))


def message(pump: str, seq: int) -> Message:
    t0 = round((NOW_TS - 3600 + seq) * 1e6)
    counts = np.random.default_rng(seq).integers(0, 4000, 20).astype(np.int16)
    return Message("fern", pump, 9, seq, t0, 50_000, counts, 244.0, 0.0)


def wait_for(what: Callable[[], bool], timeout_s: float = 15.0) -> bool:
    waiting = threading.Event()
    for _ in range(int(timeout_s / 0.02)):
        if what():
            return True
        waiting.wait(0.02)
    return what()


class Mosquitto:
    """A broker on a free port with its own folder."""

    def __init__(self, program: str, folder: Path) -> None:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = int(probe.getsockname()[1])
        self._conf = folder / "broker.conf"
        self._conf.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\nuser root\n"
            f"persistence true\npersistence_location {folder}/\nautosave_interval 1\n"
            "max_queued_messages 0\nmax_inflight_messages 500\n"
        )
        self._program = program
        self.start()

    def start(self) -> None:
        self.process = subprocess.Popen(
            [self._program, "-c", str(self._conf)],
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )

        def open_() -> bool:
            with socket.socket() as probe:
                return probe.connect_ex(("127.0.0.1", self.port)) == 0

        assert wait_for(open_)

    def kill(self) -> None:
        self.process.kill()
        self.process.wait()


@pytest.fixture
def broker(mosquitto_program: str, tmp_path: Path) -> Iterator[Mosquitto]:
    folder = tmp_path / "broker"
    folder.mkdir()
    started = Mosquitto(mosquitto_program, folder)
    yield started
    started.kill()


@pytest.fixture
def publisher(broker: Mosquitto) -> Iterator[mqtt.Client]:
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="edge", clean_session=False)
    client.max_inflight_messages_set(500)
    client.connect("127.0.0.1", broker.port)
    client.loop_start()
    yield client
    client.disconnect()
    client.loop_stop()


def publish(client: mqtt.Client, messages: Sequence[Message]) -> None:
    told = [
        client.publish(wire.data_topic(m.site, m.pump), wire.encode_cbor(m), qos=1)
        for m in messages
    ]
    for one in told:
        one.wait_for_publish(20)


def run(broker: Mosquitto, store: EmbeddedStore, version: str = "3.1.1") -> tuple[Intake, list]:
    stored: list[Message] = []
    desk = Desk(store, [SITE], Hooks(stored.extend, lambda _status: None))
    address = BrokerAddress(f"mqtt://127.0.0.1:{broker.port}", version=version)
    intake = Intake(address, desk, clock=lambda: NOW_TS)
    intake.start()
    assert wait_for(lambda: intake.state().connected and not intake.state().problem)
    return intake, stored


@pytest.mark.parametrize("version", ["3.1.1", "5"])
def test_a_published_second_is_stored_bit_for_bit(
    broker: Mosquitto, publisher: mqtt.Client, tmp_path: Path, version: str
) -> None:
    store = EmbeddedStore(tmp_path / "store")
    intake, stored = run(broker, store, version)
    sent = [message("a", i) for i in range(30)]
    publish(publisher, sent)
    assert wait_for(lambda: len(stored) == 30)
    intake.stop()
    back = store.messages("fern", "a", NOW_TS - 4000, NOW_TS)
    assert [m.samples.tobytes() for m in back] == [m.samples.tobytes() for m in sent]
    store.close()


class Stubborn(EmbeddedStore):
    """A store whose disk is full for a while."""

    full = True
    tries = 0

    def append(self, batch: Sequence[Message]) -> list[Receipt]:
        self.tries += 1
        if self.full:
            raise StoreFull
        return super().append(batch)


def test_a_full_store_receipts_nothing_and_resumes_by_itself(
    broker: Mosquitto, publisher: mqtt.Client, tmp_path: Path
) -> None:
    store = Stubborn(tmp_path / "store")
    intake, stored = run(broker, store)
    publish(publisher, [message("a", i) for i in range(300)])
    assert wait_for(lambda: intake.state().holding.startswith("disk full"))
    intake.stop()
    store.close()
    # Nothing was receipted, so a new intake on the same session gets all of it again.
    store = Stubborn(tmp_path / "store")
    intake, stored = run(broker, store)
    assert wait_for(lambda: store.tries > 0)
    assert stored == []
    store.full = False
    assert wait_for(lambda: len(stored) == 300)
    assert intake.state().holding == ""
    intake.stop()
    assert store.watermark("fern", "a", 9) == (299, [])
    store.close()


def test_garbage_by_the_thousand_costs_only_itself(
    broker: Mosquitto, publisher: mqtt.Client, tmp_path: Path
) -> None:
    store = EmbeddedStore(tmp_path / "store")
    intake, stored = run(broker, store)
    rng = np.random.default_rng(3)
    good = [message("a", i) for i in range(500)]
    for one in good:
        for _ in range(4):
            size = int(rng.integers(0, 300))
            publisher.publish("strokewise/1/fern/a/data", rng.bytes(size), qos=1)
        whole = bytearray(wire.encode_cbor(one))
        whole[int(rng.integers(len(whole)))] ^= 1 << int(rng.integers(8))
        # A flipped bit may still be a sound message: it goes to a pump of its own.
        publisher.publish("strokewise/1/fern/b/data", bytes(whole), qos=1)
        publisher.publish(wire.data_topic("fern", "a"), wire.encode_cbor(one), qos=1)
    publisher.publish("strokewise/1/fern/a/data", bytes(1_000_000), qos=1)
    publisher.publish("strokewise/1/fern/zz/data", wire.encode_cbor(message("zz", 0)), qos=1)
    assert wait_for(lambda: intake.state().received_messages >= 3002, 60)
    assert wait_for(lambda: sum(m.pump == "a" for m in stored) == 500)
    intake.stop()
    refused = intake.state().refused
    assert refused["too large"] == 1
    assert refused["unknown pump"] == 1
    assert sum(refused.values()) == 2502
    assert store.watermark("fern", "a", 9) == (499, [])
    store.close()


def test_what_the_broker_lost_is_asked_for(
    broker: Mosquitto, publisher: mqtt.Client, tmp_path: Path
) -> None:
    heard: list[wire.Wanted] = []
    publisher.on_message = lambda _c, _u, m: heard.append(wire.decode_wanted(m.topic, m.payload))
    publisher.subscribe(wire.wanted_topic("fern", "node1"), qos=1)
    store = EmbeddedStore(tmp_path / "store")
    stored: list[Message] = []
    times = iter(range(0, 10_000_000, 40))
    desk = Desk(store, [SITE], Hooks(stored.extend, lambda _status: None))
    intake = Intake(
        BrokerAddress(f"mqtt://127.0.0.1:{broker.port}"), desk, lambda: NOW_TS + next(times)
    )
    intake.start()
    assert wait_for(lambda: intake.state().connected)
    publish(publisher, [message("a", i) for i in (0, 1, 2, 6, 7)])
    assert wait_for(lambda: bool(heard))
    assert heard[0].ranges == (("a", 9, 3, 5),)
    publish(publisher, [message("a", i) for i in (3, 4, 5)])
    assert wait_for(lambda: len(stored) == 8)
    intake.stop()
    store.close()


def test_the_broker_may_die_and_come_back(
    broker: Mosquitto, publisher: mqtt.Client, tmp_path: Path
) -> None:
    store = EmbeddedStore(tmp_path / "store")
    intake, stored = run(broker, store)
    publish(publisher, [message("a", i) for i in range(50)])
    assert wait_for(lambda: len(stored) == 50)
    broker.kill()
    assert wait_for(lambda: not intake.state().connected)
    assert "lost" in intake.state().problem
    broker.start()
    assert wait_for(lambda: intake.state().connected, 40)
    publish(publisher, [message("a", i) for i in range(50, 100)])
    assert wait_for(lambda: len(stored) == 100)
    intake.stop()
    assert store.watermark("fern", "a", 9) == (99, [])
    store.close()
