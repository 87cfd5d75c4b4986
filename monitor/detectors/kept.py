"""Rows that are learnt, followed by rows that still wait, in one block of memory.

Two thousand pumps with a dozen numbers each keep some five million values: they lie in arrays of
four bytes, not in Python objects.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray


class Kept:
    """At most `most` learnt rows and `room` waiting ones; the oldest go first.

    buffer: the block itself, never exchanged; its first `count` rows are the learnt ones.
    """

    __slots__ = ("_most", "buffer", "count", "waiting")

    def __init__(self, buffer: NDArray[Any], most: int) -> None:
        self.buffer = buffer
        self._most = most
        self.count = 0
        self.waiting = 0

    @property
    def learnt(self) -> NDArray[Any]:
        """The learnt rows in the order they came (a view: copy it to keep it)."""
        return self.buffer[: self.count]

    def append(self, row: Any) -> None:
        """Let a row wait; the oldest waiting row gives way when there is no room."""
        end = self.count + self.waiting
        if end == len(self.buffer):
            self.buffer[self.count : -1] = self.buffer[self.count + 1 :]
            end -= 1
            self.waiting -= 1
        self.buffer[end] = row
        self.waiting += 1

    def admit(self, keep: int) -> int:
        """Learn all but the newest `keep` waiting rows; how many."""
        more = max(self.waiting - keep, 0)
        self.count += more
        self.waiting -= more
        over = self.count - self._most
        if over > 0:
            end = self.count + self.waiting
            self.buffer[: end - over] = self.buffer[over:end].copy()
            self.count = self._most
        return more

    def drop(self) -> None:
        """Forget what waits."""
        self.waiting = 0


def numbers(most: int, room: int) -> Kept:
    """For single numbers with their times: fields 'ts' (whole Unix seconds) and 'x'."""
    return Kept(np.zeros(most + room, dtype=[("ts", "u4"), ("x", "f4")]), most)


def rows(most: int, room: int, width: int) -> Kept:
    """For rows of numbers."""
    return Kept(np.zeros((most + room, width), np.float32), most)
