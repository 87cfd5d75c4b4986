"""Strokes that deliver nothing: many more of them, and neither pressure nor dips follow."""

from monitor.detectors.context import Context, steady
from monitor.detectors.curves import CURVE_M
from monitor.detectors.lost_prime import burst
from monitor.detectors.racing import ran_out
from monitor.signals.order import median
from monitor.signals.types import Episode

LIFT_SHARE = 1.6
"""Times the usual strokes for the pressure: two bays at once give more, gas that comes with the
liquid less (chosen)."""
IDLE_SOFT, IDLE_LEVEL, IDLE_GONE = 0.7, 0.99, 0.3
"""Dips under 0.7 of the usual at 0.99 of its pressure, or under 0.3 along the pump's own curve: two
bays at once follow the curve and dig deeper dips."""
EVEN = 0.1
HALF_GAS = 2.0
"""Spread of the strokes' times over which gas comes in with the liquid; twice that where more than
half of each stroke is gas, for a line that draws in so much delivers next to nothing (chosen)."""
RANGE_TO_SIGMA = (1.128, 1.693, 2.059, 2.326)
"""Expected range of two to five values of a normal law, in sigmas (the d2 of control charts;
L. Tippett, Biometrika 17, 1925)."""
SLACKER, MOST_SLOPE = 3.2, 0.8
"""Times the usual compliance (flow over slope), and the share of the usual slope that is no noise:
two bays at once make the pressure fall the faster (chosen)."""
HELD_SHARE = 0.8
"""Of the usual pressure: the curve is not followed further down than it was computed (chosen)."""
LEVEL_Z = 5.0
"""Spreads of the pressure by which the curve must lie lower, for its staying to say anything."""
RAISED = 1.05
"""Of the stall before and the usual one: strokes against more push the line up to more air (chosen:
a surge leaves it a few percent over the pump)."""
SAME_DIPS, SAME_PRESSURE = 1.1, 0.002
"""As deep, and as high, as ever: more flow digs deeper dips (dead time x flow) and costs pressure,
if little of it where most of a pump's loss does not go with the flow (chosen)."""


def idle_gas(event: Episode, context: Context) -> bool:
    """Many times the strokes at no less pressure: strokes that deliver nothing."""
    f = event.features
    if ran_out(event, context) or _coming(context, event.strokes):
        return False  # gas that came with the liquid
    if not (steady(event) or _quick_throughout(event, context)):
        return False  # a second bay
    usual, rate = context.of("conductance"), f.get("conductance")
    if usual is None or rate is None or rate <= LIFT_SHARE * usual or event.strokes < 2:
        return False
    if (f.get("demand_pa") or 0.0) > RAISED * max(
        f.get("stall_before_pa") or 0.0, context.stall_pa
    ):
        return False  # they fill the line up to more air
    cv, found = _unevenness(event), burst(event, context)
    rested = (f.get("rest_before_s") or 0.0) >= 120.0
    even = EVEN if rested or rate < HALF_GAS * usual else 2.0 * EVEN
    if cv > even or (f.get("asymmetry") or 0.0) > 0.2:
        return False  # ragged: gas comes in with the liquid; alternating: one side
    if rested and found is not None and found[1] and found[0] >= 2:
        return False  # a burst that heals is a suction line that had run empty
    return _undelivered(event, context, rate / usual)


def _unevenness(event: Episode) -> float:
    """Spread of the strokes' times, as a share. Of two to five times the range tells it (a median
    deviation of three, two of them alike, is nothing)."""
    t = event.intervals_s
    if not 2 <= len(t) < 2 + len(RANGE_TO_SIGMA):
        return event.features.get("interval_cv") or 0.0
    return float(t.max() - t.min()) / median(t) / RANGE_TO_SIGMA[len(t) - 2]


def _quick_throughout(event: Episode, context: Context) -> bool:
    """Was every single stroke as quick as that, to the end?"""
    usual, t = context.of("interval_s"), event.intervals_s
    if event.open_:
        return False
    return usual is not None and len(t) > 0 and float(t.max()) * LIFT_SHARE < usual


def _undelivered(event: Episode, context: Context, times: float) -> bool:
    """Do so many times the strokes leave the pressure, or their dips, as no flow would?

    Two bays at once stroke as fast, take the pressure down the pump's own curve and dig deeper
    dips.
    """
    pressure, usual_pa = event.features.get("demand_pa"), context.of("demand_pa")
    firm = context.against("dip_pa", event.features.get("dip_pa"), 0.01)
    spread = context.usual["demand_pa"].spread
    if pressure is None or usual_pa is None or firm is None or spread is None:
        return False
    on_curve = _on_curve(context.stall_pa, usual_pa, times)
    plain = usual_pa - on_curve > LEVEL_Z * max(spread, 0.003 * usual_pa)
    deep = context.against("dip_max_pa", event.features.get("dip_max_pa"), 0.01)
    deeper = firm.ratio >= SAME_DIPS or (deep is not None and deep.ratio >= SAME_DIPS)
    same = not deeper and pressure > usual_pa - max(spread, SAME_PRESSURE * usual_pa)
    if same and plain and context.one_outlet and event.strokes > 2:
        return True
    if event.strokes == 2 and (deep is None or deep.ratio > IDLE_SOFT):
        return False  # one quick stroke: a bay came in between, unless no dip is firm
    held = pressure > max(on_curve, HELD_SHARE * usual_pa)
    if held and (firm.ratio < IDLE_GONE or _slack(event, context, times)):
        return True
    return firm.ratio < IDLE_SOFT and pressure > IDLE_LEVEL * usual_pa


def _slack(event: Episode, context: Context, times: float) -> bool:
    """Does the pressure fall more slowly at each reversal, where so many times the flow would make
    it fall faster? Not while a suction line that ran empty may yet heal."""
    if event.open_:
        return False
    slope = context.against("fall_pa_s", event.features.get("fall_max_pa_s"), 0.01)
    return slope is not None and slope.ratio < min(times / SLACKER, MOST_SLOPE)


def _coming(context: Context, strokes: int) -> bool:
    """The draw before took more strokes already, but not yet so many: gas on its way in. Of two
    strokes, more already is enough: the one quick stroke may be one side's."""
    past = [e for e in context.recent if e.strokes >= 3]
    usual = context.of("conductance")
    k = past[-1].features.get("conductance") if past else None
    most = LIFT_SHARE * (usual or 0.0) if strokes > 2 else float("inf")
    return bool(usual and k and 1.15 * usual < k < most)


def _on_curve(stall_pa: float, usual_pa: float, times: float) -> float:
    """Pressure (Pa) a pump holds that strokes so many times as fast as usual, by its own losses."""
    return float(stall_pa - max(0.0, stall_pa - usual_pa) * times**CURVE_M)
