"""The store's double: the same answers from a dict, nothing durable. For tests and for replay."""

from collections.abc import Sequence

import numpy as np

from monitor.store import codec, levels
from monitor.store.codec import Columns
from monitor.store.days import Chunk
from monitor.store.interface import Level, Receipt, Series
from monitor.store.ledger import Ledger
from monitor.store.levels import Rows
from monitor.store.refusal import refusal
from monitor.store.views import Source, View
from monitor.wire import Message


class _Book:
    """Numbers for (site, pump)."""

    def __init__(self) -> None:
        self.ids: dict[tuple[str, str], int] = {}
        self.dt_us: dict[int, int] = {}

    def find(self, site: str, pump: str) -> int | None:
        return self.ids.get((site, pump))

    def number(self, site: str, pump: str) -> int:
        return self.ids.setdefault((site, pump), len(self.ids) + 1)

    def name(self, sid: int) -> tuple[str, str]:
        return next(name for name, number in self.ids.items() if number == sid)


class _Held:
    """What day files and summaries would hold: nothing, everything is still 'waiting'."""

    def days(self) -> list[int]:
        return [0]

    def get(self, sid: int, first: int, last: int) -> list[Chunk]:
        del sid, first, last
        return []

    def minutes(self, sid: int, first: int, end: int) -> Rows:
        del sid, first, end
        return levels.rows_from([])

    seconds = hours = minutes


class MemoryStore:
    """See `interface.Store`; pins and tending have nothing to do."""

    def __init__(self) -> None:
        self._book = _Book()
        self._ledger = Ledger(lambda _key: None)
        self._kept: dict[int, list[Message]] = {}
        self._end_us: dict[int, int] = {}
        self._counts: dict[str, float] = {"stored_messages": 0, "duplicate_messages": 0}
        held = _Held()
        self._view = View(Source(self._book, self._waiting, held, held.get, held))

    def append(self, batch: Sequence[Message]) -> list[Receipt]:
        """See interface.Store."""
        return [self._one(message) for message in batch]

    def _one(self, message: Message) -> Receipt:
        reason = refusal(message)
        if reason:
            name = f"refused_messages_{reason}"
            self._counts[name] = self._counts.get(name, 0) + 1
            return Receipt.REJECTED
        sid = self._book.number(message.site, message.pump)
        if self._ledger.holds((sid, message.boot), message.seq):
            self._counts["duplicate_messages"] += 1
            return Receipt.DUPLICATE
        self._ledger.add((sid, message.boot), message.seq)
        self._kept.setdefault(sid, []).append(message)
        self._end_us[sid] = max(self._end_us.get(sid, 0), message.end_us)
        self._book.dt_us[sid] = message.dt_us
        self._counts["stored_messages"] += 1
        return Receipt.STORED

    def _waiting(self, sid: int, from_us: int, to_us: int) -> Columns:
        kept = [m for m in self._kept.get(sid, []) if from_us <= m.t0_us < to_us]
        if not kept:
            return codec.empty()
        columns = codec.from_messages(kept, [sid] * len(kept))
        return columns.take(np.argsort(columns.head["t0"], kind="stable"))

    def watermark(self, site: str, pump: str, boot: int) -> tuple[int, list[tuple[int, int]]]:
        """See interface.Store."""
        sid = self._book.find(site, pump)
        return (-1, []) if sid is None else self._ledger.watermark((sid, boot))

    def declare_lost(self, site: str, pump: str, boot: int, first: int, last: int) -> None:
        """See interface.Store."""
        self._ledger.declare_lost((self._book.number(site, pump), boot), first, last)

    def messages(self, site: str, pump: str, from_ts: float, to_ts: float) -> list[Message]:
        """See interface.Store."""
        return self._view.messages(site, pump, from_ts, to_ts)

    def read(
        self,
        site: str,
        pump: str,
        span: tuple[float, float],
        *,
        level: Level | None = None,
        max_points: int = 4000,
    ) -> Series:
        """See interface.Store."""
        return self._view.read(site, pump, span, level=level, max_points=max_points)

    def latest_ts(self) -> dict[tuple[str, str], float]:
        """See interface.Store."""
        return {self._book.name(sid): end / 1e6 for sid, end in self._end_us.items()}

    def pin(self, site: str, pump: str, span: tuple[float, float], why: str) -> None:
        """Nothing is ever dropped here."""

    def tend(self, now_ts: float) -> None:
        """Nothing to fold."""

    def stats(self) -> dict[str, float]:
        """See interface.Store."""
        return dict(self._counts)

    def close(self) -> None:
        """Nothing to let go of."""
