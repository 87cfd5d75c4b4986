"""Air sag: the supply falls while air is drawn, and recovers at rest."""

from collections import deque
from dataclasses import dataclass, field

import numpy as np

from monitor.advice.kinds import Kind
from monitor.detectors.base import RUNS, Detector, need
from monitor.detectors.context import Context
from monitor.detectors.curves import Sunk, drops, level_again, sunk
from monitor.detectors.finding import Evidence, Finding
from monitor.signals.types import Episode
from monitor.units import PA_PER_PSI

LAST_SUNK = 10
"""Draws that sank over which sag and starved suction are told apart (chosen)."""


@dataclass(slots=True)
class AirSag(Detector):
    """What it finds: too little air comes through under flow: hose, filter, coupler, regulator.

    How it looks: stall pressure is right, but demand pressure and rate are down along the
    outlet's curve, sink on as the draw goes on, and come back slowly after it.

    Needs: draws with some history; neighbours that sag together, or an air sensor, settle it.

    Settings: the drop as in the curves (2.5 % of the stall pressure, 0.8 psi, 5 spreads);
    trend_pa 0.2 psi down within the draw (noise of a mean of seconds is 0.02 psi); rise_pa 0.1 psi
    by which the line still comes up in the last three seconds, or late_share 0.6 of the demand's
    fall still missing at the stall (most_late 0.8: plainly so); slow_share 2 times the usual
    recovery and slow_s 0.4 s more, plainly twice that and seconds 1.0 (computed: healthy 0.03 to
    0.1 s, marked sag 0.4 to 8 s); air_share 0.95 of the air at rest for an air sensor; falls that
    differ from draw to draw by unlike 0.08 (a mean of seconds repeats within 1 %), or repeat within
    alike 0.04; whole 5 times the usual dip width; times 2 draws in a row (one more where it is one
    stroke); rename 0.7 of the weight where a restricted suction was told before.

    Blind: at small flows, and where little air volume lies between restriction and pump: then it
    cannot be told from a restricted suction.

    What to do: watch the gauge at the pump while a bay draws; hose bore, filter, coupler seated.

    References: ISO 6358 conductances; recovery times computed with a supply volume.
    """

    trend_pa: float = 0.2 * PA_PER_PSI
    rise_pa: float = 0.1 * PA_PER_PSI
    late_share: float = 0.6
    most_late: float = 0.8
    slow_share: float = 2.0
    slow_s: float = 0.4
    air_share: float = 0.95
    unlike: float = 0.08
    alike: float = 0.04
    whole: float = 5.0
    seconds: float = 1.0
    rename: float = 0.7
    times: int = 2
    _times: int = 0
    _weights: deque[float] = field(default_factory=lambda: deque(maxlen=LAST_SUNK))
    kind = Kind.AIR_SAG
    events = RUNS

    def __post_init__(self) -> None:
        need(self.trend_pa > 0, "air_sag.trend_pa")
        need(self.slow_share > 1 and self.slow_s > 0, "air_sag.slow_share")

    def rebase(self) -> None:
        """Start counting anew."""
        self._times = 0
        self._weights.clear()

    def update(self, event: Episode, context: Context) -> Finding:
        """Judge a closed draw."""
        if event.open_:
            return self.unknown(event, context)
        now = sunk(event, context)
        if now is None:
            if not level_again(event, context):
                return self.unknown(event, context)
            self.rebase()
            return self.no(event, context)
        self._times += 1
        sure = self.together(event, context)
        renames = Kind.RESTRICTED_SUCTION in context.standing
        times = self.times + (event.strokes < 2)  # a level alone may be a valve that buzzes
        if sure <= (self.rename if renames else 0.5) or self._times < times:
            return self.unknown(event, context)
        return self._say(event, context, now, sure)

    def together(self, event: Episode, context: Context) -> float:
        """The mean chance of sag over the last draws that sank: one draw alone says little."""
        self._weights.append(self.weigh(event, context))
        return float(np.mean(self._weights))

    def weigh(self, event: Episode, context: Context) -> float:
        """Chance of sag against restricted suction, given that pressure sank."""
        f = event.features
        low, rest = f.get("air_low_pa"), f.get("air_after_pa")
        if low is not None and rest is not None:
            return 0.97 if low < self.air_share * max(rest, context.air_rest_pa or 0.0) else 0.05
        sure = 0.35 + self._shape(event, context) + self._comes_back(event, context)
        trend, usual = f.get("trend_pa"), abs(context.of("trend_pa") or 0.0)
        sinks = trend is not None and trend < -self.trend_pa - 3.0 * usual
        if sinks:
            sure += 0.45  # as the draw goes on: nothing else need be asked
        else:
            sure += self._memory(event, context) - 0.15 * (trend is not None)
        if context.neighbours_low:
            sure += 0.3
        return min(max(sure, 0.05), 0.95)

    def _memory(self, event: Episode, context: Context) -> float:
        """A supply that sags has a volume behind its restriction, so that the fall depends on how
        long the pump drew and rested before; a starved suction has none, and the fall repeats."""
        fell = drops(event, context)
        if len(fell) < 2:
            return 0.0
        apart = (max(fell) - min(fell)) / max(fell)
        return 0.3 if apart > self.unlike else -0.2 if apart < self.alike else 0.0

    def _shape(self, event: Episode, context: Context) -> float:
        """Liquid that comes late widens each dip and makes it shallower; a stroke that sinks with
        its air from beginning to end looks as wide as a whole stroke."""
        out = 0.0
        wide = context.against("dip_s", event.features.get("dip_s"), 0.02)
        if wide is not None and wide.z > 5 and wide.ratio > 1.2:
            out += 0.2 if wide.ratio > self.whole else -0.15
        deep = context.at_flow("dip_pa", event, 0.01)
        if deep is not None and deep.ratio < 0.85 and deep.z < -3:
            out -= 0.15
        return out

    def _comes_back(self, event: Episode, context: Context) -> float:
        """How the line comes up after the draw: with the supply, or at once."""
        f, out = event.features, 0.0
        rising, stall, demand = f.get("tail_fall_pa"), f.get("stall_after_pa"), f.get("demand_pa")
        usual_stall, usual_demand = context.of("stall_after_pa"), context.of("demand_pa")
        if rising is not None and rising < -self.rise_pa:
            out += 0.4  # the line still comes up with the supply, seconds after the last stroke
        elif stall and usual_stall and demand and usual_demand and usual_demand > demand:
            deficit = (usual_stall - stall) / (usual_demand - demand)
            out += 0.45 if deficit > self.most_late else 0.25 if deficit > self.late_share else -0.1
        recovery, usual_s = f.get("recovery_s"), context.of("recovery_s")
        if recovery is not None and usual_s is not None:
            longer = recovery - usual_s
            slow = recovery > self.slow_share * usual_s and longer > self.slow_s
            plain = recovery > 2.0 * self.slow_share * usual_s and longer > self.seconds
            out += 0.5 if plain else 0.25 if slow else -0.1 if longer < 0.2 * usual_s + 0.1 else 0.0
        return out

    def _say(self, event: Episode, context: Context, now: Sunk, sure: float) -> Finding:
        f, demand = event.features, now.usual_pa - now.drop_pa
        return self.yes(
            event,
            context,
            (sure if now.learned else 0.7 * sure, min(1.0, 0.3 + now.drop_pa / context.stall_pa)),
            f"Air sag: {context.show.pressure(demand)} in the draw where "
            f"{context.show.pressure(now.usual_pa)} is usual, sinking while it lasts; the stall "
            "pressure is right.",
            Evidence("demand pressure", demand, "Pa", now.usual_pa, now.usual_pa),
            Evidence("recovery", f.get("recovery_s"), "s", None, context.of("recovery_s")),
            Evidence("change within the draw", f.get("trend_pa"), "Pa"),
            causes=((Kind.AIR_SAG, sure), (Kind.RESTRICTED_SUCTION, 1.0 - sure)),
        )
