"""Asks the edge for what never arrived, politely and not for ever.

A broker's receipt is not storage (mosquitto loses what it took since its last save when it dies),
so the edge keeps a ring of what it sent, and this room names the holes in the ledger.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from monitor.store.interface import Store
from monitor.wire import Message, Wanted

FIRST_ASK_S = 30.0
"""Chosen: a backlog that comes newest first fills most holes by itself."""
LONGEST_WAIT_S = 3600.0
MAX_ASKS = 8
"""Chosen: 30 s doubling reaches an hour at the eighth; then what is missing is declared lost."""
MAX_RANGES = 100
MAX_STREAMS = 10_000
"""Holes are watched in at most so many streams; the store's ledger keeps the truth anyway."""

Stream = tuple[str, str, int]
"""(site, pump, boot)."""
NodeOf = Callable[[str, str], str | None]


@dataclass(slots=True)
class _Hole:
    """A stream with something missing."""

    due_ts: float
    wait_s: float = FIRST_ASK_S
    asks: int = 0
    missing: int = 0


class Asking:
    """Watches sequence numbers; `due` says what to ask for. Time is an argument."""

    def __init__(self, store: Store, node_of: NodeOf) -> None:
        self._store = store
        self._node_of = node_of
        self._next: dict[Stream, int] = {}
        self._holes: dict[Stream, _Hole] = {}
        self.asked_ranges = 0
        self.lost_messages = 0

    def seen(self, stored: Iterable[Message], now_ts: float) -> None:
        """These were stored: does any number not follow the last one of its stream?"""
        for message in stored:
            stream = (message.site, message.pump, message.boot)
            expected = self._next.pop(stream, -1)
            self._next[stream] = max(expected, message.seq + 1)
            if message.seq != expected and stream not in self._holes:
                self._watch(stream, now_ts)
        while len(self._next) > MAX_STREAMS:
            del self._next[next(iter(self._next))]

    def _watch(self, stream: Stream, now_ts: float) -> None:
        if len(self._holes) < MAX_STREAMS:
            self._holes[stream] = _Hole(now_ts + FIRST_ASK_S)

    def due(self, now_ts: float) -> list[Wanted]:
        """What to publish now, one Wanted a node."""
        wanted: dict[tuple[str, str], list[tuple[str, int, int, int]]] = {}
        for stream, hole in list(self._holes.items()):
            if hole.due_ts > now_ts:
                continue
            site, pump, boot = stream
            _, missing = self._store.watermark(site, pump, boot)
            node = self._node_of(site, pump)
            if not missing or node is None:
                del self._holes[stream]
            elif self._still_worth_asking(hole, missing, now_ts):
                ranges = wanted.setdefault((site, node), [])
                ranges += [(pump, boot, first, last) for first, last in missing]
            else:
                self._give_up(stream, missing)
        return [self._bounded(site, node, ranges) for (site, node), ranges in wanted.items()]

    def _bounded(self, site: str, node: str, ranges: list[tuple[str, int, int, int]]) -> Wanted:
        """The newest holes first, when there are too many."""
        ranges.sort(key=lambda r: r[3], reverse=True)
        self.asked_ranges += len(ranges[:MAX_RANGES])
        return Wanted(site, node, tuple(ranges[:MAX_RANGES]))

    def _still_worth_asking(
        self, hole: _Hole, missing: list[tuple[int, int]], now_ts: float
    ) -> bool:
        count = sum(last - first + 1 for first, last in missing)
        if count < hole.missing:
            # It is coming: be as patient as at the start.
            hole.asks, hole.wait_s = 0, FIRST_ASK_S
        hole.missing = count
        hole.asks += 1
        hole.due_ts = now_ts + hole.wait_s
        hole.wait_s = min(hole.wait_s * 2, LONGEST_WAIT_S)
        return hole.asks <= MAX_ASKS

    def _give_up(self, stream: Stream, missing: list[tuple[int, int]]) -> None:
        for first, last in missing:
            self._store.declare_lost(*stream, first, last)
            self.lost_messages += last - first + 1
        del self._holes[stream]

    def lost(self, site: str, ranges: Iterable[tuple[str, int, int, int]]) -> None:
        """The edge says that these are gone: what of them is missing is declared lost."""
        for pump, boot, first, last in ranges:
            if self._node_of(site, pump) is None:
                continue
            _, missing = self._store.watermark(site, pump, boot)
            for a, b in missing:
                low, high = max(a, first), min(b, last)
                if low <= high:
                    self._store.declare_lost(site, pump, boot, low, high)
                    self.lost_messages += high - low + 1

    @property
    def open_holes(self) -> int:
        """Streams in which something is missing."""
        return len(self._holes)
