"""Wet air / icing: the exhaust path narrows as the pump runs, and thaws at rest."""

from dataclasses import dataclass

from monitor.advice.kinds import Kind
from monitor.detectors.base import RUNS, Detector, need
from monitor.detectors.context import Context, steady
from monitor.detectors.finding import Evidence, Finding
from monitor.detectors.outlets import Shift
from monitor.signals.types import Episode
from monitor.units import PA_PER_PSI

WIDER_SAMPLES = 3.0
"""A width is counted in samples: one is chance (two for a dip that straddles them)."""
SLOWER = 0.985
"""Rate late over early, or pressure against the usual, in a run that ices: strokes of one outlet
repeat within 1 %."""
LEVEL_SHARE = 0.98
"""Of the usual stall pressure: as level as a mean of seconds and a regulator repeat (chosen)."""


@dataclass(slots=True)
class Icing(Detector):
    """What it finds: water or ice in the air valve and its exhaust (or a clogged muffler).

    How it looks: at the usual stall pressure the reversal dips grow deeper and wider with running
    time and the rate slows; after a rest it is better.

    Needs: pressure at 10 Hz or more and strokes; sharper with history.

    Settings: deep_share 1.25 times the usual dip and z 5 of its spread, twice in a row with
    wide_share 1.1 times the usual width, or with dips widening within the run by grow_share 1.12;
    alone_share 1.4 within one run without history (icing width threshold 1.4, computed from
    exhaust conductance halved), or from draw to draw at the right stall.

    Blind: when strokes are few; a muffler clogged for good looks the same but does not thaw.

    What to do: drain the filter bowl, dryer and dew point, frost on the muffler; never a flame.

    References: choked blow-down time (V_a + V_d) / (n p0 C_ex); ISO 8573-1 water classes.
    """

    deep_share: float = 1.25
    z: float = 5.0
    grow_share: float = 1.12
    alone_share: float = 1.4
    wide_share: float = 1.1
    kind = Kind.ICING
    events = RUNS
    _deep: int = 0

    def __post_init__(self) -> None:
        need(self.deep_share > 1 and self.grow_share > 1 and self.z > 0, "icing.deep_share")

    def rebase(self) -> None:
        """Start counting anew."""
        self._deep = 0

    def update(self, event: Episode, context: Context) -> Finding:
        """Judge a closed run."""
        f = event.features
        if event.open_ or not self._fit(event, context):
            return self.unknown(event, context)
        dip = f.get("dip_pa")
        shift = context.at_flow("dip_pa", event, 0.01) or (
            context.against("dip_pa", dip, 0.01) if event.strokes < 3 else None
        )
        flow = context.against("conductance", f.get("conductance"))
        if context.one_outlet and flow is not None and abs(flow.ratio - 1.0) > 0.08:
            return self.unknown(event, context)
        if not steady(event):
            return self.unknown(event, context)
        if shift is None:
            return self._alone(event, context)
        if self._widening(event, context):
            return self._say(event, context, 0.8, shift.usual)
        return self._by_depth(event, context, shift)

    def _by_depth(self, event: Episode, context: Context, shift: Shift) -> Finding:
        """Dips deeper than usual, twice or growing wider within the run."""
        f = event.features
        grow, flow = f.get("trend_dip_s"), f.get("conductance")
        deep = shift.ratio > self.deep_share and shift.z > self.z and shift.usual > 0
        if event.strokes < 3 and flow is None and f.get("demand_s") in (None, 0.0):
            deep = deep and (f.get("fell_pa") or 0.0) > 1.0 * PA_PER_PSI
        self._deep = self._deep + 1 if deep else 0
        growing = grow is not None and grow > self.grow_share
        wide = context.at_flow("dip_s", event, 0.02)
        if deep and not growing and wide is not None and wide.ratio < self.wide_share:
            return self.unknown(event, context)  # gas that left the line deepens dips, not widens
        if deep and event.strokes < 3 and (wide is None or not self._wider(event, wide)):
            return self.unknown(event, context)
        if deep and (self._deep >= 2 or growing):
            return self._say(event, context, 0.85 if growing else 0.75, shift.usual)
        narrow = wide is None or wide.ratio < self.alone_share
        if not deep and narrow and shift.ratio < 1.0 + 0.5 * (self.deep_share - 1.0):
            return self.no(event, context)
        return self.unknown(event, context)

    def _wider(self, event: Episode, width: Shift | None) -> bool:
        """Is a width more than chance above the usual one, where it is known?"""
        step_s = event.features.get("sample_s") or 0.05
        return width is None or width.value - width.usual >= WIDER_SAMPLES * step_s

    def _widening(self, event: Episode, context: Context) -> bool:
        """Wider dips than usual, and wider from draw to draw, at the right stall: the exhaust
        narrows while it runs. What starves a pump widens them once; a supply that sags is still
        coming back after the draw, and leaves the stall low."""
        f = event.features
        now = context.at_flow("dip_s", event, 0.02)
        if event.strokes < 3 or now is None or now.z < self.z or self._returning(event, context):
            return False
        if not self._wider(event, now):
            return False
        demand = context.at_flow("demand_pa", event, 0.002)
        if demand is None or demand.ratio > SLOWER or demand.z > -self.z:
            return False  # a valve that closed for a moment looks wide, too, and so does a saw
        deep = context.at_flow("dip_pa", event, 0.01)
        if deep is None or deep.ratio < 1.0 / self.deep_share:
            return False
        before = [context.at_flow("dip_s", e, 0.02) for e in list(context.recent)[-2:]]
        least = min((x.ratio for x in before if x is not None), default=0.0)
        times = self.alone_share
        grown = least > self.wide_share and now.ratio > times * max(least, times)
        slower = (f.get("trend_rate") or 1.0) < SLOWER
        within = slower and (f.get("trend_dip_s") or 0.0) > times and now.ratio > times
        return grown or within

    def _returning(self, event: Episode, context: Context) -> bool:
        """Is the line still coming up after the draw, or stalled under the usual?"""
        stall, usual = event.features.get("stall_after_pa"), context.of("stall_after_pa")
        rising = event.features.get("tail_fall_pa")
        if stall is None or usual is None or stall < LEVEL_SHARE * usual:
            return True
        return rising is not None and rising < -0.1 * PA_PER_PSI

    def _fit(self, event: Episode, context: Context) -> bool:
        """A run to judge by: strokes that do not race, and the right stall after them."""
        least = 1 if context.one_outlet else 3  # two bays at once make one deep dip as well
        if event.strokes < least or (event.features.get("race_strokes") or 0) >= 5:
            return False
        stall = event.features.get("stall_after_pa")
        most = max(context.of("stall_after_pa") or 0.0, context.stall_pa)  # a line may hold a surge
        return stall is not None and 0.8 * context.stall_pa < stall < self.deep_share * most

    def _alone(self, event: Episode, context: Context) -> Finding:
        f = event.features
        grow, slow = f.get("trend_dip_s"), f.get("trend_rate")
        if not grow or slow is None or event.duration_s < 45.0:
            return self.unknown(event, context)
        wide, step_s = f.get("dip_s") or 0.0, f.get("sample_s") or 0.05
        if wide * (1.0 - 1.0 / grow) < WIDER_SAMPLES * step_s:
            return self.unknown(event, context)  # one sample more or less
        if grow > self.alone_share and slow < 0.98:
            return self._say(event, context, 0.6, None)
        return self.unknown(event, context)

    def _growth(self, event: Episode) -> str:
        grow = event.features.get("trend_dip_s")
        return " and widen with running time" if grow and grow > self.grow_share else ""

    def _say(self, event: Episode, context: Context, sure: float, usual: float | None) -> Finding:
        dip = event.features.get("dip_pa") or 0.0
        beside = "" if usual is None else f" where {context.show.pressure(usual)} is usual"
        return self.yes(
            event,
            context,
            (sure, 0.5),
            "Wet air / icing: the dips of the strokes are "
            f"{context.show.pressure(dip)} deep{beside}{self._growth(event)}; the stall "
            "pressure is right.",
            Evidence("dip", dip, "Pa", context.usual["dip_pa"].low, context.usual["dip_pa"].high),
            Evidence("dip width", event.features.get("dip_s"), "s", None, context.of("dip_s")),
            Evidence("width late over early", event.features.get("trend_dip_s"), ""),
            causes=((Kind.ICING, sure), (Kind.AIR_SAG, 1.0 - sure)),
        )
