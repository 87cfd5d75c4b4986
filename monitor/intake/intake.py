"""Subscribes at the broker; a receipt goes back only after the store committed.

paho's thread puts messages into a bounded queue and blocks when it is full, so TCP pushes back
to the broker. One worker thread collects up to a second or 2,000 messages, stores them in one
transaction and receipts them. While the store cannot take them nothing is receipted.
"""

import logging
import queue
import ssl
import threading
from dataclasses import dataclass
from typing import Any, Literal
from urllib.parse import urlsplit

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitor import wire
from monitor.clock import Clock, now_ts, steady_s
from monitor.errors import StoreFull, StoreUnavailable
from monitor.intake.desk import Desk, Raw

log = logging.getLogger(__name__)

QUEUE_MESSAGES = 10_000
"""Chosen: five seconds of 2,000 pumps."""
BATCH_MESSAGES = 2_000
BATCH_S = 1.0
WINDOW_MESSAGES = 20
"""Default window of unreceipted messages at the broker; waiting longer would only stall it."""
QUIET_S = 0.05
FULL_S = 0.01
"""How often a full queue is looked at for room (chosen)."""
RETRY_S = (0.5, 1.0, 2.0, 5.0)
ASK_EVERY_S = 5.0
KEEPALIVE_S = 60
SESSION_S = 7 * 86_400
"""How long the broker keeps our place (MQTT 5); chosen: longer than any holiday weekend."""


@dataclass(frozen=True, slots=True)
class BrokerAddress:
    """Where and as whom; url is mqtt://host:1883 or mqtts://host:8883."""

    url: str
    client_id: str = "strokewise-monitor"
    username: str | None = None
    password: str | None = None
    ca_file: str | None = None
    version: Literal["3.1.1", "5"] = "3.1.1"
    filters: tuple[str, ...] = (wire.DATA_FILTER, wire.STATUS_FILTER)
    keepalive_s: int = KEEPALIVE_S
    fenced: bool = False
    """Another process may take this client id over: then stay away, or the two would throw each
    other out for ever."""


@dataclass(frozen=True, slots=True)
class IntakeState:
    """How it goes. holding: why nothing is receipted now, empty when all is well."""

    connected: bool
    problem: str
    holding: str
    waiting_messages: int
    received_messages: int
    stored_messages: int
    duplicate_messages: int
    refused: dict[str, int]
    last_message_ts: float | None
    open_holes: int
    lost_messages: int
    asked_ranges: int


class Intake:
    """Runs two threads between start() and stop(); a fixed client id keeps a session."""

    def __init__(self, address: BrokerAddress, desk: Desk, clock: Clock = now_ts) -> None:
        self._address = address
        self._desk = desk
        self._clock = clock
        self._queue: queue.SimpleQueue[Raw] = queue.SimpleQueue()
        self._stopping = threading.Event()
        self._connection = 0
        self._problem = "not connected yet"
        self._holding = ""
        self._last_ts: float | None = None
        self._asked_s = -ASK_EVERY_S
        self._client = self._made()
        self._worker = threading.Thread(target=self._work, name="intake", daemon=True)

    def _made(self) -> mqtt.Client:
        address = self._address
        five = address.version == "5"
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=address.client_id,
            clean_session=None if five else False,
            protocol=mqtt.MQTTv5 if five else mqtt.MQTTv311,
            manual_ack=True,
            reconnect_on_failure=not address.fenced,
        )
        if address.username:
            client.username_pw_set(address.username, address.password)
        if urlsplit(address.url).scheme == "mqtts":
            client.tls_set(address.ca_file, cert_reqs=ssl.CERT_REQUIRED)
        client.reconnect_delay_set(1, 30)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        return client

    def start(self) -> None:
        """Connect in the background; a broker that is away is tried again and again."""
        parts = urlsplit(self._address.url)
        secure = parts.scheme == "mqtts"
        extra: dict[str, Any] = {}
        if self._address.version == "5":
            # paho gives this class no types.
            properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            properties.SessionExpiryInterval = SESSION_S
            properties.ReceiveMaximum = 65_535
            extra = {"clean_start": False, "properties": properties}
        port = parts.port or (8883 if secure else 1883)
        self._worker.start()
        self._client.connect_async(
            parts.hostname or "127.0.0.1", port, self._address.keepalive_s, **extra
        )
        self._client.loop_start()

    def stop(self) -> None:
        """Store what was received, receipt it, disconnect. Unreceipted messages come again."""
        self._stopping.set()
        if self._worker.is_alive():
            self._worker.join(30)
        self._client.disconnect()
        self._client.loop_stop()

    def state(self) -> IntakeState:
        """How it goes, for pages and log."""
        desk = self._desk
        return IntakeState(
            connected=self._client.is_connected(),
            problem=self._problem,
            holding=self._holding,
            waiting_messages=self._queue.qsize(),
            received_messages=desk.received_messages,
            stored_messages=desk.stored_messages,
            duplicate_messages=desk.duplicate_messages,
            refused=desk.refused.counts(),
            last_message_ts=self._last_ts,
            open_holes=desk.asking.open_holes,
            lost_messages=desk.asking.lost_messages,
            asked_ranges=desk.asking.asked_ranges,
        )

    # paho's thread.

    def _on_connect(self, client: mqtt.Client, *told: Any) -> None:
        reason = told[2]
        if reason.is_failure:
            self._problem = f"the broker refused us: {reason}; check user, password and rights"
            log.error("connect refused reason=%s", reason)
            return
        self._connection += 1
        self._problem = ""
        log.info("connected url=%s", self._address.url)
        client.subscribe([(name, 1) for name in self._address.filters])

    def _on_disconnect(self, _client: mqtt.Client, *told: Any) -> None:
        if not self._stopping.is_set():
            self._problem = f"connection to the broker lost: {told[2]}; trying again"
            log.warning("disconnected reason=%s", told[2])

    def _on_subscribe(self, _client: mqtt.Client, *told: Any) -> None:
        refused = [str(code) for code in told[2] if code.is_failure]
        if refused:
            self._problem = f"the broker refused the subscription: {refused[0]}; check its rights"
            log.error("subscribe refused reason=%s", refused[0])

    def _on_message(self, _client: mqtt.Client, *told: Any) -> None:
        message: mqtt.MQTTMessage = told[1]
        raw = Raw(
            message.topic, bytes(message.payload), (message.mid, message.qos, self._connection)
        )
        while self._queue.qsize() >= QUEUE_MESSAGES:
            if self._stopping.wait(FULL_S):
                return
        self._queue.put(raw)

    # The worker's thread.

    def _work(self) -> None:
        while not (self._stopping.is_set() and self._queue.empty()):
            batch = self._collect()
            if batch and not self._store(batch):
                return
            self._ask()

    def _collect(self) -> list[Raw]:
        """Up to a second or 2,000 messages; less when the broker waits for receipts."""
        try:
            batch = [self._queue.get(timeout=0.25)]
        except queue.Empty:
            return []
        until_s = steady_s() + BATCH_S
        while len(batch) < BATCH_MESSAGES:
            try:
                batch.append(self._queue.get_nowait())
                continue
            except queue.Empty:
                left_s = until_s - steady_s()
            if left_s <= 0 or self._stopping.is_set():
                break
            wait_s = min(left_s, QUIET_S) if len(batch) >= WINDOW_MESSAGES else left_s
            try:
                batch.append(self._queue.get(timeout=wait_s))
            except queue.Empty:
                break
        return batch

    def _store(self, batch: list[Raw]) -> bool:
        """Hold the batch until the store takes it; False when stopped before that."""
        tries = 0
        while True:
            try:
                stored = self._desk.take(batch, self._clock())
                break
            except StoreUnavailable as problem:
                self._hold(problem, tries)
                wait_s = RETRY_S[min(tries, len(RETRY_S) - 1)]
                tries += 1
                if self._stopping.wait(wait_s):
                    return False
        if self._holding:
            log.info("store takes messages again")
        self._holding = ""
        self._last_ts = self._clock()
        self._receipt(batch)
        self._desk.tell(stored)
        return True

    def _hold(self, problem: StoreUnavailable, tries: int) -> None:
        full = isinstance(problem, StoreFull)
        self._holding = ("disk full: " if full else "store away: ") + str(problem)
        if tries == 0:
            log.error("holding reason=%s", problem)

    def _receipt(self, batch: list[Raw]) -> None:
        for raw in batch:
            number, qos, connection = raw.token
            # A number of an earlier connection may mean another message now.
            if qos > 0 and connection == self._connection:
                self._client.ack(number, qos)

    def _ask(self) -> None:
        if steady_s() - self._asked_s < ASK_EVERY_S or not self._client.is_connected():
            return
        self._asked_s = steady_s()
        try:
            wanted = self._desk.wanted(self._clock())
        except StoreUnavailable as problem:
            log.warning("cannot look for gaps now: %s", problem)
            return
        for ask in wanted:
            topic = wire.wanted_topic(ask.site, ask.node)
            self._client.publish(topic, wire.encode_wanted(ask), qos=1)
            log.info("asked site=%s node=%s ranges=%d", ask.site, ask.node, len(ask.ranges))
