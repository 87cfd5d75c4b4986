"""Normal life through the detectors: what is raised where nothing is wrong."""

import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

from cases import site_of
from scipy.stats import chi2
from score import piece, raises
from table import Report

from edge.virtual import life as scenes
from edge.virtual.trace import Trace
from monitor.detectors.finding import Presence
from monitor.detectors.watch import SiteWatch
from monitor.signals.types import Block

LIFE = ("healthy", "saturday", "cold morning", "set point", "drum swap", "pump change")
LIFE_MORE = ("quiet nights", "chatter", "network gaps", "clock change", "rare bay",
             "second bay", "high line")  # fmt: skip
OURS = ("second bay", "high line")
"""Scenes of our own: an outlet that nobody announced, a line that holds what a surge left."""
MONTH_DAYS = 30.0
LOGGED = {"set point": "set point changed", "air on": "pump changed"}
"""What a person writes into the work log: a set point that was turned, a pump that was changed."""


@dataclass(frozen=True, slots=True)
class Calm:
    """One recording of normal life: days, CPU seconds of the detectors, alarms raised."""

    name: str
    seed: int
    days: float
    cpu_s: float
    alarms: dict[str, int]


def blocks(trace: Trace) -> Iterator[Block]:
    """Hours of what was sent; silent stretches are holes."""
    whole = Block(trace.t0_ts, trace.dt_s, trace.pressure_pa, trace.stroke_ts)
    edges = [0]
    for start, end in trace.silence:
        edges += [int((start - trace.t0_ts) / trace.dt_s), int((end - trace.t0_ts) / trace.dt_s)]
    edges.append(len(trace.pressure_pa))
    hour = round(3600.0 / trace.dt_s)
    for lo, hi in zip(edges[::2], edges[1::2], strict=True):
        for a in range(lo, hi, hour):
            yield piece(whole, a, min(a + hour, hi))


def calm(job: tuple[str, int]) -> Calm:
    """Build and watch one case."""
    name, seed = job
    scene, trace = scenes.healthy(seed, 2.0) if name == "healthy" else scenes.build(name, seed)
    watch = SiteWatch(site_of(scene.spec, fitted=False))
    notes = [(c.ts, LOGGED[c.kind]) for c in scene.changes if c.kind in LOGGED]
    standing: dict[str, Presence] = {}
    raised: Counter[str] = Counter()
    started = time.process_time()
    for block in blocks(trace):
        while notes and notes[0][0] < block.end_ts:
            ts, kind = notes.pop(0)
            watch.note("p1", kind, ts)
        for finding in watch.push("p1", block).findings:
            kind = str(finding.kind)
            if finding.presence is Presence.YES and not raises(finding):
                continue
            if finding.presence is Presence.YES and standing.get(kind) is not Presence.YES:
                raised[kind] += 1
            standing[kind] = finding.presence
    cpu = time.process_time() - started
    return Calm(name, seed, scene.duration_s / 86_400.0, round(cpu, 2), dict(raised))


def monthly(alarms: int, days: float) -> tuple[float, float, float]:
    """Alarms a pump-month with exact 95 % Poisson limits (Garwood, Biometrika 28, 1936)."""
    low = chi2.ppf(0.025, 2 * alarms) / 2 if alarms else 0.0
    high = chi2.ppf(0.975, 2 * alarms + 2) / 2
    per = MONTH_DAYS / days
    return alarms * per, float(low) * per, float(high) * per


def show_life(results: list[Calm], report: Report) -> dict[str, object]:
    """Print normal life, scene by scene and together; give the totals."""
    report.say()
    for name in dict.fromkeys(c.name for c in results):
        own = [c for c in results if c.name == name]
        days = sum(c.days for c in own)
        raised = sum((Counter(c.alarms) for c in own), Counter[str]())
        rate, low, high = monthly(sum(raised.values()), days)
        where = ", ".join(f"{c.seed}: {c.alarms}" for c in own if c.alarms)
        report.say(
            f"{name:16s} {len(own):2d} pumps {days:5.1f} d {sum(c.cpu_s for c in own):6.1f} s CPU  "
            f"{rate:6.2f} a pump-month ({low:.2f} to {high:.2f})  {where or 'none'}"
        )
    listed = _total([c for c in results if c.name not in OURS], "without our own scenes", report)
    n, days = _total(results, "all scenes", report)
    return {"alarms": n, "days": days, "listed_alarms": listed[0], "listed_days": listed[1]}


def _total(results: list[Calm], which: str, report: Report) -> tuple[int, float]:
    """Print and give alarms and days of some scenes together."""
    days = sum(c.days for c in results)
    n = sum(sum(c.alarms.values()) for c in results)
    if days:
        rate, low, high = monthly(n, days)
        report.say(
            f"{which}: {n} false alarms in {days:.0f} pump-days: {rate:.2f} a pump-month "
            f"(95 % Poisson {low:.2f} to {high:.2f})"
        )
    return n, round(days, 1)
