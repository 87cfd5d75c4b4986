"""What every source is: one method, and what it gives."""

import importlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from edge.errors import SourceError

Role = Literal["pressure", "strokes", "demand", "air"]


@dataclass(frozen=True, slots=True, eq=False)
class Reading:
    """What a source saw of one pump since it was asked last; what it does not read stays empty.

    Times are microseconds of the node's steady clock, or Unix time where the source makes its
    own time (replay, virtual). pressure_pa: float64[n] on the grid t0_us + i * step_us, NaN = the
    read failed. strokes: (time, total) at each change. demand: (time, on) at each change.
    """

    t0_us: int = 0
    step_us: int = 0
    pressure_pa: NDArray[np.float64] | None = None
    strokes: Sequence[tuple[int, int]] = ()
    demand: Sequence[tuple[int, bool]] = ()
    air_pa: float | None = None
    failed_reads: int = 0
    faults: Sequence[str] = ()


class Source(Protocol):
    """A way of reading one or several pumps; its file says how to wire it and what to mind."""

    def read(self, now_us: int) -> Mapping[str, Reading]:
        """Pump id -> what was seen since last time, up to now_us. Never raises, never repeats."""
        ...


def needed(module: str) -> Any:
    """A library of the extra `hardware`. Raises SourceError that says how to install it."""
    try:
        return importlib.import_module(module)
    except ImportError as problem:
        raise SourceError(
            f"this source needs the module {module}: pip install 'strokewise[hardware]'"
        ) from problem
