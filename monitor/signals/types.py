"""What signals take and give. Gauge pressures in Pa, times in Unix seconds, rates in 1/s.

Inside numpy arrays NaN marks a value that is not there; it never crosses a room's border as a
plain number (there it is None).
"""

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """An unbroken run of one pump's samples: one message, or hours of a recording.

    pressure_pa[i] belongs to t0_ts + i * dt_s (NaN = failed read). stroke_ts: one time per
    single stroke inside [t0_ts, t0_ts + n * dt_s), counter restarts already resolved.
    demand[i]: 1.0 / 0.0 / NaN, or None where no demand signal is fitted; air_pa likewise.
    """

    t0_ts: float
    dt_s: float
    pressure_pa: FloatArray
    stroke_ts: FloatArray
    demand: FloatArray | None = None
    air_pa: FloatArray | None = None
    counter_fitted: bool = True

    @property
    def end_ts(self) -> float:
        """One step after the last sample."""
        return self.t0_ts + len(self.pressure_pa) * self.dt_s


@dataclass(frozen=True, slots=True, eq=False)
class Episode:
    """One stretch of a pump's life with its features.

    what: 'draw' (pressure left the stall band or strokes ran, then quiet again), 'prime' (a draw
    that began dry), 'idle strokes' (strokes with the line at stall), 'dead-head' (a quiet stretch
    at stall). open_ is True for a look at an episode that has not ended yet.
    features: name with its unit -> value, or None where it cannot be computed.
    """

    pump: str
    what: str
    start_ts: float
    end_ts: float
    open_: bool
    strokes: int
    features: dict[str, float | None] = field(default_factory=dict)
    stroke_ts: FloatArray = field(default_factory=lambda: np.empty(0))

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.end_ts - self.start_ts

    @property
    def intervals_s(self) -> FloatArray:
        """From each stroke to the next."""
        return self.stroke_ts[1:] - self.stroke_ts[:-1]
