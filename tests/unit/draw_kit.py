"""Draws as detectors get them, of a made-up pump of one outlet, and the context it leaves."""

import numpy as np

from monitor.detectors.base import Detector
from monitor.detectors.context import Context
from monitor.detectors.finding import Presence
from monitor.signals.scales import Scales
from monitor.signals.strokes import rhythm
from monitor.signals.types import Episode
from monitor.site import Pump, Site

T0 = 1_750_000_000.0
STALL_PA, DEMAND_PA, DIP_PA, INTERVAL_S = 400_000.0, 380_000.0, 60_000.0, 4.0
FALL_PA_S = 400_000.0
"""Steepest fall at a reversal: the flow over the line's compliance."""
SAW_S = 0.3
PUMP = Pump(id="p", displacement_ml=60.0)
LATER = T0 + 9000.0


def draw(start_ts: float, intervals: list[float], **more: float | None) -> Episode:
    """A closed draw of this pump with the features its strokes give; `more` overrides."""
    at = start_ts + np.concatenate(([1.0], 1.0 + np.cumsum(intervals)))
    features = {
        "demand_pa": DEMAND_PA if intervals else None,
        "drawn_pa": None if intervals else DEMAND_PA,
        "dip_pa": DIP_PA,
        "dip_max_pa": 1.05 * DIP_PA,
        "deepest_pa": DIP_PA,
        "dips": float(len(at)),
        "dip_s": 0.3,
        "fall_pa_s": FALL_PA_S,
        "fall_max_pa_s": 1.02 * FALL_PA_S,
        "saw_s": SAW_S,
        "stall_before_pa": STALL_PA,
        "stall_after_pa": STALL_PA,
        "rest_before_s": 30.0,
        "fell_pa": 15_000.0,
        **rhythm(at),
        **more,
    }
    rate, demand = features["rate_hz"], features["demand_pa"]
    features["conductance"] = rate / demand**0.5 if rate and demand else None
    return Episode("p", "draw", start_ts, float(at[-1]) + 10.0, False, len(at), features, at)


def known_pump(
    pressure_cv: float = 0.001, interval_s: float = INTERVAL_S, dip_cv: float = 0.02
) -> Context:
    """What is known of the pump after forty draws of four to eight strokes that repeat within 1 %
    (slopes within 2 %, dips within dip_cv, pressures within pressure_cv)."""
    context = Context(Site(id="s", pumps=(PUMP,)), PUMP, Scales.of(PUMP))
    rng = np.random.default_rng(3)
    for n in range(40):
        strokes = [interval_s * (1.0 + 0.01 * rng.standard_normal())] * int(rng.integers(3, 8))
        a, b, c, d, e, f = rng.standard_normal(6)
        context.learn(
            draw(
                T0 + 200.0 * n,
                strokes,
                demand_pa=DEMAND_PA * (1.0 + pressure_cv * a),
                dip_pa=DIP_PA * (1.0 + dip_cv * b),
                dip_max_pa=1.05 * DIP_PA * (1.0 + 0.02 * c),
                fall_pa_s=FALL_PA_S * (1.0 + 0.02 * d),
                stall_after_pa=STALL_PA * (1.0 + 0.002 * e),
                saw_s=SAW_S * (1.0 + 0.01 * f),
            )
        )
    return context


def lives(detector: Detector, events: list[Episode], context: Context) -> list[Presence]:
    """What a detector says of draws, each learnt after it."""
    out = []
    for event in events:
        out.append(detector.update(event, context).presence)
        context.learn(event)
    return out


def tells(detector: Detector, events: list[Episode], context: Context) -> bool:
    """Does a detector tell its kind at any of these draws?"""
    return Presence.YES in lives(detector, events, context)
