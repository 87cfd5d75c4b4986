"""Every finding of some simulated pumps, to hold a faster judgement to the slower one's words.

python tests/bench/speed/verdicts.py before.txt   (with the old code: writes the file)
python tests/bench/speed/verdicts.py before.txt   (with the new code: compares, exit 1 if unlike)
"""

import sys
from collections.abc import Iterator
from difflib import unified_diff
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "detection"))

import numpy as np
from cases import Case, record, site_of

from edge.virtual import life as scenes
from monitor.advice.kinds import Kind
from monitor.detectors.watch import SiteWatch
from monitor.service import bench_load as load
from monitor.signals.types import Block, Episode
from monitor.site import Pump, Site

SEEDS = (2000, 2001, 2002, 2003)
SHOWN, WIDE = 12, 240


def pieces(block: Block, length_s: float = 600.0) -> Iterator[Block]:
    """The block in pieces of this length."""
    step = round(length_s / block.dt_s)
    for first in range(0, len(block.pressure_pa), step):
        t0 = block.t0_ts + first * block.dt_s
        p = block.pressure_pa[first : first + step].astype(np.float64)
        end = t0 + len(p) * block.dt_s
        s = block.stroke_ts[(block.stroke_ts >= t0) & (block.stroke_ts < end)]
        d, a = (
            None if x is None else x[first : first + step].astype(np.float64)
            for x in (block.demand, block.air_pa)
        )
        yield Block(t0, block.dt_s, p, s, d, a)


def told(name: str, site: Site, blocks: Iterator[Block]) -> Iterator[str]:
    """A line for each finding and each finished episode."""
    watch, pump = SiteWatch(site), site.pumps[0].id
    for block in blocks:
        outcome = watch.push(pump, block)
        yield from (f"{name} {finding!r}" for finding in outcome.findings)
        yield from (f"{name} {words(episode)}" for episode in outcome.episodes)
    yield from (f"{name} {finding!r}" for finding in watch.finish(pump).findings)
    yield f"{name} {watch.now(pump)!r}"


def words(e: Episode) -> str:
    """An episode with every feature to the last digit."""
    known = {k: v for k, v in sorted(e.features.items()) if v is not None}
    return f"{e.what} {e.start_ts} {e.end_ts} {e.strokes} {known}"


def lines() -> Iterator[str]:
    """Every kind of fault with and without the optional signals, a busy day, two quiet ones."""
    for kind in Kind:
        if kind in (Kind.UNUSUAL, Kind.NODE_SILENT):
            continue
        for seed in SEEDS:
            record(Case(kind, seed))
            made = record(Case(kind, seed))  # from the cache, which keeps four bytes a sample
            yield from told(
                f"{kind}/{seed}/fitted", site_of(made.spec, fitted=True), pieces(made.block, 1.0)
            )
            yield from told(
                f"{kind}/{seed}/bare", site_of(made.spec, fitted=False), pieces(made.without())
            )
    busy = Site(id="s0", pumps=(Pump(id="p0"),))
    yield from told("busy", busy, load.day(24.0))
    for seed in SEEDS:
        scene, trace = scenes.healthy(seed, 2.0)
        block = Block(trace.t0_ts, trace.dt_s, trace.pressure_pa, trace.stroke_ts)
        yield from told(f"healthy/{seed}", site_of(scene.spec, fitted=False), pieces(block))


def main(path: Path) -> int:
    """Write the file, or compare with it."""
    now = list(lines())
    if not path.exists():
        path.write_text("\n".join(now), encoding="utf-8")
        print(f"{len(now)} lines written")
        return 0
    before = path.read_text(encoding="utf-8").split("\n")
    unlike = list(unified_diff(before, now, "before", "now", n=0, lineterm=""))
    print(f"{len(now)} lines, before {len(before)}, {len(unlike)} lines of difference")
    print("\n".join(line[:WIDE] for line in unlike[:SHOWN]))
    return 1 if unlike else 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1])))
