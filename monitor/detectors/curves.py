"""Where a draw lies between its outlet's curve and the pump's: has it sunk along the former?

Pressure and rate that fall together (f / sqrt P unchanged) mean less air, less suction or a
slower exhaust; the outlet is as it was.
"""

from dataclasses import dataclass

from monitor.detectors.context import Context, once, steady
from monitor.detectors.outlets import Shift
from monitor.signals.types import Episode
from monitor.units import PA_PER_PSI

LEAST_PA = 0.8 * PA_PER_PSI
LEAST_SHARE = 0.025
"""Of the stall pressure: a cold morning's thicker chemical stays under it (chosen)."""
Z = 5.0
SAME_OUTLET = 0.06
DEEPER = 1.12
STARVED_SHARE = 0.9
STARVED_MORE = 1.3
"""Chambers that fill partly with vapour stroke more for the same liquid (5 to 43 % at 0.05 to 0.3
of vapour, computed): allowed when pressure is down by a tenth."""
SLOW_SHARE = 0.10
"""Of the stall pressure, over weeks: a season's thicker chemical stays under it (chosen)."""
SLOW_DRAWS, SLOW_LEAST = 20, 10
"""Draws looked back over, and how many of one outlet must all show it (chosen)."""
LEVEL = 0.96
"""The stall itself must be as it was: else the set point or the air has changed."""
CURVE_A = 0.105
CURVE_M = 1.60
CURVE_TIMES = 6.0
CURVE_LEAST = 0.30
"""Without history: loss share over 30 % and six times what the class's pump curve gives at this
rate; three other pump and line configurations lay within -25 to +26 % of it (computed)."""


@dataclass(frozen=True, slots=True)
class Sunk:
    """By how much demand pressure lies under the usual (Pa), and whether history says so."""

    drop_pa: float
    usual_pa: float
    learned: bool


@once
def sunk(event: Episode, context: Context) -> Sunk | None:
    """The fall along the outlet's curve, or None when there is none (or it cannot be said)."""
    f = event.features
    if event.strokes == 1:
        return _by_level(event, context)
    demand, rate = f.get("demand_pa"), f.get("rate_hz")
    if demand is None or rate is None or rate <= 0 or (f.get("race_strokes") or 0) >= 8:
        return None
    stall = f.get("stall_after_pa") or context.stall_pa
    if not 0.78 * context.stall_pa < stall < 1.15 * context.stall_pa:
        return None
    if not steady(event) or (event.strokes < 3 and not context.one_outlet):
        return None  # two strokes of two bays at once are no outlet's
    shift = context.at_flow("demand_pa", event, 0.002)
    if shift is None:
        return _by_curve(event, context, demand, rate, stall)
    if context.one_outlet and not _same_outlet(event, context, shift):
        return None
    firm = context.at_flow("dip_pa", event, 0.01)
    if firm is not None and firm.ratio > DEEPER and firm.z > Z:
        return None  # deeper dips: the exhaust, not air or suction
    drop = shift.usual - demand
    if drop < max(LEAST_PA, LEAST_SHARE * context.stall_pa) or shift.z > -Z:
        return _slowly(event, context)
    return Sunk(drop, shift.usual, True)


def _by_level(event: Episode, context: Context) -> Sunk | None:
    """A draw of a single stroke has no rate: its level alone, on a pump of one outlet, under the
    usual and under the stall it began or ended on, for a line may rest low when its valve closed in
    a dip."""
    f = event.features
    level, stall = f.get("drawn_pa"), f.get("stall_after_pa")
    if level is None or stall is None or event.open_ or not context.one_outlet:
        return None
    if not 0.78 * context.stall_pa < stall < 1.15 * context.stall_pa:
        return None
    shift, usual_stall = context.against("demand_pa", level, 0.002), context.of("stall_after_pa")
    if shift is None or usual_stall is None or shift.z > -Z:
        return None
    rested = max(stall, f.get("stall_before_pa") or 0.0)
    drop = min(shift.usual - level, (rested - level) - (usual_stall - shift.usual))
    enough = drop >= max(LEAST_PA, LEAST_SHARE * context.stall_pa)
    return Sunk(drop, shift.usual, True) if enough else None


def _slowly(event: Episode, context: Context) -> Sunk | None:
    """The fall since the pump's start, when the last draws all show it: a strainer or a filter that
    clogs over weeks takes the usual values with it."""
    last: list[Shift] = []
    for run in (event, *list(context.recent)[: -SLOW_DRAWS - 1 : -1]):
        now = context.since_start("demand_pa", run)
        if now is None:
            if run is event:
                return None
            continue
        if now.usual - now.value < SLOW_SHARE * context.stall_pa:
            return None
        stall = context.since_start("stall_after_pa", run)
        if stall is None:
            continue
        if stall.ratio < LEVEL:
            return None
        last.append(now)
    if len(last) < SLOW_LEAST:
        return None
    return Sunk(last[0].usual - last[0].value, last[0].usual, True)


def _same_outlet(event: Episode, context: Context, shift: Shift) -> bool:
    """On a pump of one outlet: is this draw through it, allowing for vapour when starved?"""
    flow = context.against("conductance", event.features.get("conductance"))
    if flow is None or flow.ratio < 1.0 - SAME_OUTLET:
        return False
    starved = shift.ratio < STARVED_SHARE
    return flow.ratio <= (STARVED_MORE if starved else 1.0 + SAME_OUTLET)


def _by_curve(
    event: Episode, context: Context, demand: float, rate: float, stall: float
) -> Sunk | None:
    if event.strokes < 6:
        return None
    scale = context.scales.displacement_ml / 60.0
    expected = CURVE_A * (rate * scale) ** CURVE_M
    loss = (stall - demand) / stall  # the set point may have been turned since the entry
    if loss < max(CURVE_LEAST, CURVE_TIMES * expected):
        return None
    return Sunk(stall - demand, stall, False)


def drops(event: Episode, context: Context, draws: int = 3) -> list[float]:
    """By how much (Pa) this draw and the ones before it through the same outlet lie under the
    usual, newest first, as long as they do."""
    out: list[float] = []
    here = event.features.get("conductance") or 0.0
    for run in (event, *reversed(context.recent)):
        shift = context.at_flow("demand_pa", run, 0.002) if run.strokes >= 2 else None
        flow = run.features.get("conductance") or 0.0
        if shift is None or abs(flow - here) > SAME_OUTLET * here:
            continue
        if shift.usual - shift.value < max(LEAST_PA, LEAST_SHARE * context.stall_pa):
            break
        out.append(shift.usual - shift.value)
        if len(out) == draws:
            break
    return out


@once
def level_again(event: Episode, context: Context) -> bool:
    """A closed draw at its usual pressure."""
    demand = event.features.get("demand_pa")
    shift = context.at_flow("demand_pa", event, 0.002)
    if event.open_ or demand is None or shift is None:
        return False
    limit = 0.5 * max(LEAST_PA, LEAST_SHARE * context.stall_pa)
    return shift.usual - demand < max(limit, 2 * abs(shift.usual) * 0.002)
