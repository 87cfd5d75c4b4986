"""The benchmark's cases: fixed ids and seeds, families to choose on and families to judge on.

A family is a random pump of the class (displacement, air paths, frictions, hoses, fluid, sensor);
choose-families may be looked at while a rule is written, judge-families only through the table.
"""

import hashlib
import os
import tempfile
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

import edge.virtual
from edge.virtual.run import Climate, Fitted, simulate
from edge.virtual.spec import Draw, Fault, PumpSpec, draw_family
from monitor.advice.kinds import Kind
from monitor.signals.types import Block
from monitor.site import Fluid, Line, Pump, Sensors, Site

T0 = 1_750_000_000.0
CHOOSE = tuple(range(1000, 1060))
JUDGE = tuple(range(2000, 2100))
CORE = (Kind.NO_DEMAND, Kind.MISSED_PRIME, Kind.AIRLOCK, Kind.LOW_AIR)


@dataclass(frozen=True, slots=True)
class Shape:
    """How a fault case is laid out: draws before and after the onset, their length and rests."""

    before: int = 12
    after: int = 5
    draw_s: tuple[float, float] = (6.0, 45.0)
    rest_s: tuple[float, float] = (15.0, 90.0)
    rest_after_s: tuple[float, float] | None = None
    lull_s: float = 0.0
    """Rest right after the onset (a leak is looked for when it is quiet)."""
    in_draw_s: float | None = None
    """Onset this long into a draw instead of in the rest before it."""


SHAPES: dict[Kind, Shape] = {
    Kind.NO_DEMAND: Shape(lull_s=900.0),
    Kind.LOST_PRIME: Shape(rest_after_s=(700.0, 1300.0), draw_s=(15.0, 45.0)),
    Kind.DRUM_EMPTY: Shape(in_draw_s=8.0, draw_s=(20.0, 45.0)),
    Kind.ICING: Shape(draw_s=(60.0, 90.0), rest_s=(15.0, 40.0)),
    Kind.WORN: Shape(before=30, after=8),
    Kind.AIR_VALVE_STALLED: Shape(in_draw_s=2.0, draw_s=(15.0, 45.0)),
    Kind.BALL_LEAK: Shape(draw_s=(20.0, 60.0)),
}
VARIANTS: dict[Kind, tuple[str, ...]] = {
    Kind.NO_DEMAND: ("", "internal"),
    Kind.AIRLOCK: ("", "locked", "slug"),
    Kind.NO_FLOW: ("", "valve"),
    Kind.BALL_LEAK: ("", "outlet"),
    Kind.PRESSURE_SENSOR: ("", "offset", "range", "noise"),
    Kind.STROKE_COUNTER: ("", "bounce", "missing"),
}


@dataclass(frozen=True, slots=True)
class Case:
    """One fault on one pump. The id is what a committed baseline refers to."""

    kind: Kind
    seed: int
    variant: str = ""
    rate_hz: float = 20.0
    severity: float = 0.5

    @property
    def id(self) -> str:
        """For example 'low air/-/2003/20'."""
        return f"{self.kind}/{self.variant or '-'}/{self.seed}/{self.rate_hz:.0f}"


@dataclass(frozen=True, slots=True, eq=False)
class Recording:
    """A simulated case: one block with both optional channels, its draws, its onset."""

    block: Block
    draws: tuple[tuple[float, float], ...]
    onset_ts: float
    spec: PumpSpec

    def without(self) -> Block:
        """The block as a site without demand and air sensors records it."""
        b = self.block
        return Block(b.t0_ts, b.dt_s, b.pressure_pa, b.stroke_ts)


def lay_out(kind: Kind, seed: int) -> tuple[list[Draw], float, float]:
    """Draws, onset and end of a case."""
    shape = SHAPES.get(kind, Shape())
    rng = np.random.default_rng([seed, len(kind), 7])
    draws: list[Draw] = []
    t = T0 + 40.0
    onset = T0
    for i in range(shape.before + shape.after):
        length = float(rng.uniform(*shape.draw_s))
        if i == shape.before:
            onset = t - 8.0 if shape.in_draw_s is None else t + shape.in_draw_s
            t += shape.lull_s
        draws.append(Draw(t, t + length))
        rest = shape.rest_s if i < shape.before else shape.rest_after_s or shape.rest_s
        t += length + float(rng.uniform(*rest))
    return draws, onset, t + 30.0


def _simulator() -> str:
    """A print of the simulator's text, so that a changed pump is simulated anew."""
    folder = Path(edge.virtual.__file__).parent
    names = ("kernel", "faults", "params", "run", "sensing", "spec")
    text = b"".join((folder / f"{name}.py").read_bytes() for name in names)
    return hashlib.sha256(text).hexdigest()[:12]


SIMULATOR = _simulator()


def cache() -> Path:
    folder = os.environ.get("STROKEWISE_BENCH_CACHE")
    path = Path(folder) if folder else Path(tempfile.gettempdir()) / "strokewise-bench"
    path.mkdir(parents=True, exist_ok=True)
    return path


def keep(path: Path, **arrays: object) -> None:
    """Into the cache in one step: another process may be reading or writing the same."""
    half = path.with_name(f"{path.stem}-{os.getpid()}.npz")
    np.savez_compressed(half, **arrays)  # type: ignore[arg-type] # arrays and numbers only
    half.replace(path)


def record(case: Case) -> Recording:
    """Simulate a case, or take it from the cache of this machine.

    10 Hz is every second sample of 20 Hz: the same pump, noise and strokes, only looked at less.
    """
    if case.rate_hz == 10.0:
        whole = record(replace(case, rate_hz=20.0))
        return replace(whole, block=every_second(whole.block))
    spec = draw_family(case.seed)
    draws, onset, end = lay_out(case.kind, case.seed)
    text = f"{SIMULATOR}/{case.id}/{case.severity}/{spec}/{draws}"
    name = hashlib.sha256(text.encode()).hexdigest()[:20]
    path = cache() / f"{name}.npz"
    spans = tuple((d.start_ts, d.end_ts) for d in draws)
    if path.exists():
        with np.load(path) as z:
            block = Block(float(z["t0"]), float(z["dt"]), z["p"], z["s"], z["d"], z["a"])
        return Recording(block, spans, onset, spec)
    faults = [Fault(str(case.kind), onset, severity=case.severity, variant=case.variant)]
    trace = simulate(
        spec,
        draws,
        faults,
        t0_ts=T0,
        duration_s=end - T0,
        rate_hz=case.rate_hz,
        seed=case.seed,
        fitted=Fitted(demand=True, air=True),
        climate=Climate(),
    )
    block = Block(
        trace.t0_ts,
        trace.dt_s,
        trace.pressure_pa,
        trace.stroke_ts,
        trace.demand,
        trace.air_pa,
    )
    keep(
        path,
        t0=block.t0_ts,
        dt=block.dt_s,
        p=block.pressure_pa.astype(np.float32),
        s=block.stroke_ts,
        d=np.asarray(block.demand, np.float32),
        a=np.asarray(block.air_pa, np.float32),
    )
    return Recording(block, spans, onset, spec)


def every_second(b: Block) -> Block:
    """A block at half its rate."""
    demand = None if b.demand is None else b.demand[::2]
    air = None if b.air_pa is None else b.air_pa[::2]
    return Block(b.t0_ts, 2 * b.dt_s, b.pressure_pa[::2], b.stroke_ts, demand, air)


def pump_of(spec: PumpSpec, *, fitted: bool) -> Pump:
    """The site entry of a virtual pump: only what a site file holds."""
    area = np.pi / 4 * 0.0095**2
    return Pump(
        id="p1",
        fluid=Fluid(
            specific_gravity=spec.fluid.density_kg_m3 / 998.2,
            viscosity_pa_s=spec.fluid.viscosity_pa_s,
        ),
        displacement_ml=spec.displacement_ml,
        displacement_known=True,
        air_set_pa=spec.set_pa,
        lift_m=spec.lift_m,
        suction=Line(length_m=max(spec.suction_length_m, 0.1), bore_m=spec.suction_bore_m),
        discharge=Line(length_m=max(1.0, spec.line_volume_ml * 1e-6 / area), bore_m=0.0095),
        sensors=Sensors(demand=fitted, air=fitted),
    )


def site_of(spec: PumpSpec, *, fitted: bool) -> Site:
    """A site with this one pump."""
    return Site(id="bench", pumps=(pump_of(spec, fitted=fitted),))


def cases(kinds: tuple[Kind, ...], seeds: tuple[int, ...], rate_hz: float = 20.0) -> list[Case]:
    """One case per kind and seed; variants take turns over the seeds."""
    out = []
    for kind in kinds:
        names = VARIANTS.get(kind, ("",))
        out += [Case(kind, s, names[i % len(names)], rate_hz) for i, s in enumerate(seeds)]
    return out
