"""Quantities against truth: what a finding, a feature or a report says, beside what was simulated.

Each row: how many cases spoke, the median error as a share of the truth (bias with its sign, and
size), and the share of cases whose truth lies inside the interval told (95 % Wilson).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from statistics import median

import numpy as np
from cases import Case, Recording, pump_of, record, site_of
from score import findings
from table import Report, Row, wilson

from edge.virtual import demand, faults
from edge.virtual import kernel as k
from edge.virtual.params import parameters
from edge.virtual.run import PumpRun
from edge.virtual.spec import ML, Draw, draw_family
from monitor.advice.kinds import Kind
from monitor.detectors.finding import Evidence, Finding, Presence
from monitor.detectors.watch import SiteWatch
from monitor.hydraulics import suction
from monitor.reports import drums
from monitor.reports.leaks import leak_ml_min
from monitor.signals.types import Episode

LULL_S = 900.0
LEAK_ML_MIN = 60.0
GAS_DISPLACEMENTS = 6.0
SLIP = 0.15


@dataclass(frozen=True, slots=True)
class Told:
    """One quantity in one case: truth, what was told (None = nothing), and its interval."""

    truth: float
    value: float | None
    low: float | None = None
    high: float | None = None

    @property
    def inside(self) -> bool:
        """Truth inside the interval; an open end holds everything."""
        low = -np.inf if self.low is None else self.low
        return bool(low <= self.truth <= (np.inf if self.high is None else self.high))


def evidence(said: Sequence[Finding], kind: Kind, name: str) -> list[Evidence]:
    """This number in every YES of the kind, in time order."""
    yes = [f for f in said if f.kind is kind and f.presence is Presence.YES]
    return [e for f in yes for e in f.evidence if e.name == name and e.value is not None]


def last(truth: float, said: Sequence[Finding], kind: Kind, name: str) -> Told:
    """The latest word on it, with its limits."""
    found = evidence(said, kind, name)
    return (
        Told(truth, found[-1].value, found[-1].low, found[-1].high) if found else Told(truth, None)
    )


def leak_truth(recording: Recording) -> float:
    """mL/min that leaks at the pressure the line holds; LEAK_ML_MIN is at the air's set pressure,
    and an orifice follows the root."""
    ts = recording.block.t0_ts + recording.block.dt_s * np.arange(len(recording.block.pressure_pa))
    quiet = (ts >= recording.onset_ts + 20.0) & (ts < recording.onset_ts + LULL_S)
    held_pa = float(np.nanmedian(recording.block.pressure_pa[quiet]))
    return LEAK_ML_MIN * (held_pa / recording.spec.set_pa) ** 0.5


def leak_found(seed: int) -> Told:
    """mL/min in the finding, its last word within the quiet quarter of an hour after the onset."""
    case = Case(Kind.NO_DEMAND, seed)
    recording = record(case)
    said = [f for f in findings(recording, fitted=False) if f.ts <= recording.onset_ts + LULL_S]
    return last(leak_truth(recording), said, Kind.NO_DEMAND, "leak")


def leak_counted(seed: int) -> Told:
    """mL/min from the strokes of that quarter of an hour, as the leak report counts them."""
    recording = record(Case(Kind.NO_DEMAND, seed))
    start, end = recording.onset_ts + 20.0, recording.onset_ts + LULL_S
    strokes = recording.block.stroke_ts
    count = int(((strokes >= start) & (strokes < end)).sum())
    got = leak_ml_min(count, end - start, recording.spec.displacement_ml)
    return Told(leak_truth(recording), got.value, got.low, got.high)


def episodes(case: Case) -> list[Episode]:
    """Finished runs after the onset."""
    recording = record(case)
    watch = SiteWatch(site_of(recording.spec, fitted=False))
    block = recording.without()
    found = [*watch.push("p1", block).episodes, *watch.finish("p1").episodes]
    return [e for e in found if e.start_ts > recording.onset_ts and e.what == "draw"]


def gas(seed: int) -> Told:
    """mL at atmosphere as the airlock's finding tells it, from strokes or from soft dips: its last
    word, against the slug and what was in the line before."""
    recording = record(Case(Kind.AIRLOCK, seed, "slug"))
    truth = GAS_DISPLACEMENTS * recording.spec.displacement_ml
    return last(truth, findings(recording, fitted=False), Kind.AIRLOCK, "trapped gas")


def prime_expected(seed: int) -> Told:
    """Strokes a sound pump of the class takes from dry at an open function, against the band of a
    site file that says at what pressure its check and foot valves open."""
    spec = draw_family(seed)
    run = PumpRun(spec, [Draw(1.0, 200.0, tip_m=0.008)], [], t0_ts=0.0, seed=seed)
    run.advance(5.0)
    faults.refit(run.state, parameters(spec))
    before = run.state[k.N]
    for step in range(1, 1900):
        run.advance(5.0 + 0.1 * step)
        if run.state[k.SG] <= 0.0:
            break
    valves = {
        "check_valve_crack_pa": spec.check_crack_pa,
        "foot_valve_crack_pa": spec.foot_crack_pa,
    }
    pump = pump_of(spec, fitted=False).model_copy(update=valves)
    band = suction.strokes_to_prime(pump, discharge_pa=pump.check_valve_crack_pa)
    return Told(float(run.state[k.N] - before), band.middle, band.low, band.high)


def loss(seed: int) -> Told:
    """Share of each stroke that slips back, against 15 % more than before."""
    recording = record(Case(Kind.WORN, seed))
    return last(SLIP, findings(recording, fitted=False), Kind.WORN, "volumetric loss")


def ball(seed: int) -> Told:
    """mL/min that runs back through a bad inlet ball in a draw: 1/12 displacement a second at
    stall, and the root of the pressure's share of it (orifice) in the draws."""
    case = Case(Kind.BALL_LEAK, seed)
    recording = record(case)
    runs = [e.features for e in episodes(case) if e.features.get("demand_pa")]
    pressure = median(f["demand_pa"] or 0.0 for f in runs)
    at_stall = recording.spec.displacement_ml / 12.0 * 60.0
    truth = at_stall * float(pressure / recording.spec.set_pa) ** 0.5
    return last(truth, findings(recording, fitted=False), Kind.BALL_LEAK, "leak back")


def drum_days(seed: int) -> Told:
    """Days until a drum is empty, at the pace of eight weeks, from 20 to 90 % left."""
    rng = np.random.default_rng([seed, 41])
    spec, today = draw_family(seed), date(2026, 3, 2)
    pattern = ("self-serve", "in-bay", "tunnel")[seed % 3]
    per_s = spec.usual_flow_m3_s / ML / spec.displacement_ml
    start_ts = 1_772_409_600.0 - 56 * demand.DAY_S

    def strokes(day: int) -> float:
        at = start_ts + day * demand.DAY_S
        drawn = demand.draws(pattern, ("1", "2"), (at, at + demand.DAY_S), seed * 1000 + day)
        return sum(d.end_ts - d.start_ts for d in drawn) * per_s

    past = [strokes(d) for d in range(56)]
    days = [drums.Day(today - timedelta(days=56 - d), n) for d, n in enumerate(past)]
    # A drum that lasts one to three weeks, so that its end lies within the demand laid out.
    volume_ml = float(np.mean(past)) * spec.displacement_ml * float(rng.uniform(7, 21))
    since = float(rng.uniform(0.1, 0.8)) * volume_ml / spec.displacement_ml
    # What the site file says a stroke moves is off by up to the doubt of a catch test.
    said_ml = spec.displacement_ml * float(1 + rng.uniform(-1, 1) * drums.KNOWN_SHARE)
    usable_ml = volume_ml * (1 - float(rng.uniform(0, drums.LEFT_SHARE)))
    told = drums.forecast(
        drums.Drum(start_ts, volume_ml, since), drums.stroke(said_ml, known=True), days, today
    )
    left, day = usable_ml / spec.displacement_ml - since, 0
    while left > 0 and day < 90:
        used = strokes(56 + day)
        if used >= left:
            break
        left, day = left - used, day + 1
    truth = day + (left / used if left > 0 else 0.0)
    if told is None:
        return Told(truth, None)
    return Told(truth, told.days.value, told.days.low, told.days.high)


QUANTITIES: dict[str, Callable[[int], Told]] = {
    "leak in the finding, mL/min": leak_found,
    "leak as reported, mL/min (95 %)": leak_counted,
    "trapped gas in the finding, mL": gas,
    "strokes to prime (class band)": prime_expected,
    "volumetric loss, share": loss,
    "ball leaks back, mL/min": ball,
    "days until drum empty (90 %)": drum_days,
}


def measure(job: tuple[str, int]) -> tuple[str, Told]:
    """One quantity of one family."""
    name, seed = job
    return name, QUANTITIES[name](seed)


def todo(seeds: Sequence[int]) -> list[tuple[str, int]]:
    """Every quantity of every family."""
    return [(name, seed) for name in QUANTITIES for seed in seeds]


def show(found: Sequence[tuple[str, Told]], report: Report) -> list[Row]:
    """Print the table; the rows for the baseline."""
    report.say()
    report.say(
        "quantity                          told    bias    error   truth inside (95 % Wilson)"
    )
    out: list[Row] = []
    for name in QUANTITIES:
        own = [t for n, t in found if n == name]
        spoke = [t for t in own if t.value is not None]
        off = [(t.value or 0.0) / t.truth - 1.0 for t in spoke]
        ranged = [t for t in spoke if t.low is not None or t.high is not None]
        inside = sum(t.inside for t in ranged)
        low, high = wilson(inside, len(ranged)) if ranged else (0.0, 1.0)
        words = (
            f"{inside}/{len(ranged)} ({low:.2f} to {high:.2f})" if ranged else "no interval told"
        )
        bias, size = (median(off), median(abs(x) for x in off)) if off else (np.nan, np.nan)
        report.say(f"{name:32s} {len(spoke):3d}/{len(own):2d}  {bias:+6.1%}  {size:6.1%}   {words}")
        out.append(
            {"quantity": name, "n": len(own), "told": len(spoke), "inside": inside,
             "ranged": len(ranged), "error": round(float(size), 4)}
        )  # fmt: skip
    return out
