"""Normal life through the detectors: what is raised where nothing is wrong."""

import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass

from cases import site_of
from score import piece

from edge.virtual import life as scenes
from edge.virtual.trace import Trace
from monitor.detectors.finding import Presence
from monitor.detectors.watch import SiteWatch
from monitor.signals.types import Block

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
            if finding.presence is Presence.YES and standing.get(kind) is not Presence.YES:
                raised[kind] += 1
            standing[kind] = finding.presence
    cpu = time.process_time() - started
    return Calm(name, seed, scene.duration_s / 86_400.0, round(cpu, 2), dict(raised))
