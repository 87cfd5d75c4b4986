"""Which letter goes next: live data first, then what the monitor wants, then the backlog.

Live is what came in since the line is up. The backlog of an outage is sent beside it at a bounded
rate, newest first or in order, marked historical, so that alarms never wait behind it.
"""

import logging
from collections import deque
from dataclasses import dataclass, replace

from edge.link import Event, Link
from edge.outbox import Letter, Order, Outbox
from monitor.errors import BadMessage
from monitor.wire import Wanted, data_topic, decode, encode_cbor

log = logging.getLogger(__name__)

HISTORICAL_AFTER_S = 10.0
"""Chosen: later than this a message no longer says how things are now."""
LIVE_LIMIT = 1000
"""Chosen: if the line cannot carry the present, all but this much becomes backlog."""
LIVE_RESERVE = 20
"""Places in the window that the backlog leaves free; chosen: two seconds of ten pumps."""
REFUSED_PAUSE_S = 30.0
"""Chosen: a broker that refuses is asked again, not hammered; the letters stay unsent."""
BURST_S = 0.5
MOST_ANSWERS = 20
"""Ranges reported lost in the status at a time; chosen: a retained status stays small."""


@dataclass(frozen=True, slots=True)
class Rules:
    """From the settings."""

    order: Order
    back_fill_per_s: float


class Publisher:
    """Moves letters from the outbox to the link; `pump` it often, times are s and us."""

    def __init__(self, site: str, outbox: Outbox, link: Link, rules: Rules) -> None:
        self._site = site
        self._outbox = outbox
        self._link = link
        self._rules = rules
        self._flying: dict[int, int] = {}
        """Message number at the link -> letter id (-1: sent again, needs no receipt)."""
        self._flying_ids: set[int] = set()
        self._live_from = outbox.next_id
        """Letters from here on are live; what is unsent before it is backlog."""
        self._wanted: deque[tuple[str, int, int, int]] = deque()
        self._lost: deque[tuple[str, int, int, int]] = deque(maxlen=MOST_ANSWERS)
        self._allowance = 0.0
        self._last_s: float | None = None
        self._paused_until_s = float("-inf")
        self.refused = 0

    @property
    def lost(self) -> tuple[tuple[str, int, int, int], ...]:
        """Ranges that were asked for and are gone."""
        return tuple(self._lost)

    def take(self, events: list[Event], steady_s: float) -> bool:
        """Take in what happened on the link; True if the status should be said now."""
        say = False
        receipts: list[int] = []
        for event in events:
            if event.kind in ("receipt", "refused"):
                self._landed(event, receipts, steady_s)
            elif event.kind == "wanted" and event.wanted is not None:
                self._want(event.wanted)
                say = True
            elif event.kind == "up":
                self._live_from = self._outbox.next_id
                log.info("broker up reason=%s waiting=%d", event.text, self._outbox.waiting)
                say = True
            elif event.kind == "down":
                log.warning("broker down reason=%s waiting=%d", event.text, self._outbox.waiting)
        self._outbox.ack(receipts)
        return say

    def _landed(self, event: Event, receipts: list[int], steady_s: float) -> None:
        letter_id = self._flying.pop(event.mid, None)
        if letter_id is None:
            return
        self._link.landed()
        self._flying_ids.discard(letter_id)
        if event.kind == "receipt":
            if letter_id >= 0:
                receipts.append(letter_id)
            return
        self.refused += 1
        if steady_s >= self._paused_until_s:
            log.error("broker refuses reason=%s: check the node's rights at the broker", event.text)
        self._paused_until_s = steady_s + REFUSED_PAUSE_S

    def _want(self, wanted: Wanted) -> None:
        for span in wanted.ranges:
            if span not in self._wanted:
                self._wanted.append(span)

    def pump(self, steady_s: float, now_us: int) -> int:
        """Hand over what the link can take now; the number of letters handed over."""
        passed_s = 0.0 if self._last_s is None else steady_s - self._last_s
        self._last_s = steady_s
        rate = self._rules.back_fill_per_s
        self._allowance = min(self._allowance + passed_s * rate, max(1.0, rate * BURST_S))
        if not self._link.free or steady_s < self._paused_until_s:
            return 0
        sent = self._send(self._live(self._link.free), now_us)
        room = min(self._link.free - LIVE_RESERVE, int(self._allowance))
        if room > 0:
            late = self._again(room)
            late += self._backlog(room - len(late))
            self._allowance -= len(late)
            sent += self._send(late, now_us)
        return sent

    def _live(self, limit: int) -> list[Letter]:
        self._live_from = max(self._live_from, self._outbox.next_id - LIVE_LIMIT)
        if self._live_from >= self._outbox.next_id:
            return []
        found = self._outbox.unsent(limit, "in order", (self._live_from, 2**63 - 1))
        if found:
            self._live_from = found[-1].id + 1
        return found

    def _backlog(self, limit: int) -> list[Letter]:
        flying = self._flying_ids
        if limit <= 0 or self._outbox.waiting <= len(flying):
            return []
        span = (0, self._live_from)
        found = self._outbox.unsent(limit + len(flying), self._rules.order, span)
        return [letter for letter in found if letter.id not in flying][:limit]

    def _again(self, limit: int) -> list[Letter]:
        """Letters of the ranges that the monitor misses; what is gone is noted as lost."""
        out: list[Letter] = []
        while self._wanted and len(out) < limit:
            pump, boot, first, last = self._wanted.popleft()
            found = self._outbox.find(pump, boot, first, last, limit - len(out))
            expected = first
            for letter in found:
                if letter.seq > expected:
                    self._lost.append((pump, boot, expected, letter.seq - 1))
                expected = letter.seq + 1
                if letter.id not in self._flying_ids:
                    out.append(letter)
            if not found:
                self._lost.append((pump, boot, first, last))
            elif expected <= last:
                self._wanted.appendleft((pump, boot, expected, last))
        return out

    def _send(self, letters: list[Letter], now_us: int) -> int:
        for letter in letters:
            payload = letter.payload
            if now_us - letter.t0_us > HISTORICAL_AFTER_S * 1e6:
                payload = as_historical(data_topic(self._site, letter.pump), payload)
            mid = self._link.send(data_topic(self._site, letter.pump), payload)
            self._flying[mid] = letter.id
            self._flying_ids.add(letter.id)
        return len(letters)


def as_historical(topic: str, payload: bytes) -> bytes:
    """The same message, marked as late."""
    try:
        return encode_cbor(replace(decode(topic, payload), historical=True))
    except BadMessage as problem:
        log.error("own message not understood topic=%s reason=%s", topic, problem)  # noqa: TRY400  # the reason says it all
        return payload
