"""High air: the pump is driven with more than 100 psi."""

from collections import deque
from dataclasses import dataclass, field

from monitor.advice.kinds import Kind
from monitor.detectors.base import ALL_EVENTS, Detector, need
from monitor.detectors.context import Context, steady
from monitor.detectors.curves import CURVE_A, CURVE_M, SAME_OUTLET
from monitor.detectors.finding import Evidence, Finding
from monitor.detectors.racing import RACERS
from monitor.signals.types import Episode
from monitor.units import PA_PER_PSI


@dataclass(slots=True)
class HighAir(Detector):
    """What it finds: air above the 100 psi the pump, hoses and couplers are made for.

    How it looks: pressure during a draw is above 100 psi, or draw after draw stalls above it.

    Needs: one draw of a few strokes, or two stalls; an air sensor says it at once.

    Settings: limit_pa 100 psi (common practice); over_pa 14 psi above it for a stall, because a
    line sits 2 to 14 psi above the air for minutes after a draw; same_pa 1 psi, within which
    three stalls in a row are the air itself (what a surge leaves differs from draw to draw), unless
    the draws themselves lay so far under the limit that, by the pump's curve and slack 0.1, the air
    cannot be over it, or have not risen by follow_share 0.5 of what the stall has; clear_pa 3 psi;
    one stall over the limit, once the draw's own pressure has risen at the same outlet, by z 5 of
    its spread, as far as the air must have.

    Blind: while idle without an air sensor; a warm idle line drifts up and is no high air.

    What to do: turn the regulator down and watch it creep; shut the air if it does not hold;
    hoses may be over their rating.

    References: force balance (1:1 ratio), column momentum of the discharge line.
    """

    limit_pa: float = 100.0 * PA_PER_PSI
    over_pa: float = 14.0 * PA_PER_PSI
    clear_pa: float = 3.0 * PA_PER_PSI
    kind = Kind.HIGH_AIR
    events = ALL_EVENTS
    same_pa: float = 1.0 * PA_PER_PSI
    slack: float = 0.1
    follow_share: float = 0.5
    z: float = 5.0
    _high_stalls: int = 0
    _stalls: deque[float] = field(default_factory=lambda: deque(maxlen=3))

    def __post_init__(self) -> None:
        need(self.limit_pa > 0 and self.over_pa >= 0, "high_air.limit_pa")

    def update(self, event: Episode, context: Context) -> Finding:
        """Judge air, demand pressure and stalls against the limit."""
        f = event.features
        slack = context.scales.accuracy_pa
        air = f.get("air_pa")
        if air is not None:
            return self._say(event, context, air, high=air > self.limit_pa + slack)
        demand, stall = f.get("demand_pa"), f.get("stall_after_pa")
        if event.what == "dead-head" or event.strokes < 1 or (f.get("race_strokes") or 0) >= 3:
            return self.unknown(event, context)  # a pump that races on gas pushes the line up
        gas = any(k in context.standing for k in RACERS)  # its gulps push the line up
        if demand is not None and demand > self.limit_pa + slack and not gas:
            return self._say(event, context, demand, high=True)
        if stall is None:
            return self.unknown(event, context)
        if stall > self.limit_pa + slack and not gas and self._lifted(event, context, slack):
            return self._say(event, context, stall, high=True)
        if not self._could(event, context):
            sound = stall < self.limit_pa
            return (self.no if sound else self.unknown)(event, context)
        self._stalls.append(stall)
        near = max(self._stalls) - min(self._stalls) < self.same_pa and len(self._stalls) == 3
        if near and min(self._stalls) > self.limit_pa + slack:
            return self._say(event, context, stall, high=True)
        above = stall > self.limit_pa + self.over_pa and not gas
        self._high_stalls = self._high_stalls + 1 if above else 0
        if above and self._high_stalls < 2:
            return self.unknown(event, context)
        if not above and stall > self.limit_pa + self.clear_pa:
            return self.unknown(event, context)
        return self._say(event, context, stall, high=above)

    def _lifted(self, event: Episode, context: Context, slack: float) -> bool:
        """Has the draw's pressure risen so far, through the same outlet, that the air is over the
        limit? A held line may lie above the air, a draw's pressure lies under it by its losses."""
        demand, usual_pa = context.at_flow("demand_pa", event), context.of("stall_after_pa")
        if demand is None or usual_pa is None or not steady(event) or demand.z < self.z:
            return False
        flow = context.against("conductance", event.features.get("conductance"))
        if flow is None or (context.one_outlet and abs(flow.ratio - 1.0) > SAME_OUTLET):
            return False  # a pause within the draw, or another outlet
        return usual_pa + (demand.value - demand.usual) > self.limit_pa + slack

    def _could(self, event: Episode, context: Context) -> bool:
        """May the air be over the limit, by what the draw before this stall showed? The pump's
        curve (loss against rate) with half as much again, for other pumps' friction."""
        demand, rate = event.features.get("demand_pa"), event.features.get("rate_hz")
        if demand is None or rate is None or rate <= 0:
            return True
        if not self._followed(event, context):
            return False
        loss = CURVE_A * (rate * context.scales.displacement_ml / 60.0) ** CURVE_M
        return bool(demand > (1.0 - min(1.5 * loss + self.slack, 0.6)) * self.limit_pa)

    def _followed(self, event: Episode, context: Context) -> bool:
        """Has the draw's pressure risen with the stall, through the same outlet, by half as much at
        the least? Air does that; a line that holds what a surge left does not."""
        demand, stall = context.at_flow("demand_pa", event), event.features.get("stall_after_pa")
        if demand is None or stall is None or context.stall_pa > self.limit_pa:
            return True
        return demand.value - demand.usual > self.follow_share * (stall - context.stall_pa)

    def _say(self, event: Episode, context: Context, value: float, *, high: bool) -> Finding:
        if not high:
            return self.no(event, context)
        return self.yes(
            event,
            context,
            (0.95, 0.9),
            f"High air: {context.show.pressure(value)} where "
            f"{context.show.pressure(self.limit_pa)} is the most.",
            Evidence("pressure", value, "Pa", None, self.limit_pa),
        )
