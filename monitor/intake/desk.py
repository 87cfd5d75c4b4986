"""Raw messages in, stored messages out: decode, validate, store, tell. No network here."""

import logging
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, NamedTuple

from monitor import wire
from monitor.errors import BadMessage, StoreUnavailable
from monitor.intake.asking import Asking
from monitor.intake.refused import FIRST_BYTES, Refused, RefusedBook
from monitor.site import Site
from monitor.store.interface import Receipt, Store
from monitor.wire import Message, NodeStatus, Wanted

log = logging.getLogger(__name__)

MAX_PAYLOAD = 262_144
"""A minute at 50 samples a second as plain SenML JSON is about 150 kB (computed)."""
FUTURE_S = 86_400.0
"""Chosen: a clock may be a time zone wrong, not a year."""


class Raw(NamedTuple):
    """One message as the broker gave it; token goes back with the receipt."""

    topic: str
    payload: bytes
    token: tuple[int, int, int] = (0, 0, 0)
    """(message id, quality of service, connection number)."""


@dataclass(frozen=True, slots=True)
class Hooks:
    """Who is told. on_stored gets each batch's new messages, ordered in time for each pump."""

    on_stored: Callable[[list[Message]], None]
    on_status: Callable[[NodeStatus], None]


class Desk:
    """One batch at a time, from one thread. Raises StoreUnavailable with nothing of it stored."""

    def __init__(self, store: Store, sites: Sequence[Site], hooks: Hooks) -> None:
        self._store = store
        self._hooks = hooks
        self._nodes: Mapping[tuple[str, str], str] = {
            (site.id, pump.id): pump.node for site in sites for pump in site.pumps
        }
        self._sites = {site.id for site in sites}
        self.refused = RefusedBook()
        self.asking = Asking(store, lambda site, pump: self._nodes.get((site, pump)))
        self.received_messages = 0
        self.stored_messages = 0
        self.duplicate_messages = 0
        self.failed_hooks = 0

    def take(self, batch: Sequence[Raw], now_ts: float) -> list[Message]:
        """Decode and store a batch; what was new. Everything else is counted and kept a sample of.

        After it returns the whole batch may be receipted. Tell people with `tell`.
        """
        good, source, statuses = self._sort(batch, now_ts)
        receipts = self._append(good, source, now_ts)
        self.received_messages += len(batch)
        stored = [m for m, r in zip(good, receipts, strict=True) if r is Receipt.STORED]
        self.stored_messages += len(stored)
        self.duplicate_messages += receipts.count(Receipt.DUPLICATE)
        for message, raw, receipt in zip(good, source, receipts, strict=True):
            if receipt is Receipt.REJECTED:
                detail = f"time {message.t0_us / 1e6:.0f} s, step {message.dt_us} us"
                self._refuse(raw, "not storable", detail, now_ts)
        self.asking.seen(stored, now_ts)
        for status in statuses:
            if status.lost:
                self.asking.lost(status.site, status.lost)
            self._tell(self._hooks.on_status, status)
        return stored

    def _sort(
        self, batch: Sequence[Raw], now_ts: float
    ) -> tuple[list[Message], list[Raw], list[NodeStatus]]:
        good: list[Message] = []
        source: list[Raw] = []
        statuses: list[NodeStatus] = []
        for raw in batch:
            try:
                found = self._decoded(raw, now_ts)
            except BadMessage as problem:
                self._refuse(raw, problem.reason, str(problem), now_ts)
                continue
            if isinstance(found, Message):
                good.append(found)
                source.append(raw)
            elif found is not None:
                statuses.append(found)
        return good, source, statuses

    def _decoded(self, raw: Raw, now_ts: float) -> Message | NodeStatus | None:
        if len(raw.payload) > MAX_PAYLOAD:
            detail = f"{len(raw.payload)} bytes, at most {MAX_PAYLOAD}; send one second a message"
            raise BadMessage("too large", detail)
        if raw.topic.endswith("/status"):
            status = wire.decode_status(raw.topic, raw.payload) if raw.payload else None
            if status is not None and status.site not in self._sites:
                raise BadMessage("unknown site", f"{status.site}: no site file names it")
            return status
        message = wire.decode(raw.topic, raw.payload)
        if (message.site, message.pump) not in self._nodes:
            raise BadMessage(
                "unknown pump",
                f"{message.site}/{message.pump}: add it to the site file or correct the edge",
            )
        if message.t0_us / 1e6 > now_ts + FUTURE_S:
            raise BadMessage(
                "time in the future",
                f"{message.t0_us / 1e6:.0f} s is more than a day ahead; set the edge's clock",
            )
        return message

    def _refuse(self, raw: Raw, reason: str, detail: str, now_ts: float) -> None:
        first = self.refused.add(
            Refused(
                now_ts,
                reason,
                raw.topic[:200],
                detail[:300],
                raw.payload[:FIRST_BYTES],
                len(raw.payload),
            )
        )
        if first:
            log.warning("refused reason=%r topic=%r detail=%r", reason, raw.topic[:200], detail)

    def _append(
        self, good: Sequence[Message], source: Sequence[Raw], now_ts: float
    ) -> list[Receipt]:
        """All at once; when the batch itself is the trouble, one by one, so one costs only one."""
        if not good:
            return []
        try:
            return self._store.append(good)
        except StoreUnavailable:
            raise
        except (ValueError, TypeError, OverflowError) as problem:
            log.warning("batch refused by the store, trying one by one: %s", problem)
        out = []
        for message, raw in zip(good, source, strict=True):
            try:
                out += self._store.append([message])
            except (ValueError, TypeError, OverflowError) as problem:
                self._refuse(raw, "not storable", str(problem), now_ts)
                out.append(Receipt.DUPLICATE)
        return out

    def tell(self, stored: Iterable[Message]) -> None:
        """Hand new messages on, each pump's in time order."""
        ordered = sorted(stored, key=lambda m: (m.site, m.pump, m.t0_us, m.seq))
        if ordered:
            self._tell(self._hooks.on_stored, ordered)

    def _tell(self, hook: Callable[[Any], None], what: object) -> None:
        try:
            hook(what)
        except Exception:
            self.failed_hooks += 1
            log.exception("handler failed after storing; the data are safe")

    def wanted(self, now_ts: float) -> list[Wanted]:
        """What to ask the nodes for now."""
        return self.asking.due(now_ts)
