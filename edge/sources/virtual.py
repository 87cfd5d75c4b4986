"""The virtual site: pumps, lines, air, draws and faults by physics, for demo and tests.

Wiring note: none, nothing is wired; the file of the virtual site says which pumps there are.
Caution: its data is invented. Give it a site of its own, so that nobody takes it for real.
"""

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from edge.model import Frozen
from edge.pace import FASTEST, Pace
from edge.sources.source import Reading


class Virtual(Frozen):
    """Which virtual site, from when on, how fast."""

    source: Literal["virtual"] = "virtual"
    file: Path
    speed: float = Field(1.0, gt=0, le=FASTEST, description="simulated seconds in a second")
    start: str | None = Field(None, description="RFC 3339; left out: now")


Advance = Callable[[float], Mapping[str, Any]]


class VirtualPumps:
    """A Source over the site's `advance(to_ts) -> {pump: chunk}`."""

    own_time = True
    finished = False

    def __init__(self, advance: Advance, pace: Pace) -> None:
        self._advance = advance
        self._pace = pace
        self._totals: dict[str, int] = {}
        self._demand: dict[str, bool] = {}

    def read(self, now_us: int) -> dict[str, Reading]:
        """See Source."""
        chunks = self._advance(self._pace.step(now_us) / 1e6)
        out = {pump: self._reading(pump, chunk) for pump, chunk in chunks.items()}
        return {pump: reading for pump, reading in out.items() if reading is not None}

    def _reading(self, pump: str, chunk: Any) -> Reading | None:
        pressure_pa: NDArray[np.float64] = chunk.pressure_pa
        t0_us, step_us = round(chunk.t0_ts * 1e6), round(chunk.dt_s * 1e6)
        total = self._totals.setdefault(pump, 0)
        strokes = [(t0_us, total)] + [
            (round(ts * 1e6), total + i) for i, ts in enumerate(chunk.stroke_ts.tolist(), 1)
        ]
        self._totals[pump] = strokes[-1][1]
        if chunk.silent or not len(pressure_pa):
            return None
        air_pa = None
        if chunk.air_pa is not None and not np.isnan(chunk.air_pa).all():
            air_pa = float(np.nanmean(chunk.air_pa))
        return Reading(
            t0_us=t0_us,
            step_us=step_us,
            pressure_pa=pressure_pa,
            strokes=strokes,
            demand=self._changes(pump, chunk.demand, t0_us, step_us),
            air_pa=air_pa,
            failed_reads=int(np.count_nonzero(np.isnan(pressure_pa))),
        )

    def _changes(
        self, pump: str, demand: NDArray[np.float64] | None, t0_us: int, step_us: int
    ) -> list[tuple[int, bool]]:
        if demand is None:
            return []
        out: list[tuple[int, bool]] = []
        for index, value in enumerate(demand.tolist()):
            if value == value and (value > 0.5) is not self._demand.get(pump):
                self._demand[pump] = value > 0.5
                out.append((t0_us + index * step_us, value > 0.5))
        return out


def open_source(settings: Virtual, start_us: int) -> tuple[VirtualPumps, tuple[str, ...]]:
    """The source and the ids of its pumps. Raises BadSettings for a bad virtual-site file."""
    from edge.virtual.live import load_site

    site = load_site(settings.file, start_us / 1e6)
    source = VirtualPumps(site.advance, Pace(start_us, settings.speed))
    return source, tuple(pump.id for pump in site.site.pumps)
