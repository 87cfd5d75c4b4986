"""What a run gives: pressure, strokes, optional demand and air, and the labelled truth."""

import csv
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from edge.virtual.spec import PSI, Fault

FloatArray = NDArray[np.float64]
UNITS = {"pa": 1.0, "psi": PSI, "bar": 1e5, "kpa": 1e3}


@dataclass(frozen=True, slots=True, eq=False)
class Chunk:
    """A stretch of one pump: pressure_pa[i] at t0_ts + i * dt_s (NaN = missed read).

    stroke_ts: one time per counted pulse. demand[i] 1.0 / 0.0 and air_pa[i] (gauge), or None
    where not fitted. silent: nothing of this stretch is sent.
    """

    t0_ts: float
    dt_s: float
    pressure_pa: FloatArray
    stroke_ts: FloatArray
    demand: FloatArray | None = None
    air_pa: FloatArray | None = None
    silent: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """A whole run. silence: stretches (start, end) in which the node sent nothing."""

    t0_ts: float
    dt_s: float
    pressure_pa: FloatArray
    stroke_ts: FloatArray
    demand: FloatArray | None = None
    air_pa: FloatArray | None = None
    truth: tuple[Fault, ...] = ()
    silence: tuple[tuple[float, float], ...] = ()
    restart_ts: tuple[float, ...] = ()
    books: dict[str, float] = field(default_factory=dict)
    """Volumes over the run (m3): taken, out, out_gas, leaked, back, air (reference), strokes."""

    @property
    def end_ts(self) -> float:
        """One step after the last sample."""
        return self.t0_ts + len(self.pressure_pa) * self.dt_s

    def times(self) -> FloatArray:
        """Unix seconds of the samples."""
        return np.asarray(self.t0_ts + np.arange(len(self.pressure_pa)) * self.dt_s, np.float64)

    def totals(self) -> NDArray[np.int64]:
        """The counter at each sample, beginning again at zero at each restart."""
        times = self.times()
        count = np.searchsorted(self.stroke_ts, times, side="right")
        for ts in self.restart_ts:
            before = np.searchsorted(self.stroke_ts, ts, side="right")
            count = np.where(
                times >= ts, np.searchsorted(self.stroke_ts, times, "right") - before, count
            )
        return np.asarray(count, np.int64)

    def sent(self) -> NDArray[np.bool_]:
        """False for the samples of a silent stretch."""
        times = self.times()
        keep = np.ones(len(times), bool)
        for start, end in self.silence:
            keep &= ~((times >= start) & (times < end))
        return keep

    def to_csv(self, path: Path, pump: str, pressure_unit: str = "psi") -> None:
        """One pump's recording; see `write_recording`."""
        write_recording({pump: self}, path, pressure_unit)


def _rows(pump: str, trace: Trace, unit_pa: float) -> Iterator[list[str]]:
    """CSV cells of the samples that were sent; a missed read is an empty cell."""
    times, totals = trace.times(), trace.totals()
    for i in np.flatnonzero(trace.sent()):
        value = trace.pressure_pa[i] / unit_pa
        row = [f"{times[i]:.3f}", pump, "" if np.isnan(value) else f"{value:.5g}", str(totals[i])]
        if trace.demand is not None:
            row.append(f"{trace.demand[i]:.0f}")
        if trace.air_pa is not None:
            row.append(f"{trace.air_pa[i]:.0f}")
        yield row


def write_recording(traces: dict[str, Trace], path: Path, pressure_unit: str = "psi") -> None:
    """Write pump after pump as CSV (RFC 4180): time, pump, pressure_<unit>, strokes[, demand,
    air_pa]; all traces must carry the same optional channels. Raises KeyError on a strange unit.
    """
    unit_pa = UNITS[pressure_unit]
    first = next(iter(traces.values()))
    head = ["time", "pump", f"pressure_{pressure_unit}", "strokes"]
    head += ["demand"] if first.demand is not None else []
    head += ["air_pa"] if first.air_pa is not None else []
    with path.open("w", newline="", encoding="utf-8") as file:
        writer = csv.writer(file)
        writer.writerow(head)
        for pump, trace in traces.items():
            writer.writerows(_rows(pump, trace, unit_pa))


def join(
    chunks: Sequence[Chunk], truth: tuple[Fault, ...] = (), end_ts: float = float("inf")
) -> Trace:
    """One trace from chunks that follow each other."""
    first = chunks[0]
    demand = None if first.demand is None else np.concatenate([c.demand for c in chunks])
    air = None if first.air_pa is None else np.concatenate([c.air_pa for c in chunks])
    silent = [f for f in truth if f.kind == "node silent"]
    return Trace(
        first.t0_ts,
        first.dt_s,
        np.concatenate([c.pressure_pa for c in chunks]),
        np.concatenate([c.stroke_ts for c in chunks]),
        demand,
        air,
        truth,
        tuple((f.onset_ts, min(f.end_ts, end_ts)) for f in silent),
    )
