"""Leaking check ball: strokes alternate long and short."""

from collections import deque
from dataclasses import dataclass, field

import numpy as np

from monitor.advice.kinds import Kind
from monitor.detectors.base import RUNS, Detector, need
from monitor.detectors.context import Context
from monitor.detectors.finding import Evidence, Finding
from monitor.detectors.limits import mean_limits, t_95
from monitor.detectors.strip import before, even_turns, strip
from monitor.hydraulics.band import Band
from monitor.hydraulics.line import Z_95
from monitor.hydraulics.pump import VALVE_S, ball_leak_from_rate_ml_s
from monitor.signals.dips import LEAST_DIP_PA
from monitor.signals.order import median
from monitor.signals.types import Episode

GROSS = 0.35
"""Above this the two sides differ by more than 2 : 1: air through a torn diaphragm, not a ball."""
CATCH_SHARE = 0.03
"""Doubt of a displacement from a catch test, as a share (chosen, as the drum forecast takes it)."""


PAST_DRAWS, PAST_TURNS = 12, 6
"""Draws and turns that tell how much a pump alternates by itself: a median of six repeats within
half of a turn's spread, which is 1 % (computed)."""


@dataclass(slots=True)
class BallLeak(Detector):
    """What it finds: one check ball or seat that lets liquid back.

    How it looks: the strokes of one side are shorter in time than those of the other, the more
    so the smaller the draw; the pump parks with the good side driving.

    Needs: strokes only.

    Settings: more 0.03 above this pump's usual alternation and z 4 standard errors of the medians
    (a reed off centre gives a constant alternation, which is the usual one); without history
    alone 0.06; two draws in a row (overlapping draws may alternate once by chance), or, where draws
    are short, the strokes of the last two or three together (or turns 10 over twelve draws: ten
    alike come by chance once in 500 times); whole_share 0.9 of the usual interval at that pressure,
    which the sound side still takes (gas shortens both), with dips over soft_share 0.5 of the
    usual, where those are plain (gas softens them; a ball may take a fifth and more).

    Blind: to wear of all four balls alike; in draws of fewer than six strokes.

    What to do: balls and seats of the parked side; a kit of the right elastomer.

    References: volume balance of the leaking side, A = q / (2 Q + q).
    """

    more: float = 0.03
    z: float = 4.0
    alone: float = 0.06
    whole_share: float = 0.9
    soft_share: float = 0.5
    turns: int = 10
    kind = Kind.BALL_LEAK
    events = RUNS
    _last: deque[bool] = field(default_factory=lambda: deque(maxlen=3))
    _leaks: deque[float] = field(default_factory=lambda: deque(maxlen=8))

    def __post_init__(self) -> None:
        need(0 < self.more < 1 and 0 < self.alone < 1, "ball_leak.more")

    def rebase(self) -> None:
        """Start counting anew."""
        self._last.clear()
        self._leaks.clear()

    def update(self, event: Episode, context: Context) -> Finding:
        """Judge a closed draw."""
        f = event.features
        a, se, pairs = f.get("asymmetry"), f.get("asymmetry_se"), f.get("pairs")
        if event.open_ or event.strokes < 2 or self._otherwise(event):
            return self.unknown(event, context)
        if not self._sound(event, context):
            return self.unknown(event, context)
        if a is None or se is None or pairs is None or pairs < 1:
            return self._short(event, context)
        usual = self._usual(context)
        limit = self.alone if usual is None else usual + self.more
        noise = max(se, (f.get("sample_s") or 0.05) / (f.get("interval_s") or 1.0) / pairs**0.5 / 2)
        ragged = f.get("ragged") or 0.0
        odd = a > limit and a - (usual or 0.0) > self.z * noise and ragged < 0.5 * a + 0.03
        odd = odd and even_turns(event.intervals_s)
        if a > GROSS:
            return self.unknown(event, context)
        self._last.append(odd)
        if not odd:
            self._leaks.clear()
        elif f.get("rate_hz"):
            self._leaks.append(self._leak_ml_min(event, context, a))
        if odd and self._again(event, context, limit):
            return self._say(event, context, a, usual, t_95(2.0 * pairs - 2.0) * noise)
        if not odd and a < limit - 0.3 * self.more:
            return self.no(event, context)
        return self.unknown(event, context)

    def _usual(self, context: Context) -> float | None:
        """This pump's alternation; of short draws, that of those before the last two together."""
        own = context.of("asymmetry")
        if own is not None:
            return own
        past = before(context, PAST_DRAWS, 2)
        return past.asymmetry if past is not None and len(past.turns) >= PAST_TURNS else None

    def _otherwise(self, event: Episode) -> bool:
        """A bouncing contact or a race: other kinds' matters."""
        f = event.features
        return (f.get("bounce_share") or 0) > 0.05 or (f.get("race_strokes") or 0) >= 5

    def _sound(self, event: Episode, context: Context) -> bool:
        """Does the slower side take this pump's usual time, and are dips firm? Gas quickens both
        sides and softens dips, and a valve that closes for a moment makes one stroke longer."""
        like = context.at_pressure("interval_s", event)
        if like is None:
            return context.of("interval_s") is None  # another outlet: its time is not known
        dip = context.at_pressure("dip_pa", event, 0.01)
        if dip is not None and dip.usual > LEAST_DIP_PA and dip.ratio < self.soft_share:
            return False
        t = event.intervals_s
        slow = max(median(side) for side in (t[::2], t[1::2]) if len(side)) / like.usual
        return self.whole_share < slow < 2.0 - self.whole_share

    def _again(self, event: Episode, context: Context, limit: float) -> bool:
        """Has another draw alternated, too? Where nothing is known of the pump yet, two: draws that
        overlap may look so."""
        if self._usual(context) is None:
            return sum(self._last) >= 3
        return sum(self._last) >= 2 or self._before(event, context, limit)

    def _before(self, event: Episode, context: Context, limit: float) -> bool:
        """Did the draw before alternate as this one does?"""
        two = strip(event, context, 2)
        return two.draws == 2 and two.steady_turns and (two.asymmetry or 0.0) > limit

    def _short(self, event: Episode, context: Context) -> Finding:
        """A draw of few strokes: together with those before it.

        A second bay that opens within a draw makes its later strokes quicker, again and again on
        whichever side: only to and fro within a draw, or many draws, tell of a side.
        """
        if event.strokes < 3:
            return self.unknown(event, context)
        own = event.intervals_s
        to_and_fro = len(own) >= 3 and even_turns(own)
        two = strip(event, context, 2)
        last = two if to_and_fro and len(two.turns) >= PAST_TURNS else None
        if last is None or not last.steady_turns:
            last = strip(event, context, 3 if to_and_fro else 12)
        a, usual = last.asymmetry, self._usual(context) or 0.0
        few = not to_and_fro and len(last.turns) < self.turns
        if a is None or last.draws < 2 or few or a > GROSS:
            return self.unknown(event, context)
        noise = max(last.asymmetry_se, 0.01)
        plain = a > usual + 3.0 * self.more and a - usual > self.z * noise
        slow = last.slow_share or 0.0
        sound = self.whole_share < slow < 2.0 - self.whole_share
        if plain and sound and last.steady_turns and context.of("interval_s") is not None:
            return self._say(event, context, a, usual, t_95(len(last.turns) / 2.0 - 1.0) * noise)
        return self.unknown(event, context)

    def _leak_ml_min(self, event: Episode, context: Context, a: float) -> float:
        rate_hz, own_ml = event.features.get("rate_hz") or 0.0, context.scales.displacement_ml
        leak = ball_leak_from_rate_ml_s(rate_hz, own_ml, min(max(a, 0.0), 2.0 * GROSS))
        # While the air valve shifts the rod stands, and the ball does not leak.
        return 60.0 * leak / max(1.0 - VALVE_S.middle * rate_hz, 0.5)

    def _told(self, event: Episode, context: Context, a: float, room: float) -> tuple[float, Band]:
        """Leak and its limits (mL/min); room: half the width of the alternation's 95 % interval.

        Three draws and more show their spread themselves. What no draw shows: the doubt of the
        displacement, and how long the air valve takes to shift.
        """
        rate_hz = event.features.get("rate_hz") or 0.0
        shared = float(np.hypot(CATCH_SHARE, (VALVE_S.high - VALVE_S.middle) * rate_hz))
        if len(self._leaks) >= 3:
            leak = float(np.mean(self._leaks))
            found = mean_limits(self._leaks, shared * leak)
        else:
            low, leak, high = (
                self._leak_ml_min(event, context, x) for x in (a - room, a, a + room)
            )
            half = float(np.hypot((high - low) / 2.0, Z_95 * shared * leak))
            found = Band(leak - half, leak + half)
        return leak, Band(max(found.low, 0.0), found.high)

    def _say(
        self, event: Episode, context: Context, a: float, usual: float | None, room: float
    ) -> Finding:
        leak, limits = self._told(event, context, a, room)
        if limits.low <= 0.0:
            return self.unknown(event, context)  # it may be none at all
        return self.yes(
            event,
            context,
            (0.85, min(0.8, 0.3 + a)),
            f"Leaking check ball: strokes alternate long and short by {100 * a:.0f} %, "
            f"about {leak:.0f} mL/min (95 %: {limits.low:.0f} to {limits.high:.0f}) runs back.",
            Evidence("alternation", a, "share", None, self.alone if usual is None else usual),
            Evidence("leak back", leak, "mL/min", 0.0, 0.0, limits.low, limits.high),
            causes=((Kind.BALL_LEAK, 0.85), (Kind.DIAPHRAGM, 0.15)),
        )
