"""The base of the edge's settings models, and the names they share."""

from typing import Annotated, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, Field

Name = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,47}$")]
"""An id that may stand in a topic level and in a SenML name (RFC 8428 section 4.5.1)."""


class Frozen(BaseModel):
    """Nothing unknown, nothing changed later."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Measured(Frozen):
    """One quantity of one pump; each kind of source has its own subclass with its settings."""

    rate_hz: float = Field(10.0, gt=0, le=1000, description="reads a second")
    strokes_per_pulse: Literal[1, 2] = Field(
        1, description="2 where the switch gives one pulse a cycle; the edge sends strokes"
    )

    @property
    def bits(self) -> int:
        """Where a counter wraps."""
        return 64

    @property
    def device(self) -> tuple[object, ...]:
        """What is opened once for all the quantities on it."""
        raise NotImplementedError

    def faults(self) -> list[str]:
        """What cannot work, found before anything is opened."""
        return []

    def pressure_pa(self, raw: NDArray[np.float64]) -> NDArray[np.float64]:
        """Gauge pressure of raw values; NaN stays NaN."""
        return raw

    def fault(self, raw: float) -> str:  # noqa: ARG002  # subclasses look at it
        """In words why a raw value gave no pressure; empty if nothing is known."""
        return ""
