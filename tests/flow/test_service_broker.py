"""The embedded broker: either kind starts, takes a message, ends; a leftover is ended first."""

import os
import signal
import threading
from pathlib import Path

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from monitor.service.broker import EmbeddedBroker

pytestmark = pytest.mark.broker


def round_trip(port: int) -> bytes:
    got: list[bytes] = []
    told, ready = threading.Event(), threading.Event()

    def on_message(*args: object) -> None:
        got.append(args[2].payload)
        told.set()

    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.on_message = on_message
    client.on_subscribe = lambda *_: ready.set()
    client.on_connect = lambda c, *_: c.subscribe("a/#", 1)
    client.connect("127.0.0.1", port)
    client.loop_start()
    assert ready.wait(10)
    client.publish("a/b", b"x" * 30_000, 1)
    assert told.wait(10)
    client.disconnect()
    client.loop_stop()
    return got[0]


@pytest.mark.parametrize("prefer_pip", [False, True])
def test_starts_carries_and_ends(tmp_path: Path, *, prefer_pip: bool) -> None:
    broker = EmbeddedBroker(tmp_path / "b", prefer_pip=prefer_pip)
    broker.start()
    assert broker.name == ("iotcore" if prefer_pip else "mosquitto")
    assert round_trip(broker.port) == b"x" * 30_000
    broker.stop()
    assert not broker.running
    broker.stop()


def test_a_broker_that_outlived_its_parent_is_ended_and_a_dead_one_starts_again(
    tmp_path: Path,
) -> None:
    first = EmbeddedBroker(tmp_path / "b")
    first.start()

    def reap() -> None:  # as the system does for a child whose parent is gone
        while first.running:
            threading.Event().wait(0.02)

    reaper = threading.Thread(target=reap, daemon=True)
    reaper.start()
    second = EmbeddedBroker(tmp_path / "b")
    second.start()
    reaper.join(10)
    assert not reaper.is_alive()
    os.kill(int((tmp_path / "b" / "broker.pid").read_text()), signal.SIGKILL)
    waiting = threading.Event()
    for _ in range(100):
        if not second.running:
            break
        waiting.wait(0.05)
    assert not second.running
    second.start()
    assert round_trip(second.port)
    second.stop()
