"""What was refused and why: counted by reason, a few of each kept to look at."""

import threading
from collections import Counter, deque
from dataclasses import dataclass

KEEP_PER_REASON = 5
MAX_REASONS = 100
"""Chosen: a sender cannot fill the memory with ever new reasons."""
FIRST_BYTES = 64


@dataclass(frozen=True, slots=True)
class Refused:
    """One message that was not stored."""

    ts: float
    reason: str
    topic: str
    detail: str
    first_bytes: bytes
    size_bytes: int


class RefusedBook:
    """Counts by reason and the last few of each. Thread-safe, bounded."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._counts: Counter[str] = Counter()
        self._last: dict[str, deque[Refused]] = {}

    def add(self, entry: Refused) -> bool:
        """Note one; True when its reason was never seen before (worth a log line)."""
        with self._lock:
            reason = entry.reason
            if reason not in self._last and len(self._last) >= MAX_REASONS:
                reason = "other"
            first = reason not in self._last
            self._counts[reason] += 1
            self._last.setdefault(reason, deque(maxlen=KEEP_PER_REASON)).append(entry)
            return first

    def counts(self) -> dict[str, int]:
        """Reason -> how many, since the start."""
        with self._lock:
            return dict(self._counts)

    def samples(self) -> list[Refused]:
        """The kept ones, newest first."""
        with self._lock:
            kept = [entry for entries in self._last.values() for entry in entries]
        return sorted(kept, key=lambda e: e.ts, reverse=True)
