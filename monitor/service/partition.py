"""Collectors that share the sites of one broker: each site is run by one of them at a time.

A site is one persistent MQTT session with a fixed client id and one folder below `data_dir`, with
a store, alarms and pages of its own. Who has which site follows from who is present: retained
presence topics with a last will, and rendezvous hashing (D. G. Thaler and C. V. Ravishankar,
IEEE/ACM Transactions on Networking 6 (1998)), so that of a dead collector only its own sites move.

Nothing is lost: the session keeps what is not receipted, and a receipt follows the commit. Nothing
is doubled: the broker throws out an older session of the same client id (MQTT 3.1.1, 3.1.4-2), and
the folder's lock lets one process in. A collector that is frozen keeps the lock but not its
presence: then its sites are taken without the lock, and when it wakes it can commit nothing more
and receipts nothing (`store/owner.py`); one that stays frozen is ended (`deadman`), for in the
middle of a commit it would block the folder. What the watch knew is rebuilt from the folder, as at
every start. A collector whose own presence connection drops lets go of everything.
"""

import contextlib
import hashlib
import logging
import signal
import threading
from collections.abc import Callable, Collection, Sequence
from types import FrameType
from typing import Any
from urllib.parse import urlsplit

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from monitor.clock import steady_s
from monitor.errors import StrokewiseError
from monitor.service.deadman import DeadMan
from monitor.service.running import SHARED_KEEPALIVE_S, Service
from monitor.settings.service_file import Settings, secret
from monitor.store.owner import Claim
from monitor.wire import TOPIC_ROOT

log = logging.getLogger(__name__)

PRESENCE = f"{TOPIC_ROOT}/collector/"
SETTLE_S = 1.0
"""After connecting, the others' retained presence comes first (chosen: far over a round trip)."""
STEP_S = 0.2
LOST_S = 15.0
"""A site whose session stays away so long is let go of and, if it is still ours, taken anew."""


def owner(site: str, members: Collection[str]) -> str | None:
    """Which of the members has the site; None without members."""

    def weight(member: str) -> bytes:
        return hashlib.sha256(f"{member}/{site}".encode()).digest()

    return max(members, key=weight, default=None)


class Presence:
    """One collector's word that it is there, and who else is."""

    def __init__(self, settings: Settings) -> None:
        broker, folder = settings.file.broker, settings.folder
        self._name = settings.file.collector.name
        self._members: set[str] = set()
        self._lock = threading.Lock()
        self._since_s: float | None = None
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=f"{broker.client_id}-at-{self._name}"
        )
        if broker.username:
            word = secret(broker.password_env, broker.password_file, folder)
            client.username_pw_set(broker.username, word)
        if urlsplit(broker.url).scheme == "mqtts":
            client.tls_set(str(folder / broker.ca_file) if broker.ca_file else None)
        client.will_set(PRESENCE + self._name, b"", qos=1, retain=True)
        client.reconnect_delay_set(1, 5)
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        self._client, self._url = client, broker.url

    def start(self) -> None:
        """Connect in the background, again and again."""
        parts = urlsplit(self._url)
        port = parts.port or (8883 if parts.scheme == "mqtts" else 1883)
        self._client.connect_async(parts.hostname or "127.0.0.1", port, SHARED_KEEPALIVE_S)
        self._client.loop_start()

    def stop(self) -> None:
        """Say goodbye, so that the others need not wait for the will."""
        told = self._client.publish(PRESENCE + self._name, b"", qos=1, retain=True)
        with contextlib.suppress(ValueError, RuntimeError):
            told.wait_for_publish(2)
        self._client.disconnect()
        self._client.loop_stop()

    def members(self) -> frozenset[str]:
        """Who is there; nobody, not even we, while we are cut off or have just come."""
        with self._lock:
            if self._since_s is None or steady_s() - self._since_s < SETTLE_S:
                return frozenset()
            return frozenset(self._members | {self._name})

    def _on_connect(self, client: mqtt.Client, *told: Any) -> None:
        if told[2].is_failure:
            log.error("presence refused reason=%s; check user, password and rights", told[2])
            return
        with self._lock:
            self._members.clear()
            self._since_s = steady_s()
        client.subscribe(PRESENCE + "+", 1)
        client.publish(PRESENCE + self._name, b"here", qos=1, retain=True)

    def _on_disconnect(self, *_told: Any) -> None:
        with self._lock:
            self._since_s = None
            self._members.clear()
        log.warning("presence lost; all sites are let go of")

    def _on_message(self, client: mqtt.Client, *told: Any) -> None:
        message: mqtt.MQTTMessage = told[1]
        name = message.topic.removeprefix(PRESENCE)
        with self._lock:
            (self._members.add if message.payload else self._members.discard)(name)
        if name == self._name and not message.payload:
            # The will of our own last connection, come late: we are here.
            client.publish(message.topic, b"here", qos=1, retain=True)


def settings_of(settings: Settings, number: int) -> Settings:
    """The settings of one site alone: its folder, its session, its pages' port."""
    site, file = settings.sites[number], settings.file
    web_port = file.web.port + number if file.web.port else 0
    changed = file.model_copy(
        update={
            "data_dir": file.data_dir / "sites" / site.id,
            "broker": file.broker.model_copy(
                update={"client_id": f"{file.broker.client_id}-site-{site.id}"}
            ),
            "web": file.web.model_copy(update={"port": web_port}),
        }
    )
    return settings.model_copy(update={"file": changed, "sites": (site,)})


class Collector:
    """Runs the sites that fall to it. `say` gets what a person must read once."""

    def __init__(self, settings: Settings, say: Callable[[str], None] = log.info) -> None:
        self._settings = settings
        self._name = settings.file.collector.name
        self._say = say
        self._presence = Presence(settings)
        self._stopping = threading.Event()
        self._told: dict[str, str] = {}
        self._members: frozenset[str] = frozenset()
        self._away_s: dict[str, float] = {}
        self.running: dict[str, Service] = {}

    def run(self) -> None:
        """Until Ctrl-C or SIGTERM; main thread only."""

        def end(_signal: int, _frame: FrameType | None) -> None:
            self._stopping.set()

        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, end)
        handle = DeadMan()
        self._presence.start()
        try:
            while not self._stopping.wait(STEP_S):
                self.step(self._presence.members())
        finally:
            for site in list(self.running):
                self._let_go(site)
            self._presence.stop()
            handle.close()

    def step(self, members: Collection[str]) -> None:
        """Let go of what is not ours, take what is."""
        self._members = frozenset(members)
        sites = [site.id for site in self._settings.sites]
        mine = {site for site in sites if owner(site, members) == self._name}
        for site in [s for s in self.running if s not in mine or self._lost(s)]:
            self._let_go(site)
        for number, site in enumerate(sites):
            if site in mine and site not in self.running and not self._stopping.is_set():
                self._take(number, site)

    def _lost(self, site: str) -> bool:
        if self.running[site].fenced:
            log.warning("fenced site=%s collector=%s; another one has it", site, self._name)
            return True
        if self.running[site].intake.state().connected:
            self._away_s.pop(site, None)
            return False
        return steady_s() - self._away_s.setdefault(site, steady_s()) > LOST_S

    def _take(self, number: int, site: str) -> None:
        claim = Claim(self._name, lambda name: name not in self._members)
        service = Service(settings_of(self._settings, number), claim=claim)
        try:
            service.start()
        except StrokewiseError as problem:
            # FolderInUse: its last owner lives and has not let go; better wait than be two.
            service.stop()
            self._once(site, str(problem))
            return
        self.running[site] = service
        self._told.pop(site, None)
        log.info("took site=%s collector=%s", site, self._name)
        self._say(f"{self._name} has {site}: pages at {service.url}")
        for words in service.first_words():
            self._say(words)

    def _once(self, site: str, problem: str) -> None:
        if self._told.get(site) != problem:
            self._told[site] = problem
            log.warning("waits site=%s reason=%s", site, problem)

    def _let_go(self, site: str) -> None:
        service = self.running.pop(site)
        self._away_s.pop(site, None)
        service.stop()
        log.info("let go site=%s collector=%s", site, self._name)


def shares(sites: Sequence[str], members: Collection[str]) -> dict[str, list[str]]:
    """Member -> its sites, for a look at how they fall."""
    return {m: [s for s in sites if owner(s, members) == m] for m in sorted(members)}
