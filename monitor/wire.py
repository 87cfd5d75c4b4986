"""The only place that knows topics and payloads: SenML (RFC 8428) as JSON or CBOR."""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

TOPIC_ROOT = "strokewise/1"
NULL_COUNT = -32768
"""The int16 count that says: this read failed (channel fitted, but no value)."""


@dataclass(frozen=True, slots=True, eq=False)
class Message:
    """One pump's second, as it travels.

    samples: int16 ADC counts (NULL_COUNT = failed read; Pa = offset_pa + scale_pa * count) or
    float64 Pa (NaN = failed read, scale_pa 1, offset_pa 0), on an even grid t0_us + i * dt_us.
    stroke_t_us / stroke_total: the cumulative counter at each change and at the message's end.
    demand_t_us / demand_on: the demand signal at each change, first entry = state at t0; None
    where no demand signal is fitted. air_pa: supply pressure (gauge), None where not fitted.
    All times are Unix microseconds, UTC. Identity is (pump, boot, seq), never time.
    """

    site: str
    pump: str
    boot: int
    seq: int
    t0_us: int
    dt_us: int
    samples: NDArray[np.int16] | NDArray[np.float64]
    scale_pa: float = 1.0
    offset_pa: float = 0.0
    stroke_t_us: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    stroke_total: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    demand_t_us: NDArray[np.int64] | None = None
    demand_on: NDArray[np.bool_] | None = None
    air_pa: float | None = None
    clock_ok: bool = True
    historical: bool = False
    failed_reads: int = 0

    def pressure_pa(self) -> NDArray[np.float64]:
        """Gauge pressure in Pa, float64, NaN where the read failed."""
        if self.samples.dtype == np.int16:
            out = self.samples * self.scale_pa + self.offset_pa
            out[self.samples == NULL_COUNT] = np.nan
            return np.asarray(out, np.float64)
        return np.asarray(self.samples, np.float64)

    @property
    def end_us(self) -> int:
        """The end of the message's span (one step after its last sample)."""
        return self.t0_us + len(self.samples) * self.dt_us


@dataclass(frozen=True, slots=True)
class NodeStatus:
    """What a node says of itself, retained, and its last will (online False)."""

    site: str
    node: str
    online: bool
    ts: float
    boot: int = 0
    pumps: tuple[str, ...] = ()
    dropped_messages: int = 0
    failed_reads: int = 0
    waiting_messages: int = 0
    clock_ok: bool = True
    version: str = ""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What the monitor misses: per pump and boot, inclusive sequence ranges."""

    site: str
    node: str
    ranges: tuple[tuple[str, int, int, int], ...]
    """(pump, boot, first seq, last seq), both ends wanted."""
