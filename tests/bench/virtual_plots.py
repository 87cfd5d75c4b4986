"""Draws each fault beside the normal pump, to be looked at: python virtual_plots.py OUT_FOLDER."""

import sys
from pathlib import Path

import matplotlib as mpl

mpl.use("Agg")
import matplotlib.pyplot as plt
import numpy as np

from edge.virtual.faults import MEANING, VARIANTS
from edge.virtual.run import Fitted, simulate
from edge.virtual.spec import PSI, Draw, Fault, PumpSpec

T0 = 1_700_000_000.0
SPAN_S = 900.0
ONSET_S = 240.0


def panel(axis, spec, faults, title):
    rng = np.random.default_rng(5)
    draws, ts = [], T0 + 5
    while ts < T0 + SPAN_S - 60:
        length_s = float(rng.uniform(8, 40))
        draws.append(Draw(ts, ts + length_s))
        ts += length_s + float(rng.uniform(20, 60))
    trace = simulate(
        spec, draws, faults, t0_ts=T0, duration_s=SPAN_S, seed=2, fitted=Fitted(demand=True)
    )
    seconds = trace.times() - T0
    axis.plot(seconds, trace.pressure_pa / PSI, lw=0.4)
    axis.fill_between(seconds, -6, -2, where=trace.demand > 0.5, color="0.6")
    axis.plot(trace.stroke_ts - T0, np.full(len(trace.stroke_ts), 100.0), "k|", ms=4, mew=0.4)
    axis.set_title(f"{title}  ({len(trace.stroke_ts)} strokes)", fontsize=7)
    axis.set_ylim(-8, 130)
    axis.axvline(ONSET_S, color="r", lw=0.5)
    axis.tick_params(labelsize=6)


def main(folder: Path) -> None:
    cases = [(kind, v) for kind in MEANING for v in VARIANTS.get(kind, ("",))]
    folder.mkdir(parents=True, exist_ok=True)
    spec = PumpSpec(lift_m=0.8)
    for page in range(0, len(cases), 7):
        figure, axes = plt.subplots(8, 1, figsize=(15, 17), sharex=True)
        panel(axes[0], spec, [], "normal")
        for axis, (kind, variant) in zip(axes[1:], cases[page : page + 7], strict=False):
            panel(axis, spec, [Fault(kind, T0 + ONSET_S, variant=variant)], f"{kind} {variant}")
        figure.tight_layout()
        figure.savefig(folder / f"faults-{page // 7}.png", dpi=75)
        plt.close(figure)


if __name__ == "__main__":
    main(Path(sys.argv[1]))
