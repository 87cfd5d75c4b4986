"""Stroke counter fault: dead, bouncing, or missing strokes."""

from collections import deque
from dataclasses import dataclass, field

import numpy as np
from scipy.special import bdtrc

from monitor.advice.kinds import Kind
from monitor.detectors.base import RUNS, Detector, need
from monitor.detectors.context import Context
from monitor.detectors.finding import Evidence, Finding
from monitor.signals.types import Episode

PRIOR_DIPS = 100.0
"""Dips of which a sound counter, before anything is known of it, misses one (chosen: a contact that
works counts every stroke, and what else looks like a dip is rarer)."""


@dataclass(slots=True)
class StrokeCounter(Detector):
    """What it finds: a reed, hall or exhaust switch that does not count what the pump strokes.

    How it looks: dips without counts (dead); counts closer than a pump can stroke (bounce); fewer
    counts at the same pressure and the same dips (missing).

    Needs: pressure that shows the dips; history for missing counts.

    Settings: dips of depth_share 0.7 of the usual depth beyond the counts, over two runs of the
    last five (or plenty 6 in one), uncounted_share 0.25 of all dips and more than this pump's own
    share of such dips brings about by chance (binomial law, odds 1 in 60,000: three thousand draws
    a month and twenty tests share one false alarm); dips even within
    even_cv 0.15 and no closer than pace 0.6 of the usual interval (a line that creeps at stall saws
    faster, a valve that chatters unevenly); bounce_share 0.15 of
    the intervals under 40 ms (60 ms is the least a pump can do, computed; bounce of reeds 0.5 to
    1 ms, lock-outs 10 to 20 ms), bounces 3 of them over three runs; intervals that are whole
    multiples of
    the usual one within fit 0.05 (times the root of the multiple, jitter being 0.5 to 3 %), at
    the usual pressure, skip_share 0.2 of the strokes left out, with switches 6 between counted
    and skipped over three draws in a row (a second bay comes and goes in blocks), while all dips
    are alike within dip_cv 0.15 (a dip grows with the flow) and half of what was left out shows as
    dips (a pause shows none), on a pump whose draws keep within one_outlet 1.25 of each other;
    draws 2 for dips.

    Blind: where dips are under 1 psi; bounce in fast strokes recorded at few samples a second.

    What to do: magnet gap, wire, connector; the counter's lock-out time.

    References: choked exhaust bounds the rate (ISO 6358).
    """

    odds: float = 1.0 / 60_000.0
    plenty: float = 6.0
    uncounted_share: float = 0.25
    even_cv: float = 0.15
    pace: float = 0.6
    bounces: float = 3.0
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
    _missing: deque[tuple[float, int]] = field(default_factory=lambda: deque(maxlen=3))
    _extra: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=5))
    _bounced: deque[tuple[float, int]] = field(default_factory=lambda: deque(maxlen=3))

    def __post_init__(self) -> None:
        need(0 < self.odds < 0.01 and 0 < self.skip_share < 1, "stroke_counter.odds")

    def rebase(self) -> None:
        """Start counting anew."""
        self._missing.clear()
        self._extra.clear()
        self._bounced.clear()

    def update(self, event: Episode, context: Context) -> Finding:
        """Judge a run, bounce also while it lasts."""
        f = event.features
        share = f.get("bounce_share") or 0.0
        if self._bouncing(event, share):
            return self._bounce(event, context)
        if event.open_:
            return self.unknown(event, context)
        dips = self._dips(event, context)
        if self._uncounted(event, context, dips):
            return self._short(event, context, self._extra_share(), dips or 0.0)
        if event.strokes == 0:
            return self.unknown(event, context)
        found = self._skips(event, context)
        if found is None:
            good = share == 0.0 and event.strokes >= 3 and dips
            calm = not self._missing and not self._extra_share()
            return (self.no if good and calm else self.unknown)(event, context)
        less, switches = found
        if less == 0.0:
            self._missing.clear()
            return self.unknown(event, context) if self._extra_share() else self.no(event, context)
        self._missing.append((less, switches))
        few = len(self._missing) < 3 or sum(n for _, n in self._missing) < self.switches
        if few or less < self.skip_share:
            return self.unknown(event, context)
        return self._short(event, context, less, event.features.get("dips") or 0.0)

    def _short(self, event: Episode, context: Context, less: float, dips: float) -> Finding:
        if event.strokes == 0:
            said = f"{dips:.0f} dips in the pressure and not one count."
        else:
            said = f"{100 * less:.0f} % of the strokes are not counted."
        return self.yes(
            event,
            context,
            (0.9 if event.strokes == 0 else 0.85, 0.6),
            "Stroke counter fault: " + said,
            Evidence("strokes not counted", less, "share", 0.0, self.uncounted_share),
            Evidence("dips", dips, "strokes"),
            Evidence("strokes counted", float(event.strokes), "strokes"),
        )

    def _bouncing(self, event: Episode, share: float) -> bool:
        """Counts too close, in this run or, on a pump of few strokes, over the last three."""
        if share > self.bounce_share and event.strokes >= 6:
            return True
        if event.open_ or event.strokes < 2:
            return False
        self._bounced.append((share * (event.strokes - 1), event.strokes - 1))
        bounced, pairs = (sum(x) for x in zip(*self._bounced, strict=True))
        return share > 0.0 and bounced >= self.bounces and bounced > 2 * self.bounce_share * pairs

    def _dips(self, event: Episode, context: Context) -> float | None:
        """Dips as deep as this pump's strokes leave, at a pace it can have."""
        f = event.features
        dips, apart, usual = f.get("dips"), f.get("dips_interval_s"), context.of("interval_s")
        depth, usual_pa = f.get("deepest_pa"), context.of("deepest_pa")
        if depth is None or usual_pa is None or depth < self.depth_share * usual_pa:
            return None  # a stick-slip creep at stall saws within the restart band
        if usual is None or (apart is not None and apart < self.pace * usual):
            return None
        return dips

    def _uncounted(self, event: Episode, context: Context, dips: float | None) -> bool:
        """More dips than counts, beyond what this pump shows, and so over the last runs."""
        even = event.features.get("dips_cv")
        if not dips or event.what == "prime" or (even or 0.0) > self.even_cv:
            return False
        extra = max(0.0, dips - event.strokes)
        self._extra.append((extra, dips))
        runs = sum(1 for x, _ in self._extra if x >= 1.0)
        many = self._extra_share() > self.uncounted_share
        lasting = runs >= self.draws or extra >= self.plenty
        return extra >= 1.0 and many and lasting and self._by_chance(context) < self.odds

    def _by_chance(self, context: Context) -> float:
        """How likely is it that a sound counter leaves as many dips uncounted, in the last run, the
        last two, and so on? The rarest of these looks, times their number."""
        ratios, strokes = context.usual["dip_share"].values, context.of("strokes") or 1.0
        before = sum(max(ratio - 1.0, 0.0) for ratio in ratios) * strokes
        usual = (before + 1.0) / (sum(ratios) * strokes + PRIOR_DIPS)
        extra, dips = np.cumsum(list(self._extra)[::-1], axis=0).T
        return float(len(extra) * bdtrc(extra - 1.0, dips.astype(int), usual).min())

    def _extra_share(self) -> float:
        """Share of the dips that nothing counted, over those of the last runs that had any."""
        short = [(x, n) for x, n in self._extra if x >= 1.0]
        return sum(x for x, _ in short) / sum(n for _, n in short) if short else 0.0

    def _skips(self, event: Episode, context: Context) -> tuple[float, int] | None:
        """(share of strokes left out, switches between counted and skipped), when the intervals
        are whole multiples of the usual one; None when they are not."""
        t = event.intervals_s
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
        good = np.abs(times - whole) < self.fit * np.sqrt(whole)
        if np.count_nonzero(good) / len(t) < 0.9:
            return None
        demand = context.against("demand_pa", event.features.get("demand_pa"), 0.002)
        if demand is not None and abs(demand.ratio - 1.0) > 0.02:
            return None
        skipped = whole > 1
        left_out, dips = float(whole.sum()) - len(t), self._dips(event, context)
        shown = max(context.of("dip_share") or 1.0, 1.0) * event.strokes
        if dips is not None and dips - shown < 0.5 * left_out:
            return None  # two draws close together: what was not counted leaves dips, a pause none
        switches = int(np.count_nonzero(skipped[1:] != skipped[:-1]))
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
            Evidence("counts within 40 ms", share, "share", 0.0, self.bounce_share),
        )
