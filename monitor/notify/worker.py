"""The courier: takes what is due from the outbox and hands it to the channels, in its own threads.

A silent mail server can hold a call for 15 s; each channel has at most one call under way, so a
slow one delays only itself.
"""

import logging
import threading
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Protocol

from monitor.clock import Clock
from monitor.errors import StoreUnavailable, StrokewiseError
from monitor.notify.outbox import Message, Outbox, Parcel

log = logging.getLogger(__name__)

LANES = 8
LOOK_S = 1.0
SOON_S, SOON_ROUNDS = 0.05, 20
"""Whoever wakes the courier does so inside the transaction that it then must wait for."""

Picture = Callable[[str], bytes | None]
"""Alarm id -> its trace as PNG, or None."""


class Post(Protocol):
    """Whatever can carry a message to a channel."""

    def send(self, message: Message, picture: bytes | None = None) -> None:
        """Deliver, or raise StrokewiseError with the reason."""
        ...


class Courier:
    """Delivers until closed. `deliver` is one round in the calling thread, for tests and tools."""

    def __init__(self, outbox: Outbox, post: Post, picture: Picture, clock: Clock) -> None:
        self._outbox = outbox
        self._post = post
        self._picture = picture
        self._clock = clock
        self._wake = threading.Event()
        self._stop = threading.Event()
        self._busy: set[tuple[str, str]] = set()
        self._lock = threading.Lock()
        self._thread: threading.Thread | None = None
        self._lanes: ThreadPoolExecutor | None = None

    def start(self) -> None:
        """Begin to deliver in the background."""
        self._lanes = ThreadPoolExecutor(LANES, thread_name_prefix="notify")
        self._thread = threading.Thread(target=self._run, name="courier", daemon=True)
        self._thread.start()

    def wake(self) -> None:
        """Something new is in the outbox."""
        self._wake.set()

    def close(self, timeout_s: float = 20.0) -> None:
        """Stop after the calls under way; what they did not deliver stays in the outbox."""
        self._stop.set()
        self._wake.set()
        if self._thread is not None:
            self._thread.join(timeout_s)
        if self._lanes is not None:
            self._lanes.shutdown(wait=True, cancel_futures=True)

    def deliver(self, now_ts: float) -> int:
        """One parcel for each ready channel; how many were delivered."""
        return sum(self._one(site, channel, now_ts) for site, channel in self._outbox.ready(now_ts))

    def _run(self) -> None:
        soon = 0
        while not self._stop.is_set():
            try:
                self._share_out(self._clock())
            except StoreUnavailable as problem:
                log.warning("outbox-unavailable reason=%s", problem)
            woken = self._wake.wait(SOON_S if soon else LOOK_S)
            self._wake.clear()
            soon = SOON_ROUNDS if woken else max(0, soon - 1)

    def _share_out(self, now_ts: float) -> None:
        for place in self._outbox.ready(now_ts):
            with self._lock:
                if place in self._busy or self._lanes is None:
                    continue
                self._busy.add(place)
            self._lanes.submit(self._lane, place)

    def _lane(self, place: tuple[str, str]) -> None:
        try:
            while not self._stop.is_set() and self._one(*place, self._clock()):
                pass
        except StoreUnavailable as problem:
            # It was perhaps delivered and will be again: at least once.
            log.warning("outbox-unavailable reason=%s", problem)
        finally:
            with self._lock:
                self._busy.discard(place)

    def _one(self, site: str, channel: str, now_ts: float) -> bool:
        parcel = self._outbox.take(site, channel, now_ts)
        if parcel is None:
            return False
        try:
            self._post.send(parcel.message, self._picture_of(parcel))
        except StrokewiseError as problem:
            self._outbox.failed(parcel, str(problem), self._clock())
            log.warning("not-delivered site=%s channel=%s reason=%s", site, channel, problem)
            return False
        except Exception as problem:  # noqa: BLE001 - a plug-in's surprise must cost one try only
            reason = f"unexpected {type(problem).__name__}"
            self._outbox.failed(parcel, reason, self._clock())
            log.warning("not-delivered site=%s channel=%s reason=%s", site, channel, reason)
            return False
        self._outbox.sent(parcel, self._clock())
        log.info("delivered site=%s channel=%s rows=%d", site, channel, len(parcel.ids))
        return True

    def _picture_of(self, parcel: Parcel) -> bytes | None:
        if parcel.message.picture_of is None:
            return None
        try:
            return self._picture(parcel.message.picture_of)
        except Exception as problem:  # noqa: BLE001 - word without its picture is better than none
            log.warning("no-picture alarm=%s reason=%s", parcel.message.picture_of, problem)
            return None
