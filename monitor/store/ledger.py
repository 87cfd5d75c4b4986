"""What has arrived, per (series, boot): exactly once rests on this and on nothing else.

A sequence number is held, declared lost, or missing. Time plays no part: clocks step.
"""

from bisect import bisect_right
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field

import numpy as np

MAX_RANGES = 4096
"""Chosen: bounds a stream with holes to 64 kB; beyond it the oldest hole is given up."""

Key = tuple[int, int]
"""(series number, boot)."""


class Ranges:
    """A set of whole numbers as sorted, disjoint, inclusive ranges."""

    __slots__ = ("ends", "starts")

    def __init__(self, pairs: Iterable[tuple[int, int]] = ()) -> None:
        self.starts: list[int] = []
        self.ends: list[int] = []
        for first, last in pairs:
            self.add_range(first, last)

    def __iter__(self) -> Iterator[tuple[int, int]]:
        return zip(self.starts, self.ends, strict=True)

    def __len__(self) -> int:
        return len(self.starts)

    def __contains__(self, number: int) -> bool:
        i = bisect_right(self.starts, number) - 1
        return i >= 0 and number <= self.ends[i]

    def add(self, number: int) -> None:
        """Put one number in; in order it costs no search."""
        if self.ends and number == self.ends[-1] + 1:
            self.ends[-1] = number
        else:
            self.add_range(number, number)

    def add_range(self, first: int, last: int) -> None:
        """Put first..last in, both included; touching ranges become one."""
        low = bisect_right(self.starts, first) - 1
        if low < 0 or self.ends[low] < first - 1:
            low += 1
        high = bisect_right(self.starts, last + 1)
        if low < high:
            first = min(first, self.starts[low])
            last = max(last, self.ends[high - 1])
        self.starts[low:high] = [first]
        self.ends[low:high] = [last]

    def holes(self) -> list[tuple[int, int]]:
        """What is missing between the ranges and from 0 to the first."""
        out = []
        expected = 0
        for first, last in self:
            if first > expected:
                out.append((expected, first - 1))
            expected = last + 1
        return out

    def to_bytes(self) -> bytes:
        """Pairs of unsigned 32-bit numbers."""
        return np.array([self.starts, self.ends], "<u4").T.tobytes()

    @classmethod
    def from_bytes(cls, blob: bytes) -> "Ranges":
        """The inverse of to_bytes."""
        out = cls()
        pairs = np.frombuffer(blob, "<u4").reshape(-1, 2)
        out.starts, out.ends = pairs[:, 0].tolist(), pairs[:, 1].tolist()
        return out


@dataclass(slots=True)
class Stream:
    """One boot of one pump's node."""

    held: Ranges = field(default_factory=Ranges)
    lost: Ranges = field(default_factory=Ranges)
    changed: bool = False
    idle: int = 0

    def known(self) -> Ranges:
        """Held or declared lost: nobody asks for these."""
        out = Ranges(self.held)
        for first, last in self.lost:
            out.add_range(first, last)
        return out

    def squeeze(self) -> int:
        """Keep the stream bounded: close the oldest holes; how many numbers were given up."""
        given_up = 0
        while len(self.held) > MAX_RANGES:
            first, last = self.held.ends[0] + 1, self.held.starts[1] - 1
            self.held.add_range(first, last)
            given_up += last - first + 1
        while len(self.lost) > MAX_RANGES:
            self.lost.add_range(self.lost.ends[0], self.lost.starts[1])
        return given_up


Load = Callable[[Key], tuple[bytes, bytes] | None]


class Ledger:
    """All streams; those not in memory are fetched with load(key) -> (held, lost) or None."""

    def __init__(self, load: Load) -> None:
        self._load = load
        self._streams: dict[Key, Stream] = {}
        self.given_up = 0

    def stream(self, key: Key) -> Stream:
        """The stream of (series, boot), made when new."""
        found = self._streams.get(key)
        if found is None:
            row = self._load(key)
            found = Stream()
            if row:
                found = Stream(Ranges.from_bytes(row[0]), Ranges.from_bytes(row[1]))
            self._streams[key] = found
        found.idle = 0
        return found

    def holds(self, key: Key, seq: int) -> bool:
        """Whether this very message is already stored."""
        return seq in self.stream(key).held

    def add(self, key: Key, seq: int) -> None:
        """Call only after the message is durable."""
        stream = self.stream(key)
        stream.held.add(seq)
        stream.changed = True
        if len(stream.held) > MAX_RANGES:
            self.given_up += stream.squeeze()

    def watermark(self, key: Key) -> tuple[int, list[tuple[int, int]]]:
        """(highest sequence below which nothing is missing, or -1; missing ranges above it)."""
        stream = self.stream(key)
        known = stream.known() if stream.lost.starts else stream.held
        if not len(known) or known.starts[0] > 0:
            return -1, known.holes()
        return known.ends[0], known.holes()

    def declare_lost(self, key: Key, first: int, last: int) -> None:
        """Nobody asks for these again; one that still comes is stored all the same."""
        stream = self.stream(key)
        stream.lost.add_range(first, last)
        stream.changed = True
        stream.squeeze()

    def changed(self) -> list[tuple[Key, bytes, bytes]]:
        """(key, held, lost) of every stream that differs from its row."""
        return [
            (key, s.held.to_bytes(), s.lost.to_bytes())
            for key, s in self._streams.items()
            if s.changed
        ]

    def written(self, keys: Iterable[Key], keep_idle: int = 30) -> None:
        """These rows are durable; streams long idle leave memory."""
        for key in keys:
            self._streams[key].changed = False
        for key, stream in list(self._streams.items()):
            stream.idle += 1
            if stream.idle > keep_idle and not stream.changed:
                del self._streams[key]
