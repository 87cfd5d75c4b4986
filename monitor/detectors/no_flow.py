"""No flow on demand: a valve is called for, and nothing moves."""

from dataclasses import dataclass

from monitor.advice.kinds import Kind
from monitor.detectors.base import RUNS, Detector, need
from monitor.detectors.context import Context
from monitor.detectors.finding import Evidence, Finding
from monitor.signals.types import Episode


@dataclass(slots=True)
class NoFlow(Detector):
    """What it finds: a solenoid that does not open, or an outlet that is plugged.

    How it looks: demand is on, the pressure stays at stall, no stroke comes (a small dip at the
    opening speaks for a plugged tip, none at all for the valve).

    Needs: the demand signal.

    Settings: missing 3 strokes that this pump's usual strokes per open second would have made,
    over draws in a row (a low-flow draw may end before one stroke); blind_s 45 s of open valve
    in a row without history (3 mL/s through the smallest tip strokes 60 mL in 20 s, computed);
    held_share 0.9 of the stall pressure; dip_share 0.7 of the usual dip, which only a stroke makes.

    Blind: without a demand signal.

    What to do: coil voltage, valve's manual override, hand valve; then tip, injector, check valve.

    References: outlet flow of a tip (orifice law, C_d 0.62).
    """

    missing: float = 3.0
    blind_s: float = 45.0
    held_share: float = 0.9
    dip_share: float = 0.7
    kind = Kind.NO_FLOW
    events = RUNS
    _open_s: float = 0.0
    _seen_ts: float = 0.0
    _past_s: float = 0.0

    def __post_init__(self) -> None:
        need(self.missing >= 1 and self.blind_s > 0, "no_flow.missing")

    def rebase(self) -> None:
        """Start counting anew."""
        self._past_s = 0.0

    def update(self, event: Episode, context: Context) -> Finding:
        """Judge a run with a known demand, also while it lasts."""
        f = event.features
        open_s = f.get("demand_s")
        if open_s is None or open_s <= 0.0:
            return self.unknown(event, context)
        low = f.get("tail_pa")
        held = low is not None and low > self.held_share * 0.95 * context.stall_pa
        usual = context.of("demand_rate")
        few = 0 if usual is None else int(0.2 * usual * open_s)
        if event.strokes > few or not held:
            self._past_s = 0.0
            moved = event.strokes >= 1 and (usual is None or event.strokes > 0.5 * usual * open_s)
            return (self.no if moved else self.unknown)(event, context)
        depth, usual_dip = f.get("deepest_pa"), context.of("deepest_pa")
        if depth is not None and usual_dip is not None and depth > self.dip_share * usual_dip:
            return self.unknown(event, context)  # dips like those of strokes: it is not counted
        total = self._past_s + open_s
        if not event.open_:
            self._past_s = total
        limit = self.blind_s if usual is None or usual <= 0 else self.missing / usual
        if total < limit:
            return self.unknown(event, context)
        return self.yes(
            event,
            context,
            (0.9, 0.8),
            f"No flow on demand: a valve is called for since {total:.0f} s in all, the pressure "
            "stays at stall and nothing strokes.",
            Evidence("open time without a stroke", total, "s", 0.0, limit),
            Evidence("pressure", low, "Pa", None, context.stall_pa),
        )
