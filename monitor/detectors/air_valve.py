"""Air valve stalled: pressure falls away and the pump does not answer."""

from dataclasses import dataclass

from monitor.advice.kinds import Kind
from monitor.detectors.base import RUNS, Detector, need
from monitor.detectors.context import LEAST_SET_PA, Context
from monitor.detectors.finding import Evidence, Finding
from monitor.signals.types import Episode


@dataclass(slots=True)
class AirValveStalled(Detector):
    """What it finds: a spool that hangs, or no air at all.

    How it looks: pressure falls far under the restart band, through the open bay, and no stroke
    comes; the stall is lost.

    Needs: a falling pressure; with a demand signal the fall is certain to be a draw.

    Settings: low_share 0.35 of the expected stall pressure; quiet_s 4 s without a stroke (at
    so low a pressure a live pump answers within 1 s); fall_s 12 s for the fall (an open bay takes
    1 to 10 s; with the air off for work the line seeps back past the balls, slower).

    Blind: while nothing draws; a line that was vented for work looks the same, so log the work.

    What to do: is there air? Tap or cycle the air; does the exhaust blow without end?

    References: restart band of a dead-headed pump (it strokes as soon as the line falls).
    """

    low_share: float = 0.35
    quiet_s: float = 4.0
    fall_s: float = 12.0
    kind = Kind.AIR_VALVE_STALLED
    events = RUNS

    def __post_init__(self) -> None:
        need(0 < self.low_share < 1 and self.quiet_s > 0, "air_valve.low_share")

    def update(self, event: Episode, context: Context) -> Finding:
        """Judge a run, also while it lasts."""
        f = event.features
        # While a logged change of the set point is under way the air may be as low as it may be.
        low = self.low_share * (LEAST_SET_PA if context.announced else context.stall_pa)
        if event.what == "dead-head":
            return self.unknown(event, context)
        tail = f.get("tail_pa")
        if tail is None or (f.get("race_strokes") or 0.0) >= 5:
            return self.unknown(event, context)
        last = float(event.stroke_ts[-1]) if event.strokes else event.start_ts
        quiet = event.end_ts - last
        fell = (f.get("stall_before_pa") or 0.0) > 2.0 * low or (f.get("demand_pa") or 0.0) > low
        fall = f.get("fall_s")
        fell = fell and fall is not None and fall <= self.fall_s and f.get("demand_s") != 0.0
        stood = self.kind in context.standing
        if tail < low and quiet >= self.quiet_s and (fell or stood):
            return self._say(event, context, tail, quiet)
        if event.strokes >= 1 and tail > 0.6 * context.stall_pa:
            return self.no(event, context)
        return self.unknown(event, context)

    def _say(self, event: Episode, context: Context, tail: float, quiet: float) -> Finding:
        air = event.features.get("air_pa")
        no_air = 0.9 if air is not None and air < 0.3 * context.scales.air_set_pa else 0.2
        return self.yes(
            event,
            context,
            (0.9, 1.0),
            f"Air valve stalled: pressure fell to {context.show.pressure(tail)} and no stroke came "
            f"for {quiet:.0f} s.",
            Evidence("pressure", tail, "Pa", 0.8 * context.stall_pa, 1.1 * context.stall_pa),
            Evidence("time without a stroke", quiet, "s", 0.0, 3.0),
            causes=((Kind.AIR_VALVE_STALLED, 1.0 - no_air), (Kind.LOW_AIR, no_air)),
        )
