"""The service: broker (if embedded), store, intake, watch, alarms, word to people, pages."""

import contextlib
import logging
import signal
import threading
from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from types import FrameType

from monitor.alarms.types import Alarm, Change
from monitor.api.accounts import Accounts, Role
from monitor.api.web import WebSettings
from monitor.clock import Clock, now_ts, steady_s
from monitor.errors import StoreUnavailable
from monitor.intake.desk import Desk as IntakeDesk
from monitor.intake.desk import Hooks
from monitor.intake.intake import BrokerAddress, Intake
from monitor.notify.ack_link import AckLinks, load_key
from monitor.notify.channels import ApprisePost
from monitor.notify.office import Addresses, Office
from monitor.pages.app import create_app
from monitor.service.broker import EmbeddedBroker
from monitor.service.desk import Desk
from monitor.service.fits import Fits
from monitor.service.live import LiveService
from monitor.service.pictures import alarm_picture
from monitor.service.pipeline import Pipeline
from monitor.service.stores import open_store
from monitor.service.web import WebServer
from monitor.settings.service_file import Settings, channel_url, secret
from monitor.site import Site
from monitor.store.owner import Claim
from monitor.wire import Message, NodeStatus, site_filters

log = logging.getLogger(__name__)

TICK_S = 1.0
WAKING_S = 3.0
"""How long a start waits for the pumps' past: some forty busy pumps (chosen)."""
BREATH_S = 0.001
"""Between two pumps, so that messages and pages get the lock."""
TOLD_EVERY_S = 10.0
SHARED_KEEPALIVE_S = 4
"""Where collectors share the sites, one that hangs is noticed after one and a half of these."""

OnChange = Callable[[str, Sequence[Change]], None]


class Service:
    """Everything, from start to stop. Raises StrokewiseError with what to do when it cannot run."""

    def __init__(
        self,
        settings: Settings,
        *,
        clock: Clock = now_ts,
        local_role: Role | None = None,
        on_change: OnChange | None = None,
        claim: Claim | None = None,
    ) -> None:
        self.settings = settings
        self._claim = claim
        self._clock = clock
        self._on_change = on_change
        self._stopping = threading.Event()
        self._stack = contextlib.ExitStack()
        web = settings.file.web
        self._role = local_role or (Role.OWNER if web.open_to_local else None)
        self._is_demo = local_role is not None
        self._words: list[str] = []
        self.nodes: dict[tuple[str, str], NodeStatus] = {}

    # Life.

    def start(self) -> None:
        """Open the store, wake the alarms, serve, learn the past again, connect."""
        settings, file = self.settings, self.settings.file
        self.store = open_store(settings, claim=self._claim)
        self._stack.callback(self.store.close)
        self.core = self.store.core
        self.office = self._open_office()
        self.desk = Desk(self.core, self.store, self.office)
        self.fits = Fits()
        self._stack.callback(self.fits.close)
        self.pipeline = Pipeline(settings.sites, self.desk, self._heard, self.fits.take)
        self.live = LiveService(
            self.pipeline, self.desk, self._clock,
            figures=self.figures, refused=self.refused, dead_channels=self._dead_channels,
        )  # fmt: skip
        self.pipeline.load_alarms()
        self.broker = self._start_broker()
        self.intake = Intake(self._address(), self._intake_desk(), self._clock)
        self.office.start()
        self._stack.callback(self.office.close)
        # Pages before the past is learnt again: with many pumps that takes its time.
        self._start_pages()
        sleepers = self.pipeline.put_to_sleep()
        self._start_ticker()
        self.intake.start()
        self._stack.callback(self.intake.stop)
        self._start_waking(sleepers)
        log.info("started sites=%d data=%s", len(settings.sites), file.data_dir)

    def _open_office(self) -> Office:
        settings = self.settings
        urls = {
            (site.id, channel.id): channel_url(channel, settings.folder)
            for site in settings.sites
            for channel in site.channels
        }
        self.ack_links = AckLinks(self.core, load_key(settings.data_dir))
        base = (settings.file.web.public_url or "").rstrip("/")
        addresses = Addresses(
            board=lambda alarm, site: board_address(base, alarm, site),
            ack=lambda token: f"{base}/ack/{token}",
        )
        return Office(
            self.core,
            ApprisePost(lambda site, channel: urls[(site, channel)]),
            links=self.ack_links if base else None,
            addresses=addresses if base else None,
            picture=self._picture,
            clock=self._clock,
        )

    def _start_broker(self) -> EmbeddedBroker | None:
        if self.settings.file.broker.url != "embedded":
            return None
        broker = EmbeddedBroker(self.settings.data_dir / "broker")
        broker.start()
        self._stack.callback(broker.stop)
        return broker

    def _address(self) -> BrokerAddress:
        broker, folder = self.settings.file.broker, self.settings.folder
        address = BrokerAddress(
            url=self.broker_url,
            client_id=broker.client_id,
            username=broker.username,
            password=secret(broker.password_env, broker.password_file, folder),
            ca_file=str(folder / broker.ca_file) if broker.ca_file else None,
        )
        if not self.settings.file.collector.shared:
            return address
        filters = tuple(f for site in self.settings.sites for f in site_filters(site.id))
        return replace(address, filters=filters, keepalive_s=SHARED_KEEPALIVE_S, fenced=True)

    @property
    def broker_url(self) -> str:
        """Where the edge publishes."""
        return self.broker.url if self.broker is not None else self.settings.file.broker.url

    def _intake_desk(self) -> IntakeDesk:
        self._incoming = IntakeDesk(
            self.store, self.settings.sites, Hooks(on_stored=self._stored, on_status=self._status)
        )
        return self._incoming

    def _start_pages(self) -> None:
        web = self.settings.file.web
        look = WebSettings(
            local_role=self._role, secure_cookies=web.secure_cookies, demo=self._is_demo
        )
        app = create_app(self.live, settings=look)
        first = (
            Accounts(self.core).first_administrator(self._clock()) if not self._is_demo else None
        )
        if first is not None:
            self._words.append(
                f"First start: sign in as '{first[0]}' with the one-time password {first[1]} "
                "and choose your own. It is shown only now."
            )
        self.web = WebServer(app, web.host, web.port)
        self.web.start()
        self._stack.callback(self.web.stop)

    def _start_waking(self, sleepers: Sequence[tuple[str, str]]) -> None:
        """Learn every pump's past, each pump judged again as soon as its own is learnt; a start
        waits for a few, and goes on meanwhile where there are many."""
        waking = threading.Thread(target=self._wake, args=(sleepers,), name="waking", daemon=True)
        waking.start()

        def end() -> None:
            self._stopping.set()
            waking.join(10)

        self._stack.callback(end)
        waking.join(WAKING_S)

    def _wake(self, sleepers: Sequence[tuple[str, str]]) -> None:
        todo, told_s = deque(sleepers), steady_s()
        while todo and not self._stopping.wait(BREATH_S):
            site, pump = todo.popleft()
            try:
                self.pipeline.wake_pump(site, pump, self._clock())
            except StoreUnavailable as problem:
                log.warning("learning waits site=%s pump=%s reason=%s", site, pump, problem)
                todo.append((site, pump))
                self._stopping.wait(TICK_S)
            except Exception:
                # It is judged without its past, and the others are learnt all the same.
                log.exception("past not learnt site=%s pump=%s", site, pump)
                self.pipeline.rouse(site, pump)
            if todo and steady_s() - told_s >= TOLD_EVERY_S:
                told_s = steady_s()
                log.info("learning pumps=%d of=%d", len(sleepers) - len(todo), len(sleepers))
        if not todo:
            log.info("learnt pumps=%d", len(sleepers))

    def _start_ticker(self) -> None:
        ticker = threading.Thread(target=self._tick, name="ticker", daemon=True)
        ticker.start()

        def end() -> None:
            self._stopping.set()
            ticker.join(10)

        self._stack.callback(end)

    @property
    def url(self) -> str:
        """Where the pages are."""
        return f"http://{self.settings.file.web.host}:{self.web.port}/"

    @property
    def fenced(self) -> bool:
        """Has another process taken the folder over, so that nothing is kept here any more?"""
        return self.core.fenced

    def first_words(self) -> Sequence[str]:
        """What the person who started it must read once."""
        return self._words

    def wait_until_stopped(self, goes_on: Callable[[], bool] = lambda: True) -> None:
        """Wait for Ctrl-C, SIGTERM or the end of `goes_on`; call `stop` afterwards.

        Main thread only: it takes the signals.
        """

        def end(_signal: int, _frame: FrameType | None) -> None:
            self._stopping.set()

        for number in (signal.SIGINT, signal.SIGTERM):
            signal.signal(number, end)
        while goes_on() and not self._stopping.wait(TICK_S):
            pass

    def stop(self) -> None:
        """Intake first (what was received is stored and receipted), store last."""
        self._stack.close()
        log.info("stopped")

    # Running.

    def _stored(self, messages: list[Message]) -> None:
        self.pipeline.on_stored(messages, self._clock())

    def _status(self, status: NodeStatus) -> None:
        self.nodes[(status.site, status.node)] = status

    def _heard(self, site: str, changes: Sequence[Change]) -> None:
        ids = [site]
        for change in changes:
            ids.append(f"{site}/{change.subject}")
            if change.after is not None:
                ids.append(f"alarm:{change.after.id}")
        self.live.log.add(ids)
        if changes and self._on_change is not None:
            self._on_change(site, changes)

    def _tick(self) -> None:
        while not self._stopping.wait(TICK_S):
            try:
                self.store.tend(self._clock())
                self.pipeline.tick(self._clock())
                for site in self.settings.sites:
                    self.office.tick(site)
                self._look_after_broker()
            except StoreUnavailable as problem:
                log.warning("tick waits reason=%s", problem)
            except Exception:
                # The ticker must outlive a fault of one part; the fault is in the log.
                log.exception("tick failed")

    def _look_after_broker(self) -> None:
        """A broker of ours that died is started again on its port; the edge reconnects."""
        if self.broker is not None and not self.broker.running:
            log.error("broker died port=%d, starting it again", self.broker.port)
            self.broker.start()

    def _picture(self, alarm: Alarm) -> bytes | None:
        site = next((s for s in self.settings.sites if s.id == alarm.site), None)
        pump = site.pump(alarm.subject) if site is not None else None
        if site is None or pump is None:
            return None
        return alarm_picture(self.store, site, pump, alarm)

    # Looking.

    def _dead_channels(self) -> Sequence[str]:
        return [
            f"{c.site}: '{c.channel}' takes no messages ({c.waiting} wait): {c.error}"
            for c in self.office.health()
            if c.failing_since_ts is not None
        ]

    def refused(self) -> Mapping[str, int]:
        """Messages refused since the start, by reason."""
        return self._incoming.refused.counts()

    def figures(self) -> Mapping[str, float]:
        """Counters and gauges of intake and store."""
        state = self.intake.state()
        return {
            "intake_connected": float(state.connected),
            "intake_holding": float(bool(state.holding)),
            "intake_waiting_messages": float(state.waiting_messages),
            "intake_received_messages_total": float(state.received_messages),
            "intake_stored_messages_total": float(state.stored_messages),
            "intake_duplicate_messages_total": float(state.duplicate_messages),
            "intake_lost_messages_total": float(state.lost_messages),
            "judged_messages_total": float(self.pipeline.messages_total),
            "pumps_to_learn": float(self.pipeline.asleep()),
            **{f"fits_{name}": float(count) for name, count in self.fits.counts().items()},
            **{f"store_{name}": value for name, value in self.store.stats().items()},
        }


def board_address(base: str, alarm: Alarm | None, site: Site) -> str:
    """The page of an alarm's pump, or the site's board."""
    if alarm is None or site.pump(alarm.subject) is None:
        return f"{base}/site/{site.id}"
    return f"{base}/site/{site.id}/pump/{alarm.subject}"
