"""Runs one virtual pump over its draws and faults, in one go or in chunks, always the same.

The kernel is handed the time between two changes (a draw's edge, a fault's edge, a minute); a
chunk border changes nothing, so a live run equals a batch run sample by sample.
"""

from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from edge.virtual import changes as change_effects
from edge.virtual import faults as fault_effects
from edge.virtual import kernel as k
from edge.virtual.params import (
    RATED_SURGE_PA_S_M3,
    initial_state,
    parameters,
    suction_terms,
    tip_constant,
)
from edge.virtual.sensing import Sensing
from edge.virtual.spec import PSI, STANDARD_ATMOSPHERE_PA, Change, Draw, Fault, PumpSpec
from edge.virtual.trace import Chunk, FloatArray, Trace, join

STEP_S = 0.0005
REFRESH_S = 60.0
PILOT_PA = 10.0 * PSI
"""Below it the spool does not shift: half of the 20 psi that is the least in common practice."""
RAMP_REFRESH_S = 1.0
AIR_STEP_PA = 500.0
"""Resolution of the optional supply gauge: 0.07 psi, a common digital one."""


@dataclass(frozen=True, slots=True)
class Climate:
    """Room temperature over the day; warmest 15:00 local."""

    mean_c: float = 20.0
    swing_k: float = 0.0
    utc_offset_s: float = 0.0
    atmosphere_pa: float = STANDARD_ATMOSPHERE_PA

    def temp_c(self, ts: float) -> float:
        """Temperature at Unix time ts."""
        hour = (ts + self.utc_offset_s) / 3600.0
        return self.mean_c + 0.5 * self.swing_k * float(np.cos(2 * np.pi * (hour - 15.0) / 24.0))


@dataclass(frozen=True, slots=True)
class Fitted:
    """Which optional channels the node has."""

    demand: bool = False
    air: bool = False


class PumpRun:
    """A pump in time: `advance(to_ts)` gives the next chunk."""

    def __init__(  # noqa: PLR0913 - a run's whole description, all but three by name
        self,
        spec: PumpSpec,
        draws: Sequence[Draw],
        faults: Sequence[Fault],
        *,
        t0_ts: float,
        rate_hz: float = 20.0,
        seed: int = 0,
        fitted: Fitted = Fitted(),
        climate: Climate = Climate(),
        changes: Sequence[Change] = (),
    ) -> None:
        self.spec, self.t0_ts, self.seed, self.fitted, self.climate = (
            spec,
            t0_ts,
            seed,
            fitted,
            climate,
        )
        self.faults = tuple(faults)
        self.changes = tuple(sorted(changes, key=lambda c: c.ts))
        self.dt_s = 1.0 / rate_hz
        self._per = max(1, round(self.dt_s / STEP_S))
        self._step_s = self.dt_s / self._per
        self._base = parameters(spec, climate.atmosphere_pa)
        self._base[k.PARAM_SIZE - 1] = self.dt_s
        suction_terms(spec, self._base, climate.temp_c(t0_ts), 0.0)
        rng = np.random.default_rng([seed, 0])
        self._table = rng.standard_normal(k.TABLE)
        self.state = initial_state(spec, self._base, float(rng.random()))
        self._param = self._base.copy()
        self._sensing = Sensing(spec, faults, seed)
        self._step = 0
        self._ceiling_pa = self._wanted_pa = float("inf")
        self._done = 0
        self._draws: list[Draw] = []
        self._edges: list[int] = []
        self._open_count = 0
        self._fresh = False
        self._stale = True
        self._started: set[Fault] = set()
        self._ended: set[Fault] = set()
        self.add_draws(draws)

    @property
    def now_ts(self) -> float:
        """How far it has come."""
        return self.t0_ts + self._step * self._step_s

    def add_draws(self, draws: Sequence[Draw]) -> None:
        """Draws still to come, in order of time."""
        self._draws += draws
        cuts = [ts for d in draws for ts in (d.start_ts, d.end_ts)]
        if not self._edges:
            cuts += [ts for f in self.faults for ts in (f.onset_ts, f.end_ts)]
            cuts += [c.ts for c in self.changes]
        steps = {self._at(ts) for ts in cuts if np.isfinite(ts)}
        self._edges = sorted({e for e in self._edges if e > self._step} | steps)

    def set_ceiling(self, gauge_pa: float) -> None:
        """Let the air main offer no more than gauge_pa ahead of the regulator."""
        self._ceiling_pa = gauge_pa + self._base[k.P_PATM]
        self._param[k.P_SET] = min(self._wanted_pa, self._ceiling_pa)

    def _at(self, ts: float) -> int:
        """The step at a time."""
        return round((ts - self.t0_ts) / self._step_s)

    def _next_change(self) -> int:
        """The first step after now at which a parameter may change."""
        refresh_s = REFRESH_S
        now = self.now_ts
        for fault in self.faults:
            if fault.onset_ts <= now < min(fault.onset_ts + fault.ramp_s, fault.end_ts):
                refresh_s = min(refresh_s, max(RAMP_REFRESH_S, fault.ramp_s / 100.0))
        every = round(refresh_s / self._step_s)
        nxt = (self._step // every + 1) * every
        at = bisect_right(self._edges, self._step)
        return min(nxt, self._edges[at]) if at < len(self._edges) else nxt

    def _open(self, ts: float) -> list[Draw]:
        """The draws open at ts; those over are dropped."""
        self._draws = [d for d in self._draws if d.end_ts > ts]
        return [d for d in self._draws if d.start_ts <= ts]

    def _refresh(self) -> None:
        """Parameters as they stand from now until the next change."""
        ts = self.now_ts + 0.5 * self._step_s
        was_k, was_open = self._param[k.P_K], self._open_count
        p = self._base.copy()
        temp_c = self.climate.temp_c(ts)
        suction_terms(self.spec, p, temp_c, -self.state[k.DRUM] / 1e-6)
        warming = self.climate.temp_c(ts + 30.0) - self.climate.temp_c(ts - 30.0)
        p[k.P_TH] = self.spec.thermal_pa_per_k * warming / 60.0
        opened = self._open(ts)
        self._open_count = len(opened)
        for draw in opened:
            p[k.P_K] += tip_constant(self.spec, draw.tip_m or self.spec.tip_m)
        done = [c for c in self.changes if c.ts <= ts]
        set_pa = change_effects.supply_pa(self.spec, done)
        p[k.P_SET] = p[k.P_PATM] + set_pa
        fault_effects.apply(self.spec, p, self.faults, ts)
        self._edge_faults(ts, p)
        for change in done[self._done :]:
            change_effects.happen(change, self.state, p)
        self._done = len(done)
        p[k.P_SET] = max(p[k.P_SET], p[k.P_PATM]) if set_pa > 0.0 else p[k.P_PATM]
        self._wanted_pa = p[k.P_SET]
        p[k.P_SET] = min(self._wanted_pa, self._ceiling_pa)
        if p[k.P_SET] - p[k.P_PATM] < PILOT_PA:
            p[k.P_STALL] = 1.0
        self._param = p
        if self._open_count > was_open:
            fault_effects.opening(self.faults, ts, self.state, p)
        if self._open_count == 0 and (was_open or self._fresh):
            fault_effects.at_rest(self.faults, ts, self.state, p)
        if p[k.P_K] < was_k:
            surge = RATED_SURGE_PA_S_M3 * self.spec.ring_share * self.state[k.QOUT]
            self.state[k.RING], self.state[k.RING_T] = surge, 0.0
        if p[k.P_K] > 0.0 or p[k.P_KIN0] + p[k.P_KIN1] + p[k.P_KRUPT] > 0.0:
            self.state[k.PARKED] = 0.0

    def _edge_faults(self, ts: float, p: k.Array) -> None:
        """Beginnings and ends of faults leave their mark on the state once."""
        self._fresh = False
        for fault in self.faults:
            if fault.onset_ts <= ts and fault not in self._started:
                self._started.add(fault)
                self._fresh = True
                fault_effects.begin(fault, self.state, p)
            if fault.end_ts <= ts and fault not in self._ended:
                self._ended.add(fault)
                fault_effects.finish(fault, self.state, p)

    def advance(self, to_ts: float) -> Chunk:
        """Everything from where it stands up to to_ts (rounded to whole samples)."""
        first = -(-self._step // self._per)
        last = max(first, round((to_ts - self.t0_ts) / self.dt_s))
        grid = np.zeros((2, last - first))
        demand = np.zeros(last - first) if self.fitted.demand else None
        strokes: list[FloatArray] = []
        while self._step < last * self._per:
            if self._stale:
                self._refresh()
                self._stale = False
            change = self._next_change()
            stop = min(change, last * self._per)
            strokes.append(self._leap(stop, first, grid))
            self._fill(stop, first, demand)
            self._step = stop
            self._stale = stop == change
        ticks = np.concatenate(strokes) if strokes else np.empty(0)
        return self._chunk(first, grid, ticks, demand)

    def _leap(self, stop: int, first: int, grid: FloatArray) -> FloatArray:
        """The kernel up to a step; returns the step counts of stroke ends."""
        span = np.array([self._step, stop, self._per, first], np.int64)
        room = np.empty(16 + (stop - self._step) // 20)
        found = k.advance(self.state, self._param, self._table, span, grid, room)
        return room[:found]

    def _fill(self, stop: int, first: int, demand: FloatArray | None) -> None:
        """Demand of the samples in this leap."""
        if demand is not None:
            i0, i1 = -(-self._step // self._per) - first, -(-stop // self._per) - first
            demand[i0:i1] = float(bool(self._open(self.now_ts + 0.5 * self._step_s)))

    def _chunk(
        self, first: int, grid: FloatArray, ticks: FloatArray, demand: FloatArray | None
    ) -> Chunk:
        """What the node measured of it, on the node's clock."""
        rate = 1.0 + self.spec.sensor.clock_ppm * 1e-6
        ts = np.asarray(self.t0_ts + (first + np.arange(grid.shape[1])) * self.dt_s, np.float64)
        pulses = self._sensing.pulses(self.t0_ts + ticks * self._step_s)
        air = np.round(grid[1] / AIR_STEP_PA) * AIR_STEP_PA if self.fitted.air else None
        start_ts = float(ts[0]) if len(ts) else self.now_ts
        return Chunk(
            self.t0_ts + first * self.dt_s * rate,
            self.dt_s * rate,
            self._sensing.pressure(grid[0], ts),
            self.t0_ts + (pulses - self.t0_ts) * rate,
            demand,
            air,
            any(f.kind == "node silent" and f.level(start_ts) > 0 for f in self.faults),
        )

    def books(self) -> dict[str, float]:
        """Volumes so far (m3) and strokes; liquid is conserved between them."""
        s = self.state
        names = {
            "taken": k.TAKEN,
            "out": k.OUT,
            "out_gas": k.OUT_GAS,
            "leaked": k.LEAKED,
            "back": k.BACK,
            "air": k.AIR_USED,
            "strokes": k.N,
        }
        return {name: float(s[slot]) for name, slot in names.items()}


def simulate(  # noqa: PLR0913 - a run's whole description, all but three by name
    spec: PumpSpec,
    draws: Sequence[Draw],
    faults: Sequence[Fault] = (),
    *,
    t0_ts: float,
    duration_s: float,
    rate_hz: float = 20.0,
    seed: int = 0,
    fitted: Fitted = Fitted(),
    climate: Climate = Climate(),
    changes: Sequence[Change] = (),
) -> Trace:
    """One pump over duration_s: the trace as measured, with `faults` as its truth."""
    run = PumpRun(
        spec,
        draws,
        faults,
        t0_ts=t0_ts,
        rate_hz=rate_hz,
        seed=seed,
        fitted=fitted,
        climate=climate,
        changes=changes,
    )
    chunk = run.advance(t0_ts + duration_s)
    return replace(
        join([chunk], tuple(faults), t0_ts + duration_s),
        restart_ts=change_effects.restarts(changes),
        books=run.books(),
    )
