"""A healthy simulated week of three pumps raises nothing."""

import numpy as np
import pytest

from edge.virtual import demand
from edge.virtual.run import Fitted, simulate
from edge.virtual.spec import draw_family
from monitor.alarms.grouping import Family
from monitor.alarms.machine import AlarmMachine
from monitor.alarms.policy import default_policy
from monitor.detectors.watch import SiteWatch
from monitor.signals.types import Block
from monitor.site import Line, Pump, Sensors, Site

pytestmark = pytest.mark.slow

DAY_S = 86_400.0
T0 = 1_770_000_000.0
PUMPS = (("self-serve", 101, False), ("in-bay", 102, True), ("tunnel", 103, False))


def pump_of(name: str, seed: int, *, has_demand: bool) -> Pump:
    spec = draw_family(seed)
    return Pump(
        id=name,
        displacement_ml=spec.displacement_ml,
        air_set_pa=spec.set_pa,
        lift_m=spec.lift_m,
        suction=Line(length_m=spec.suction_length_m, bore_m=spec.suction_bore_m),
        sensors=Sensors(demand=has_demand),
        air_supply=f"air-{name}",
    )


def test_nothing_is_raised() -> None:
    pumps = tuple(pump_of(n, seed, has_demand=d) for n, seed, d in PUMPS)
    supplies = tuple({"id": p.air_supply} for p in pumps)
    site = Site.model_validate(
        {"id": "fern", "pumps": [p.model_dump() for p in pumps], "air_supplies": supplies}
    )
    watch = SiteWatch(site)
    machine = AlarmMachine(default_policy, site="fern", family=Family.of(site))
    raised = {}
    for day in range(7):
        start_ts = T0 + day * DAY_S
        for name, seed, has_demand in PUMPS:
            draws = demand.draws(name, ("1", "2"), (start_ts, start_ts + DAY_S), seed + day)
            trace = simulate(
                draw_family(seed), draws, t0_ts=start_ts, duration_s=DAY_S, rate_hz=20.0,
                seed=seed + day, fitted=Fitted(demand=has_demand),
            )  # fmt: skip
            ends = np.arange(600.0, DAY_S + 1.0, 600.0)
            for end_s in ends:
                i, j = round((end_s - 600.0) * 20), round(end_s * 20)
                t0 = start_ts + end_s - 600.0
                strokes = trace.stroke_ts
                block = Block(
                    t0, 0.05, trace.pressure_pa[i:j],
                    strokes[(strokes >= t0) & (strokes < t0 + 600.0)],
                    None if trace.demand is None else trace.demand[i:j],
                )  # fmt: skip
                outcome = watch.push(name, block)
                for change in machine.update(outcome.findings, block.end_ts):
                    if change.after is not None and change.after.raised_ts is not None:
                        raised[change.after.id] = change.after.sentence
    assert raised == {}, "\n".join(f"{name}: {said}" for name, said in raised.items())
