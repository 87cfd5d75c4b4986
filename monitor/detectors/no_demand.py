"""Running with no demand: strokes go on while every valve is closed."""

from collections import deque
from dataclasses import dataclass, field

import numpy as np
from scipy.special import bdtrc

from monitor.advice.kinds import Kind
from monitor.detectors.base import ALL_EVENTS, Detector, need
from monitor.detectors.context import Context
from monitor.detectors.finding import Evidence, Finding
from monitor.hydraulics.line import idle_leak
from monitor.signals.types import Episode
from monitor.units import PA_PER_PSI

Counted = tuple[float, float, int]
"""Strokes at rest, the rest (s) they came in, and how many stretches that rest is made of."""


LEAST_QUIET_S = 60.0
"""Rest that is needed at least to say that a leak has ended, however fast it was (chosen)."""
QUIET_PERIODS = 6.0
"""Rests without a stroke that add up to so many of a leak's periods: it would have shown in them
but once in four hundred times (e^-6)."""


TWENTY = 20
"""Draws of which one in twenty can be told."""


def _forget(times: deque[float], before_ts: float) -> None:
    """Drop what was before."""
    while times and times[0] < before_ts:
        times.popleft()


@dataclass(slots=True)
class NoDemand(Detector):
    """What it finds: a leak, outside or through both balls of a side, that the pump feeds.

    How it looks: single, evenly spaced strokes with the line at stall (interval = displacement /
    leak), or a steady run far longer than this pump's draws.

    Needs: pressure and strokes; with a demand signal any few strokes while all is shut suffice.

    Settings: intervals 4 and spread 0.12 (four intervals of random draws agree so well once in
    some thousands of tries, computed), or three within a third of that, with no pause longer
    than pause_share 1.35 intervals among them, for a leak never rests; short_s 20 s under which
    slow draws stroke as evenly, so that spread must halve and the rhythm outlast short_span_s
    300 s; two like intervals suffice where draws take many 4 strokes and no fall of fall_pa 0.7
    psi came before, none where they take fewer than 3 (cars may come as evenly); slow_s 240 s,
    over which slow_intervals 6 are needed; span_s 120 s and far_share 2 times the longest usual
    draw (draws last 3 to 90 s, common practice); run_s 300 s without history;
    most_ml_s 315, the rated 5 US gal/min (common practice): no leak takes more;
    creep_share 0.45 of a draw's dip, and less than all but one in twenty of them, under which a
    stroke fed a trickle (over draw_dip_share 0.7 and after a fall it is a draw of one stroke, which
    breaks the rhythm), counted over creep_window_s 30 min and more than odds 0.001 let that one in
    twenty be of all single strokes there (binomial law); shut_strokes 4 after shut_s 15 s with
    all valves shut, or as many in late_window_s 20 min, each late_s 8 s and more after the last
    valve closed (a bad ball gives one soon, a refill ends in seconds).

    Blind: in a rush without a demand signal; to leaks under three strokes in the quietest hour.

    What to do: every bay valve and tip for weep, hose joints; then close the line at the pump: if
    strokes stop it is outside, else the check balls.

    References: volume balance Q = N V_d / T; minimum night flow practice of water networks.
    """

    intervals: int = 4
    spread: float = 0.12
    pause_share: float = 1.35
    short_s: float = 20.0
    short_span_s: float = 300.0
    span_s: float = 120.0
    fall_pa: float = 0.7 * PA_PER_PSI
    creep_share: float = 0.45
    draw_dip_share: float = 0.7
    creep_window_s: float = 1800.0
    odds: float = 0.001
    many: float = 4.0
    slow_s: float = 240.0
    slow_intervals: int = 6
    far_share: float = 2.0
    run_s: float = 300.0
    most_ml_s: float = 315.0
    shut_strokes: int = 4
    shut_s: float = 15.0
    kind = Kind.NO_DEMAND
    events = ALL_EVENTS
    _gaps: deque[float] = field(default_factory=lambda: deque(maxlen=12))
    late_s: float = 8.0
    late_window_s: float = 1200.0
    _late: deque[float] = field(default_factory=lambda: deque(maxlen=12))
    _shut_ts: float | None = None
    _tight: bool = True
    _creeps: deque[float] = field(default_factory=lambda: deque(maxlen=20))
    _singles: deque[float] = field(default_factory=lambda: deque(maxlen=200))
    _draws: deque[tuple[float, float]] = field(default_factory=lambda: deque(maxlen=90))
    _leaked: deque[float] = field(default_factory=lambda: deque(maxlen=90))
    _same_rest: int = 0
    _first: float | None = None
    _last: float | None = None
    _period_s: float | None = None
    _quiet_s: float = 0.0

    def __post_init__(self) -> None:
        need(self.intervals >= 3 and 0 < self.spread < 0.5, "no_demand.intervals")
        need(self.run_s > 0 and self.span_s > 0, "no_demand.run_s")

    def rebase(self) -> None:
        """A repair was logged: start counting anew."""
        self._gaps.clear()
        self._late.clear()
        self._creeps.clear()
        self._singles.clear()
        self._leaked.clear()
        self._first = self._last = self._period_s = None

    def update(self, event: Episode, context: Context) -> Finding:
        """Judge rests, single strokes and runs."""
        if event.what == "dead-head":
            return self._rest(event, context)
        if not event.open_ and event.what != "idle strokes":
            self._draws.append((event.start_ts, event.end_ts))
        if self._racing(event, context):
            return self.unknown(event, context)
        if (event.features.get("demand_s") or 0.0) > 0.0:
            self._shut_ts = event.end_ts - (event.features.get("shut_s") or 0.0) - 2.0
        shut = self._shut(event, context)
        if shut is not None:
            return shut
        if event.what == "idle strokes":
            return self._single(event, context)
        return self._long_run(event, context)

    def _racing(self, event: Episode, context: Context) -> bool:
        f = event.features
        rate = f.get("last_rate_hz") or f.get("rate_hz") or 0.0
        tail = f.get("tail_pa")
        low = tail is not None and tail < 0.5 * context.stall_pa
        return rate >= context.race_hz or low or (f.get("bounce_share") or 0.0) > 0.2

    def _rest(self, event: Episode, context: Context) -> Finding:
        """A rest longer than the leak's interval allows says no."""
        rest_s = event.end_ts - event.start_ts
        self._pause(rest_s)
        longest = 600.0 if self._period_s is None else max(2.5 * self._period_s, LEAST_QUIET_S)
        self._quiet_s += 0.0 if event.open_ else rest_s
        many = self._period_s is not None and self._quiet_s >= max(
            QUIET_PERIODS * self._period_s, LEAST_QUIET_S
        )
        if rest_s >= longest or many:
            self._period_s = None
            self._late.clear()
            self._creeps.clear()
            return self.no(event, context)
        return self.unknown(event, context)

    def _pause(self, pause_s: float) -> None:
        """A stroke-free stretch: longer than the rhythm allows, it breaks it."""
        if self._gaps and pause_s > self.pause_share * float(np.median(self._gaps)):
            self._gaps.clear()
            self._first = None
            self._tight = True

    def _shut(self, event: Episode, context: Context) -> Finding | None:
        """With a demand signal: strokes while every valve is known to be shut."""
        f = event.features
        strokes, shut_s = f.get("shut_strokes"), f.get("shut_s")
        if strokes is None or shut_s is None or event.what == "idle strokes":
            return None
        if strokes >= self.shut_strokes and shut_s >= self.shut_s:
            counted = (strokes, shut_s, 1)
            how = f"{strokes:.0f} strokes in {shut_s:.0f} s"
            return self._yes(event, context, counted, 0.95, how)
        return None

    def _chain(self, gap_s: float) -> None:
        """One more interval between single strokes; one that does not fit begins a new rhythm."""
        if self._gaps:
            middle = float(np.median(self._gaps))
            if not middle / self.pause_share < gap_s < middle * self.pause_share:
                self._gaps.clear()
                self._first = None
                self._tight = True
                if gap_s > middle:
                    return
        if self._first is None:
            self._first = self._last
        self._gaps.append(gap_s)

    def _single(self, event: Episode, context: Context) -> Finding:
        """Single strokes at stall: is there a rhythm?"""
        if event.open_:
            return self.unknown(event, context)
        if self._drawlike(event, context):
            self._gaps.clear()
            self._first = self._last = None
            return self.unknown(event, context)
        self._quiet_s = 0.0
        self._follow(event)
        self._leaked.extend(event.stroke_ts.tolist())
        known_shut = event.features.get("demand_s") == 0.0
        if known_shut:
            late = self._late_strokes(event)
            if late is not None:
                return self._yes(event, context, late, 0.9, "strokes with every valve shut")
        if (event.features.get("fell_pa") or 0.0) > self.fall_pa:
            self._tight = False  # pressure fell first, as it does when a valve opens
        creep = self._creep(event, context)
        if creep is not None:
            return self._yes(event, context, creep, 0.85, "single strokes that hardly dip")
        return self._rhythm(event, context, known_shut=known_shut)

    def _rhythm(self, event: Episode, context: Context, *, known_shut: bool) -> Finding:
        """Intervals between single strokes that agree, for longer than a draw could last."""
        if len(self._gaps) < 2 or self._first is None:
            return self.unknown(event, context)
        gaps = np.fromiter(self._gaps, np.float64)[-8:]
        middle = float(np.median(gaps))
        even = float(np.median(np.abs(gaps - middle))) * 1.4826 / middle
        if not self._lasts(
            context, middle, even, event.end_ts - self._first, known_shut=known_shut
        ):
            return self.unknown(event, context)
        self._period_s = middle
        counted = (len(gaps), len(gaps) * middle, 1)
        return self._yes(event, context, counted, 0.9, f"a single stroke every {middle:.0f} s")

    def _follow(self, event: Episode) -> None:
        for ts in event.stroke_ts.tolist():
            if self._last is not None and ts > self._last:
                self._chain(ts - self._last)
            self._last = ts

    def _drawlike(self, event: Episode, context: Context) -> bool:
        """A draw of one stroke: pressure fell before it, and its dip is as deep as a draw's.

        A conveyor brings such draws as evenly as a leak; but a valve that opens lowers the line
        first, and only a draw's flow digs a draw's dip.
        """
        f, usual = event.features, context.of("dip_pa")
        if f.get("demand_s") == 0.0 or (f.get("fell_pa") or 0.0) <= self.fall_pa:
            return False
        dip = f.get("dip_pa")
        return usual is None or dip is None or dip > self.draw_dip_share * usual

    def _creep(self, event: Episode, context: Context) -> Counted | None:
        """Strokes into a trickle: pressure did not fall before, and the dip is shallow.

        The dip of a reversal is flow x dead time / compliance, so one far under a draw's own tells
        of a flow far under a draw's. One bad ball gives at most one such stroke a rest: three with
        two of them in one rest, or four, are asked for, and none while strokes alternate.
        """
        f, dips = event.features, context.usual["dip_pa"]
        usual, dip, fell = dips.median, f.get("dip_pa"), f.get("fell_pa")
        if usual is None or dip is None or fell is None or event.strokes != 1:
            return None
        ts = float(event.stroke_ts[0])
        self._singles.append(ts)
        _forget(self._singles, ts - self.creep_window_s)
        if dip > self.creep_share * usual or abs(fell) > self.fall_pa:
            return None
        if dips.low is not None and len(dips.values) >= TWENTY and dip > dips.low:
            return None  # a pump of short draws: one in twenty ends in the middle of such a dip
        if self._balls(context):
            return None
        self._creeps.append(ts)
        _forget(self._creeps, ts - self.creep_window_s)
        n, pairs = len(self._creeps), self._same_rest
        self._same_rest += 1
        if n < 3 or (n < self.shut_strokes and pairs < 2):
            return None
        if bdtrc(n - 1, max(len(self._singles), n), 1.0 / TWENTY) > self.odds:
            return None  # so few of so many: draws that ended in the middle of a dip
        since = self._creeps[0]
        return self._at_rest(deque(x for x in self._leaked if x >= since))

    def _at_rest(self, strokes: deque[float]) -> Counted:
        """These strokes over the time at rest between the first and the last: the leak goes on
        through the draws between, but its strokes there are the draws'."""
        first, last = strokes[0], strokes[-1]
        within = [min(b, last) - max(a, first) for a, b in self._draws]
        drawn = [s for s in within if s > 0.0]
        rested = max(last - first - sum(drawn), 0.25 * (last - first), 1.0)
        return len(strokes) - 1, rested, len(drawn) + 1

    def _balls(self, context: Context) -> bool:
        """Do the strokes of the last draws alternate?"""
        usual = context.of("asymmetry") or 0.0
        last = [e.features.get("asymmetry") for e in list(context.recent)[-6:]]
        return any(a is not None and a > usual + 0.03 for a in last)

    def _late_strokes(self, event: Episode) -> Counted | None:
        """Strokes over shut time once enough of them came well after the last valve closed.

        A bad ball gives one stroke soon after a draw; a leak gives one whenever it is due.
        """
        since = self._shut_ts
        for ts in event.stroke_ts.tolist():
            if since is None or ts - since >= self.late_s:
                self._late.append(ts)
        _forget(self._late, event.end_ts - self.late_window_s)
        if len(self._late) < self.shut_strokes:
            return None
        return self._at_rest(self._late)

    def _lasts(
        self, context: Context, middle: float, even: float, span: float, *, known_shut: bool
    ) -> bool:
        """The rhythm is even enough and outlasts what a draw could be."""
        if known_shut:
            return even <= 0.3
        often = context.of("strokes")
        n = len(self._gaps)
        if often is not None and often >= self.many and self._tight and middle >= self.short_s:
            gaps = list(self._gaps)[-3:]
            if max(gaps) - min(gaps) <= self.spread * middle:
                return True  # draws of this pump take several strokes: these single ones are none
        if n < self.intervals - 1:
            return False
        if often is not None and often < 3.0:
            return False  # its draws are such strokes, at the cars' own rhythm: only creeps tell
        longest = self.far_share * (context.usual["duration_s"].high or 0.0)
        if middle < self.short_s:
            return even <= self.spread / 2 and span >= max(self.short_span_s, 1.5 * longest)
        if middle > self.slow_s and len(self._gaps) < self.slow_intervals:
            return False  # a warm line or a rare draw makes a few strokes in a night, too
        if len(self._gaps) < self.intervals:
            return even <= self.spread / 3 and span >= max(self.span_s, longest)
        return even <= self.spread and span >= max(self.span_s, longest)

    def _long_run(self, event: Episode, context: Context) -> Finding:
        """A steady run that outlasts this pump's draws."""
        f = event.features
        if event.strokes:
            self._last = None
            self._same_rest = 0
        length = event.duration_s + (f.get("continued_s") or 0.0)
        longest = context.usual["duration_s"].high
        limit = self.run_s if longest is None else max(self.run_s, 3.0 * longest)
        rate, cv = f.get("rate_hz"), f.get("interval_cv")
        demand_s = f.get("demand_s")
        if demand_s is not None and demand_s > 0:
            return self.unknown(event, context)
        if length < limit or rate is None or rate <= 0.0 or cv is None or cv > 0.2:
            return self.unknown(event, context)
        if rate * context.scales.displacement_ml > self.most_ml_s:
            return self.unknown(event, context)  # more than the pump can deliver: it moves gas
        self._period_s = 1.0 / rate
        counted = (event.strokes - 1, (event.strokes - 1) / rate, 1)
        how = f"a steady run of {length / 60:.0f} minutes"
        return self._yes(event, context, counted, 0.75, how)

    def _yes(
        self, event: Episode, context: Context, counted: Counted, confidence: float, how: str
    ) -> Finding:
        strokes, rested_s, windows = counted
        self._quiet_s = 0.0
        self._period_s = self._period_s or rested_s / max(strokes, 1)
        found = idle_leak(strokes, rested_s, context.scales.displacement_ml, windows=windows)
        leak, limits = found.leak_ml_min, found.limits
        return self.yes(
            event,
            context,
            (confidence, 0.3 + min(0.6, leak / 1000.0)),
            f"Running with no demand: {how} while the line stands at stall pressure; a leak of "
            f"about {leak:.0f} mL/min (95 %: {limits.low:.0f} to {limits.high:.0f}), "
            f"{context.show.volume(leak * 1440.0)} a day.",
            Evidence("leak", leak, "mL/min", 0.0, 0.0, limits.low, limits.high),
            Evidence("stroke rate", strokes / rested_s, "1/s"),
            causes=((Kind.NO_DEMAND, 0.85), (Kind.BALL_LEAK, 0.15)),
        )
