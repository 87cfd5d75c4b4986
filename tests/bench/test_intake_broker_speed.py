"""Intake into the store against a bare subscriber that discards, through the same mosquitto.

Printed with -s: python -m pytest -m "broker and slow" tests/bench/test_intake_broker_speed.py -s
"""

import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable
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

pytestmark = [pytest.mark.broker, pytest.mark.slow]

PUMPS = 200
MESSAGES = 40_000
T0_S = 1_750_000_000


def publish(port: int, boot: int) -> None:
    """Blast seconds of all pumps; the publisher is its own process."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.max_inflight_messages_set(1000)
    client.connect("127.0.0.1", port)
    client.loop_start()
    rng = np.random.default_rng(1)
    last = None
    for number in range(MESSAGES):
        seq, pump = divmod(number, PUMPS)
        t0 = (T0_S + seq) * 1_000_000
        counts = rng.normal(1800, 1.2, 20).astype(np.int16)
        at = np.array([t0 + 400_000, t0 + 1_000_000])
        one = Message(
            "fern", f"p{pump}", boot, seq, t0, 50_000, counts, 244.0, 0.0, at, np.array([seq, seq])
        )
        last = client.publish(wire.data_topic("fern", one.pump), wire.encode_cbor(one), qos=1)
    if last is not None:
        last.wait_for_publish(120)
    client.disconnect()
    client.loop_stop()


def wait_for(what: Callable[[], bool], timeout_s: float) -> None:
    waiting = threading.Event()
    end = time.perf_counter() + timeout_s
    while not what():
        assert time.perf_counter() < end, "took too long"
        waiting.wait(0.01)


def listens(port: int) -> bool:
    with socket.socket() as probe:
        return probe.connect_ex(("127.0.0.1", port)) == 0


def bare(port: int, blast: Callable[[], None]) -> float:
    """Messages a second of a paho subscriber that throws everything away."""
    count = [0]

    def on_message(*_: object) -> None:
        count[0] += 1

    def session() -> mqtt.Client:
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="bare", clean_session=False)
        client.on_message = on_message
        client.connect("127.0.0.1", port)
        return client

    first = session()
    first.subscribe(wire.DATA_FILTER, 1)
    first.loop_start()
    threading.Event().wait(0.3)
    first.disconnect()
    first.loop_stop()
    # Filled while nobody listens, so that the publisher is not what is measured.
    blast()
    began = time.perf_counter()
    client = session()
    client.loop_start()
    wait_for(lambda: count[0] >= MESSAGES, 120)
    rate = MESSAGES / (time.perf_counter() - began)
    client.disconnect()
    client.loop_stop()
    return rate


def ours(port: int, folder: Path, blast: Callable[[], None]) -> tuple[float, float]:
    """(messages a second, CPU seconds a message) of intake and store."""
    site = Site(id="fern", pumps=tuple(Pump(id=f"p{i}") for i in range(PUMPS)))
    store = EmbeddedStore(folder)
    desk = Desk(store, [site], Hooks(lambda _m: None, lambda _s: None))
    address = BrokerAddress(f"mqtt://127.0.0.1:{port}", client_id="ours")
    intake = Intake(address, desk, clock=lambda: T0_S + 1e6)
    intake.start()
    wait_for(lambda: intake.state().connected, 10)
    threading.Event().wait(0.3)
    intake.stop()
    blast()
    intake = Intake(address, desk, clock=lambda: T0_S + 1e6)
    cpu, began = time.process_time(), time.perf_counter()
    intake.start()
    wait_for(lambda: desk.stored_messages >= MESSAGES, 120)
    rate = MESSAGES / (time.perf_counter() - began)
    cpu = (time.process_time() - cpu) / MESSAGES
    intake.stop()
    store.close()
    return rate, cpu


def test_intake_keeps_up_with_a_bare_subscriber(mosquitto_program: str, tmp_path: Path) -> None:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = int(probe.getsockname()[1])
    conf = tmp_path / "broker.conf"
    conf.write_text(
        f"listener {port} 127.0.0.1\nallow_anonymous true\nuser root\n"
        "max_queued_messages 0\nmax_inflight_messages 1000\n"
    )
    broker = subprocess.Popen([mosquitto_program, "-c", str(conf)], stderr=subprocess.DEVNULL)

    def blast(boot: int) -> None:
        subprocess.run([sys.executable, __file__, str(port), str(boot)], check=True)

    try:
        wait_for(lambda: listens(port), 10)
        limit = bare(port, lambda: blast(1))
        rate, cpu = ours(port, tmp_path / "store", lambda: blast(2))
    finally:
        broker.kill()
        broker.wait()
    print(
        f"\nbare subscriber {limit:,.0f} messages/s, intake and store {rate:,.0f} "
        f"({rate / limit:.0%}), {cpu * 1e6:.0f} us of CPU a message: "
        f"2,000 pumps at one a second take {2000 * cpu:.0%} of a core"
    )
    assert rate > 2 * 2000


if __name__ == "__main__":
    publish(int(sys.argv[1]), int(sys.argv[2]))
