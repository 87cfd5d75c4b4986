"""One interface, two members (embedded and InfluxDB); journal and ledger always local in front."""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from monitor.wire import Message


class Receipt(StrEnum):
    """What became of one message."""

    STORED = "stored"
    DUPLICATE = "duplicate"
    REJECTED = "rejected"


class Level(StrEnum):
    """How fine a series is."""

    RAW = "raw"
    SECOND = "1s"
    MINUTE = "1min"
    HOUR = "1h"


@dataclass(frozen=True, slots=True, eq=False)
class Series:
    """What `read` gives: columns of equal length on `ts` (start of the step, Unix seconds).

    RAW: ts, mean_pa (= the sample; low and high equal it), strokes (new strokes since the sample
    before). Other levels: low/mean/high of the step and strokes in it. NaN = no value.
    gaps: half-open spans [from, to) of the asked range without any data.
    """

    pump: str
    level: Level
    ts: NDArray[np.float64]
    low_pa: NDArray[np.float64]
    mean_pa: NDArray[np.float64]
    high_pa: NDArray[np.float64]
    strokes: NDArray[np.float64]
    demand_s: NDArray[np.float64] | None
    air_pa: NDArray[np.float64] | None
    gaps: tuple[tuple[float, float], ...]


class Store(Protocol):
    """What intake, pages and reports may ask of any store. (site, pump) names a series."""

    def append(self, batch: Sequence[Message]) -> list[Receipt]:
        """Store all or nothing, durable on return; raises StoreFull or StoreUnavailable."""
        ...

    def watermark(self, site: str, pump: str, boot: int) -> tuple[int, list[tuple[int, int]]]:
        """(highest contiguous sequence or -1, missing inclusive ranges above it)."""
        ...

    def declare_lost(self, site: str, pump: str, boot: int, first: int, last: int) -> None:
        """The edge no longer has these; a gap is written and nobody asks again."""
        ...

    def messages(self, site: str, pump: str, from_ts: float, to_ts: float) -> list[Message]:
        """The stored messages of [from, to) by their t0, as they came, in time order."""
        ...

    def read(
        self,
        site: str,
        pump: str,
        span: tuple[float, float],
        *,
        level: Level | None = None,
        max_points: int = 4000,
    ) -> Series:
        """The series over the half-open span; level None = the finest within max_points."""
        ...

    def latest_ts(self) -> dict[tuple[str, str], float]:
        """(site, pump) -> end of the newest stored message."""
        ...

    def pin(self, site: str, pump: str, span: tuple[float, float], why: str) -> None:
        """Keep this span's raw samples whatever the retention says."""
        ...

    def tend(self, now_ts: float) -> None:
        """Housekeeping (fold, seal, retention, low space); call about once a second."""
        ...

    def stats(self) -> dict[str, float]:
        """Counters and sizes, name with unit -> value."""
        ...

    def close(self) -> None:
        """Fold what can be folded and let go of the files."""
        ...
