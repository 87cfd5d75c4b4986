"""Stroke counter fault: dead, bouncing, or missing strokes."""

from collections import deque
from dataclasses import dataclass, field

import numpy as np

from monitor.advice.kinds import Kind
from monitor.detectors.base import RUNS, Detector, need
from monitor.detectors.context import Context
from monitor.detectors.finding import Evidence, Finding
from monitor.signals.types import Episode


@dataclass(slots=True)
class StrokeCounter(Detector):
    """What it finds: a reed, hall or exhaust switch that does not count what the pump strokes.

    How it looks: dips without counts (dead); counts closer than a pump can stroke (bounce); fewer
    counts at the same pressure and the same dips (missing).

    Needs: pressure that shows the dips; history for missing counts.

    Settings: dead_total 6 dips of depth_share 0.7 of the usual depth and no count, over two runs
    (or one of 8 dips); bounce_share 0.15 of
    the intervals under 40 ms (60 ms is the least a pump can do, computed; bounce of reeds 0.5 to
    1 ms, lock-outs 10 to 20 ms); intervals that are whole multiples of
    the usual one within fit 0.05 (times the root of the multiple, jitter being 0.5 to 3 %), at
    the usual pressure, skip_share 0.2 of the strokes left out, with switches 6 between counted
    and skipped over three draws in a row (a second bay comes and goes in blocks), while all dips
    are alike within dip_cv 0.15 (a dip grows with the flow), on a pump whose
    draws keep within one_outlet 1.25 of each other; draws 2 for dips.

    Blind: where dips are under 1 psi; bounce in fast strokes recorded at few samples a second.

    What to do: magnet gap, wire, connector; the counter's lock-out time.

    References: choked exhaust bounds the rate (ISO 6358).
    """

    dead_total: float = 6.0
    depth_share: float = 0.7
    bounce_share: float = 0.15
    skip_share: float = 0.2
    fit: float = 0.05
    switches: int = 6
    dip_cv: float = 0.15
    one_outlet: float = 1.25
    draws: int = 2
    kind = Kind.STROKE_COUNTER
    events = RUNS
    _dead: int = 0
    _dead_dips: float = 0.0
    _missing: deque[tuple[float, int]] = field(default_factory=lambda: deque(maxlen=3))

    def __post_init__(self) -> None:
        need(self.dead_total >= 2 and 0 < self.skip_share < 1, "stroke_counter.dead_dips")

    def rebase(self) -> None:
        """Start counting anew."""
        self._dead = 0
        self._missing.clear()

    def update(self, event: Episode, context: Context) -> Finding:
        """Judge a run, bounce also while it lasts."""
        f = event.features
        if (f.get("bounce_share") or 0.0) > self.bounce_share and event.strokes >= 6:
            return self._bounce(event, context)
        if event.open_:
            return self.unknown(event, context)
        dips = f.get("dips")
        usual_dip = context.of("dip_pa")
        if (f.get("deepest_pa") or 0.0) < self.depth_share * (usual_dip or 0.0):
            dips = None  # a stick-slip creep at stall saws within the restart band
        if event.strokes == 0:
            return self._silent(event, context, dips)
        self._dead = 0
        self._dead_dips = 0.0
        found = self._skips(event, context)
        if found is None:
            good = (f.get("bounce_share") or 0.0) == 0.0 and event.strokes >= 3 and dips
            return (self.no if good and not self._missing else self.unknown)(event, context)
        less, switches = found
        if less == 0.0:
            self._missing.clear()
            return self.no(event, context)
        self._missing.append((less, switches))
        short = len(self._missing) < 3 or sum(n for _, n in self._missing) < self.switches
        if short or less < self.skip_share:
            return self.unknown(event, context)
        return self.yes(
            event,
            context,
            (0.8, 0.5),
            f"Stroke counter fault: {100 * less:.0f} % of the strokes are not counted; the "
            "intervals are whole multiples of the usual one.",
            Evidence("strokes not counted", less, "", 0.0, self.skip_share),
        )

    def _skips(self, event: Episode, context: Context) -> tuple[float, int] | None:
        """(share of strokes left out, switches between counted and skipped), when the intervals
        are whole multiples of the usual one; None when they are not."""
        t = np.diff(event.stroke_ts)
        usual, spread = context.of("interval_s"), context.usual["interval_s"].spread
        flow = context.usual["conductance"]
        if flow.low is None or flow.high is None or flow.high > self.one_outlet * flow.low:
            return None  # several bays: twice the interval is half of them
        if event.what != "draw" or len(t) < 3 or not usual or spread is None:
            return None
        if spread > 0.05 * usual or (event.features.get("dip_cv") or 1.0) > self.dip_cv:
            return None
        times = t / usual
        whole = np.maximum(np.round(times), 1.0)
        if (np.abs(times - whole) < self.fit * whole**0.5).mean() < 0.9:
            return None
        demand = context.against("demand_pa", event.features.get("demand_pa"), 0.002)
        if demand is not None and abs(demand.ratio - 1.0) > 0.02:
            return None
        switches = int((np.diff((whole > 1).astype(np.int64)) != 0).sum())
        return 1.0 - len(t) / float(whole.sum()), switches

    def _bounce(self, event: Episode, context: Context) -> Finding:
        f = event.features
        share = f.get("bounce_share") or 0.0
        rate, step = f.get("rate_hz") or 0.0, f.get("sample_s") or 0.05
        if rate * (1.0 - share) > 0.3 / step:
            return self.unknown(event, context)  # several true strokes fall into one sample
        return self.yes(
            event,
            context,
            (0.95, 0.5),
            f"Stroke counter fault: {100 * share:.0f} % of the counts come within 40 ms of the one "
            "before; the contact bounces.",
            Evidence("counts within 40 ms", share, "", 0.0, self.bounce_share),
        )

    def _silent(self, event: Episode, context: Context, dips: float | None) -> Finding:
        """Dips and no counts."""
        if dips is None or dips < 2:
            return self.unknown(event, context)
        self._dead += 1
        self._dead_dips += dips
        if self._dead_dips < self.dead_total or (self._dead < self.draws and dips < 8):
            return self.unknown(event, context)
        return self.yes(
            event,
            context,
            (0.9, 0.6),
            f"Stroke counter fault: {dips:.0f} dips in the pressure and not one count.",
            Evidence("dips without a count", dips, "strokes", 0.0, 0.0),
        )
