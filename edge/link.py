"""The line to the broker: connect, last will, send at QoS 1, receipts, word of what is wanted.

paho-mqtt's thread does the network and puts what happens into one queue; the node's thread takes
it out, so nothing here is shared but that queue. What was handed to paho and has no receipt yet
stays there over a reconnect and is sent again by it; all else stays in the outbox.
"""

import logging
import queue
import ssl
from dataclasses import dataclass, replace
from typing import Any, Literal

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from edge.clock import Clock, now_ts
from edge.settings import Broker
from monitor.errors import BadMessage
from monitor.wire import (
    NodeStatus,
    Wanted,
    decode_wanted,
    encode_status,
    status_topic,
    wanted_topic,
)

log = logging.getLogger(__name__)

WINDOW = 100
"""Letters with the broker and without receipt at a time; chosen: 100 ms of round trip at 1000/s."""
WILL_DELAY_S = 10
"""Chosen: a short break is no silence."""
SESSION_S = 60
"""Longer than the will's delay, so that a return in time stops the will (MQTT 5, 3.1.3.2.2)."""
FIRST_BACK_OFF_S, LONGEST_BACK_OFF_S = 1, 60


@dataclass(frozen=True, slots=True)
class Event:
    """What happened on the line: up, down, receipt, refused (of a letter), or wanted."""

    kind: Literal["up", "down", "receipt", "refused", "wanted"]
    mid: int = 0
    text: str = ""
    wanted: Wanted | None = None


class Link:
    """See the module. `connect` once; then `send` while `free` and `events` regularly."""

    def __init__(
        self,
        broker: Broker,
        status: NodeStatus,
        password: str | None = None,
        clock: Clock = now_ts,
    ) -> None:
        self._broker = broker
        self._will = replace(status, online=False)
        self._clock = clock
        self._events: queue.SimpleQueue[Event] = queue.SimpleQueue()
        self.up = False
        self.in_flight = 0
        five = broker.protocol == "5"
        self._client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=f"strokewise-{status.site}-{status.node}",
            protocol=MQTTProtocolVersion.MQTTv5 if five else MQTTProtocolVersion.MQTTv311,
            clean_session=None if five else True,
        )
        self._client.max_inflight_messages_set(WINDOW)
        self._client.reconnect_delay_set(FIRST_BACK_OFF_S, LONGEST_BACK_OFF_S)
        self._client.username_pw_set(broker.username, password)
        if broker.tls:
            context = ssl.create_default_context(cafile=str(broker.ca_file))
            context.minimum_version = ssl.TLSVersion.TLSv1_2
            self._client.tls_set_context(context)
        self._client.on_pre_connect = self._on_pre_connect
        self._client.on_connect = self._on_connect
        self._client.on_connect_fail = self._on_connect_fail
        self._client.on_disconnect = self._on_disconnect
        self._client.on_publish = self._on_publish
        self._client.on_message = self._on_message

    def connect(self) -> None:
        """Begin to connect, for ever, with back-off from 1 to 60 s."""
        properties = None
        if self._broker.protocol == "5":
            properties = _properties(PacketTypes.CONNECT, SessionExpiryInterval=SESSION_S)
        self._set_will()
        self._client.connect_async(
            self._broker.host,
            self._broker.port,
            keepalive=self._broker.keep_alive_s,
            properties=properties,
        )
        self._client.loop_start()

    @property
    def free(self) -> int:
        """How many letters may be handed over now."""
        return max(0, WINDOW - self.in_flight) if self.up else 0

    def send(self, topic: str, payload: bytes) -> int:
        """Hand a letter to the network; its number comes back in the receipt."""
        self.in_flight += 1
        return self._client.publish(topic, payload, qos=1).mid

    def say(self, status: NodeStatus) -> None:
        """Publish the node's status, retained; only while up, as the next one comes soon."""
        if self.up:
            topic = status_topic(status.site, status.node)
            self._client.publish(topic, encode_status(status), qos=1, retain=True)

    def events(self, wait_s: float) -> list[Event]:
        """What happened; waits for the first event up to wait_s."""
        out: list[Event] = []
        try:
            out.append(self._events.get(timeout=wait_s) if wait_s > 0 else self._events.get(False))
            while True:
                out.append(self._events.get_nowait())
        except queue.Empty:
            pass
        for event in out:
            if event.kind in ("up", "down"):
                self.up = event.kind == "up"
        return out

    def landed(self) -> None:
        """One letter less without receipt."""
        self.in_flight -= 1

    def close(self, last: NodeStatus) -> None:
        """Say goodbye (online False, retained) and disconnect; the will is then not sent."""
        if self._client.is_connected():
            topic = status_topic(last.site, last.node)
            said = self._client.publish(topic, encode_status(last), qos=1, retain=True)
            try:
                said.wait_for_publish(timeout=2)
            except (RuntimeError, ValueError) as problem:
                log.warning("goodbye not said reason=%s", problem)
        self._client.disconnect()
        self._client.loop_stop()

    def abort(self) -> None:
        """Disconnect without a word; for a client that only tried the line."""
        self._client.disconnect()
        self._client.loop_stop()

    # -- in paho's thread ---------------------------------------------------------------------

    def _set_will(self) -> None:
        status = replace(self._will, ts=self._clock())
        properties = None
        if self._broker.protocol == "5":
            properties = _properties(PacketTypes.WILLMESSAGE, WillDelayInterval=WILL_DELAY_S)
        topic = status_topic(status.site, status.node)
        self._client.will_set(topic, encode_status(status), 1, True, properties)

    def _on_pre_connect(self, _client: mqtt.Client, _data: Any) -> None:
        self._set_will()

    def _on_connect(
        self, client: mqtt.Client, _data: Any, _flags: Any, reason: ReasonCode, _more: Any
    ) -> None:
        if reason.is_failure:
            self._events.put(Event("down", text=f"refused: {reason}"))
            return
        client.subscribe(wanted_topic(self._will.site, self._will.node), qos=1)
        self._events.put(Event("up", text=str(reason)))

    def _on_connect_fail(self, _client: mqtt.Client, _data: Any) -> None:
        self._events.put(Event("down", text="cannot be reached (or its certificate is not ours)"))

    def _on_disconnect(
        self, _client: mqtt.Client, _data: Any, _flags: Any, reason: ReasonCode, _more: Any
    ) -> None:
        self._events.put(Event("down", text=str(reason)))

    def _on_publish(
        self, _client: mqtt.Client, _data: Any, mid: int, reason: ReasonCode, _more: Any
    ) -> None:
        kind: Literal["refused", "receipt"] = "refused" if reason.is_failure else "receipt"
        self._events.put(Event(kind, mid, str(reason)))

    def _on_message(self, _client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        try:
            self._events.put(
                Event("wanted", wanted=decode_wanted(message.topic, bytes(message.payload)))
            )
        except BadMessage as problem:
            log.warning("wanted not understood topic=%s reason=%s", message.topic, problem)


def _properties(packet: int, **values: int) -> Properties:
    out = Properties(packet)  # type: ignore[no-untyped-call]  # paho gives it no types
    for name, value in values.items():
        setattr(out, name, value)
    return out
