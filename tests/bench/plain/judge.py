"""Detectors on the plain pumps: `python tests/bench/plain/judge.py [pumps] [rate_hz]`.

Each pump runs an hour; the fault begins after 20 or 40 minutes (by seed). Prints for each kind how
often it was told (any cause on the right side, and the very kind), after how many draws, and the
false alarms before the onset. Nothing here was used to choose a threshold.
"""

import sys
from collections import Counter
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from plain_pump import draw_pump, draws_of, fault, run, table

from monitor.advice.kinds import SIDE, Kind
from monitor.alarms.machine import AlarmMachine
from monitor.alarms.policy import default_policy
from monitor.detectors.watch import SiteWatch
from monitor.signals.types import Block
from monitor.site import Line, Pump, Sensors, Site

KINDS = [
    "none", "running with no demand", "missed prime", "airlock", "low air", "high air", "air sag",
    "wet air / icing", "air valve stalled", "lost prime", "restricted suction", "air in suction",
    "drum empty", "no flow on demand", "leaking check ball",
]  # fmt: skip
T0 = 1_770_000_000.0


def site_of(p, *, demand):
    return Site(
        id="s",
        pumps=(
            Pump(
                id="p", displacement_ml=p.displacement_ml, air_set_pa=p.air_pa,
                lift_m=p.lift_pa / 9806.65,
                suction=Line(length_m=max(p.prime_ml / 125.0, 0.5), bore_m=0.0126),
                sensors=Sensors(demand=demand),
            ),
        ),
    )  # fmt: skip


def alarms_of(p, kind, seed, rate_hz, *, demand, duration_s=3600.0):
    onset_s = 1200.0 if seed % 2 else 2400.0
    draws = draws_of(seed, duration_s)
    control = table(p, draws, duration_s)
    is_open = (control[:, 1] > 0).astype(float)
    if kind != "none":
        control = fault(p, control, kind, onset_s, draws)
    pressure, strokes = run(p, control, seed, rate_hz)
    watch = SiteWatch(site_of(p, demand=demand))
    machine = AlarmMachine(default_policy, site="s")
    seen = {}
    step = round(10 * rate_hz)
    for i in range(0, len(pressure), step):
        t0 = i / rate_hz
        part = pressure[i : i + step]
        stroke_ts = strokes[(strokes >= t0) & (strokes < t0 + 10.0)] + T0
        signal = None
        if demand:
            at = ((t0 + np.arange(len(part)) / rate_hz) * 10).astype(int)
            signal = is_open[np.minimum(at, len(is_open) - 1)]
        block = Block(T0 + t0, 1 / rate_hz, part, stroke_ts, signal)
        outcome = watch.push("p", block)
        for change in machine.update(outcome.findings, block.end_ts):
            if change.after is not None and change.after.raised_ts is not None:
                seen[change.after.id] = change.after
    for change in machine.tick(T0 + duration_s + 60):
        if change.after is not None and change.after.raised_ts is not None:
            seen[change.after.id] = change.after
    return onset_s, draws, [(a.kind.value, a.raised_ts - T0) for a in seen.values()]


def main(pumps=20, rate_hz=20.0):
    for demand in (False, True):
        print(f"demand {'fitted' if demand else 'not fitted'}, {rate_hz:g} Hz, {pumps} pumps")
        for kind in KINDS:
            told = right = side = 0
            delays, before, others = [], Counter(), Counter()
            for seed in range(pumps):
                onset, draws, alarms = alarms_of(
                    draw_pump(seed), kind, seed, rate_hz, demand=demand
                )
                before.update(k for k, t in alarms if kind == "none" or t < onset)
                after = [(k, t) for k, t in alarms if kind != "none" and t >= onset]
                if not after:
                    continue
                told += 1
                names = [k for k, _ in after]
                right += kind in names
                side += kind != "none" and SIDE[Kind(kind)] in {SIDE[Kind(k)] for k in names}
                hit = [t for k, t in after if k == kind]
                if hit:
                    delays.append(sum(onset <= a < min(hit) for a, _, _ in draws))
                others.update(k for k in names if k != kind)
            mid = f"{np.median(delays):.0f}/{np.quantile(delays, 0.95):.0f}" if delays else "-"
            print(
                f"  {kind:24s} told {told:3d} kind {right:3d} side {side:3d} draws {mid:6s} "
                f"before {dict(before)} others {dict(others)}",
                flush=True,
            )


if __name__ == "__main__":
    main(*(float(a) if i else int(a) for i, a in enumerate(sys.argv[1:3])))
