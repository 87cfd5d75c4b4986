"""Simulated hours a second of one pump at 20 Hz on one core: python virtual_speed.py."""

import sys
import time

from edge.virtual.demand import draws
from edge.virtual.run import simulate
from edge.virtual.spec import Draw, Fault, PumpSpec, draw_family

T0 = 1_772_521_200.0
DAY_S = 86_400.0


def timed(spec, plan, days, faults=()):
    """CPU seconds: other programs on the machine do not count."""
    began = time.process_time()
    trace = simulate(spec, plan, faults, t0_ts=T0, duration_s=days * DAY_S, seed=1)
    return time.process_time() - began, len(trace.stroke_ts)


def main() -> None:
    timed(PumpSpec(), [Draw(T0 + 1, T0 + 5)], 0.001)
    span = (T0, T0 + 2 * DAY_S)
    cases = [
        ("self-serve, default pump", PumpSpec(), draws("self-serve", ("1", "2"), span, 1), ()),
        ("self-serve, family 3", draw_family(3), draws("self-serve", ("1", "2"), span, 1), ()),
        ("tunnel, family 5", draw_family(5), draws("tunnel", ("1", "2"), span, 1), ()),
        ("nothing but rest", PumpSpec(), [], ()),
        ("leak 60 mL/min", PumpSpec(), [], (Fault("running with no demand", T0),)),
        ("drawing all the time", PumpSpec(), [Draw(*span)], ()),
        ("dry all the time", PumpSpec(), [], (Fault("missed prime", T0 + 1),)),
    ]
    for name, spec, plan, faults in cases:
        days = 0.1 if "all the time" in name else 2.0
        busy = sum(min(d.end_ts, T0 + days * DAY_S) - d.start_ts for d in plan) / (days * DAY_S)
        cpu_s, strokes = timed(spec, plan, days, faults)
        sys.stdout.write(
            f"{name:28s} busy {busy:5.1%}  {strokes:7d} strokes  "
            f"{days * 24 / cpu_s:8.1f} h a second  = {days * DAY_S / cpu_s:8.0f} x real time\n"
        )


if __name__ == "__main__":
    main()
