"""The intake killed under load, again and again: what the broker took is stored once, all of it.

The receipt goes back only after the commit, so a real mosquitto keeps and sends again whatever
the dead process had not stored. The file is also the program that gets killed.
"""

import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from monitor import wire
from monitor.intake.desk import Desk, Hooks
from monitor.intake.intake import BrokerAddress, Intake
from monitor.site import Pump, Site
from monitor.store.embedded import EmbeddedStore
from monitor.wire import Message

pytestmark = [pytest.mark.crash, pytest.mark.broker]

PUMPS = 6
SECONDS = 1200
KILLS = 6
T0_S = 1_764_000_000
SITE = Site(id="fern", pumps=tuple(Pump(id=f"p{i}") for i in range(PUMPS)))


def message(pump: int, seq: int) -> Message:
    counts = np.random.default_rng([pump, seq]).integers(0, 4000, 20).astype(np.int16)
    return Message("fern", f"p{pump}", 3, seq, (T0_S + seq) * 1_000_000, 50_000, counts, 244.0, 0.0)


def serve(port: int, folder: Path) -> None:
    """Take messages in, fold as time goes by in the data, say how far it is, until killed."""
    store = EmbeddedStore(folder)

    def told(stored: list[Message]) -> None:
        store.tend(max(m.end_us for m in stored) / 1e6)
        sys.stdout.write(f"{store.stats()['stored_messages']:.0f}\n")
        sys.stdout.flush()

    desk = Desk(store, [SITE], Hooks(told, lambda _status: None))
    Intake(BrokerAddress(f"mqtt://127.0.0.1:{port}"), desk, lambda: T0_S + 1e5).start()
    threading.Event().wait()


@pytest.fixture
def broker(mosquitto_program: str, tmp_path: Path) -> Iterator[int]:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    conf = tmp_path / "broker.conf"
    conf.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\nuser root\n"
        "max_queued_messages 0\nmax_inflight_messages 500\n"
    )
    process = subprocess.Popen([mosquitto_program, "-c", str(conf)], stderr=subprocess.DEVNULL)
    wait_for(lambda: listens(port))
    yield port
    process.kill()
    process.wait()


def listens(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def wait_for(what: Callable[[], bool], timeout_s: float = 60.0) -> None:
    waiting = threading.Event()
    for _ in range(int(timeout_s / 0.02)):
        if what():
            return
        waiting.wait(0.02)
    raise AssertionError("took too long")


def start(port: int, folder: Path) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, __file__, str(port), str(folder)], stdout=subprocess.PIPE, text=True
    )


def test_kills_under_load_lose_and_double_nothing(broker: int, tmp_path: Path) -> None:
    folder = tmp_path / "store"
    rng = np.random.default_rng(1)
    edge = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="edge", clean_session=False)
    edge.connect("127.0.0.1", broker)
    edge.loop_start()
    child = start(broker, folder)
    assert child.stdout is not None
    # Its session must exist before the first message, as an edge's outbox would see to.
    edge.publish(wire.data_topic("fern", "p0"), wire.encode_cbor(message(0, 0)), qos=1)
    told = threading.Thread(target=child.stdout.readline)
    while told.ident is None or told.is_alive():
        if told.ident is None:
            told.start()
        told.join(0.5)
        edge.publish(wire.data_topic("fern", "p0"), wire.encode_cbor(message(0, 0)), qos=1)
    kills = 0
    receipts = []
    for seq in range(SECONDS):
        for pump in range(PUMPS):
            one = message(pump, seq)
            topic = wire.data_topic("fern", one.pump)
            receipts.append(edge.publish(topic, wire.encode_cbor(one), qos=1))
        if seq % (SECONDS // KILLS) == SECONDS // KILLS // 2:
            for _ in range(int(rng.integers(1, 3))):
                child.stdout.readline()
            child.kill()
            child.communicate()
            kills += 1
            child = start(broker, folder)
            assert child.stdout is not None
    for receipt in receipts:
        receipt.wait_for_publish(60)
    edge.disconnect()
    edge.loop_stop()
    child.kill()
    child.communicate()
    store = EmbeddedStore(folder)
    stored: list[Message] = []
    desk = Desk(store, [SITE], Hooks(stored.extend, lambda _status: None))
    last = Intake(BrokerAddress(f"mqtt://127.0.0.1:{broker}"), desk, lambda: T0_S + 1e5)
    last.start()
    full = [("fern", f"p{p}", 3) for p in range(PUMPS)]
    wait_for(lambda: all(store.watermark(*key) == (SECONDS - 1, []) for key in full))
    last.stop()
    for pump in range(PUMPS):
        found = store.messages("fern", f"p{pump}", T0_S, T0_S + SECONDS)
        assert [m.seq for m in found] == list(range(SECONDS))
        assert all(m.samples.tobytes() == message(pump, m.seq).samples.tobytes() for m in found)
    store.close()
    told_text = f"\n{kills} kills of the intake: {PUMPS * SECONDS} messages, 0 lost, 0 doubled"
    print(told_text)  # noqa: T201 - the figures are the point


if __name__ == "__main__":
    serve(int(sys.argv[1]), Path(sys.argv[2]))
