"""Lost prime: the foot valve leaks back while the pump rests."""

from collections import deque
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from monitor.advice.kinds import Kind
from monitor.detectors.base import RUNS, Detector, need
from monitor.detectors.context import Context, once
from monitor.detectors.finding import Evidence, Finding
from monitor.detectors.racing import (
    FOOT_REST_S,
    GAS_SHARE,
    QUICKENED,
    Race,
    race,
    thinned,
)
from monitor.detectors.strip import after_short_rest
from monitor.signals.order import median
from monitor.signals.types import Episode

HEALED = 0.55
"""The last intervals against the usual one: gas leaves a primed pump's chambers slowly."""

SLOWING = 2.0
"""Strokes that end twice as slow as the fastest are on their way back."""


SLOWED_SHARE = 0.95
"""Of the usual time: strokes jitter by 0.5 to 3 % (chosen)."""

WHOLE_FIRST = 3
"""A whole stroke or two may still come of liquid in the chambers before the gas arrives."""


@once
def burst(event: Episode, context: Context) -> tuple[int, bool] | None:
    """(fast strokes at the run's start, healed after them); None when it cannot be said.

    Fast: under 0.7 of the usual interval, or of the run's own last intervals without history.
    """
    t = event.intervals_s
    if len(t) < 3:
        return None
    usual = context.of("rate_hz")
    own = median(t[-3:])
    normal = own if usual is None else 1.0 / usual
    fast = t < 0.7 * normal
    if usual is None and len(t) < 8 and fast.any():
        return None
    fast = fast[int(fast[:WHOLE_FIRST].argmax()) :]  # what is slow before is liquid before the gas
    slow = np.flatnonzero(~fast).tolist()
    if not slow:
        return len(t), False
    n = next((a for a, b in pairwise(slow) if b == a + 1), slow[-1])  # one slow one is a miss
    healing = own > SLOWING * float(t[1:].min())
    return n, bool(own > HEALED * normal or healing)


def healing(event: Episode, heal_share: float = 1.25, usual_s: float | None = None) -> bool:
    """Do the strokes slow down again, side by side, from their quickest early on to the run's end?

    Each is held against the one two before it, for one side may lead the other; strokes that are
    merely ragged go up and down. Those that are back to the usual time (s) have slowed down.
    """
    t = event.intervals_s
    if len(t) < 3:
        return False
    quickest = int(t.argmin())
    later = t[quickest:]
    rises = later[2:] > later[:-2]
    if usual_s is not None:
        slowed = later > SLOWED_SHARE * usual_s
        rises |= slowed[2:]
        both = np.flatnonzero(slowed[1:] & slowed[:-1])
        rises = rises[: int(both[0])] if len(both) else rises
    if quickest > len(t) // 2 or len(rises) < 1 or int((~rises).sum()) > len(rises) // 5:
        return False
    return median(t[-2:]) > heal_share * float(t.min())


@dataclass(slots=True)
class LostPrime(Detector):
    """What it finds: a dirty or leaking foot valve that lets the suction line run empty at rest.

    How it looks: the first draw after a rest starts with a burst of fast strokes, the more the
    longer the rest, then the pump is sound again.

    Needs: strokes, and draws after rests.

    Settings: burst_strokes 3 (one odd stroke is nothing, and gas at rest gives one or two);
    times 2 of the last window 4 draws after rests of rest_s 60 s (a drum swapped well gives one
    burst and no more), where a rest shorter than those that showed it says nothing, and a sound
    draw after one as long as theirs takes them back (the longer the rest, the more gas);
    dry_share 0.36, the share of the usual interval under which two of its strokes must come (two
    open bays halve it, three leave a third); or extra 1.3
    strokes more than the draw's time holds at the usual interval, slowing by heal_share 1.25 from
    the quickest on, with dips under soft_share 0.9; or a race of race_strokes 8 whose gas came
    with the first strokes after a rest of minutes; always_share 0.06 quicker, and cleared 0.4 of
    this draw's own quickness, also in draws right after another one, and it is no foot valve.

    Blind: on a pump that never rests; to a leak slower than the rests.

    What to do: foot valve dirty or leaking, suction joints, ball seats.

    References: orifice drain of a column (Torricelli); burst = drained volume / displacement.
    """

    burst_strokes: int = 3
    times: int = 2
    window: int = 4
    rest_s: float = 60.0
    dry_share: float = GAS_SHARE
    extra: float = 1.3
    heal_share: float = 1.25
    soft_share: float = 0.9
    race_strokes: float = 8.0
    always_share: float = 0.06
    cleared: float = 0.4
    kind = Kind.LOST_PRIME
    events = RUNS
    _bursts: deque[int] = field(default_factory=lambda: deque(maxlen=4))
    _rests: deque[float] = field(default_factory=lambda: deque(maxlen=4))

    def __post_init__(self) -> None:
        need(self.burst_strokes >= 2, "lost_prime.burst_strokes")
        need(1 <= self.times <= self.window <= 4, "lost_prime.times")

    def rebase(self) -> None:
        """Start counting anew."""
        self._bursts.clear()
        self._rests.clear()

    def gulped(self, _ts: float) -> None:
        """A burst was the change's."""
        self.rebase()

    def update(self, event: Episode, context: Context) -> Finding:
        """Judge a draw that followed a rest; a race also while it lasts."""
        now = race(event, context)
        if now is not None:
            raced = now.kind is Kind.LOST_PRIME and now.strokes >= self.race_strokes
            return self._raced(event, context, now) if raced else self.unknown(event, context)
        rest = event.features.get("rest_before_s")
        if event.open_ or rest is None or rest < self.rest_s:
            return self.unknown(event, context)
        n, healthy = self._burst(event, context)
        if n and (self._always(event, context) or self._left_over(rest, context)):
            return self.unknown(event, context)
        if n is None or (not n and self._rests and rest < float(np.median(self._rests))):
            return self.unknown(event, context)  # so short a rest may not drain the line
        self._bursts.append(n)
        if n:
            self._rests.append(rest)
        hits = [b for b in self._bursts if b]
        if not n:
            self._take_back(rest)
            healthy = healthy and not any(list(self._bursts)[-2:])
            return (self.no if healthy else self.unknown)(event, context)
        if len(hits) < self.times:
            return self.unknown(event, context)
        return self._say(event, context, n, len(hits))

    def _take_back(self, rest_s: float) -> None:
        """What rests no longer than this one showed was not a foot valve."""
        if self._rests and max(self._rests) <= rest_s:
            self._bursts.extend([0] * self.window)
            self._rests.clear()

    def _burst(self, event: Episode, context: Context) -> tuple[int | None, bool]:
        """(strokes that moved gas at the draw's start, None where it does not say; sound?)."""
        more = self._more(event, context)
        found = burst(event, context)
        if found is None:
            return (more, False) if more else (None, False)
        n, healed = found
        if not self._dry(event, context, n) or n < self.burst_strokes:
            n = 0  # not fast enough for gas: a second bay was open at first
        if not healed and not self._gassy(event, context):
            n = 0
        return max(n, more), healed

    def _gassy(self, event: Episode, context: Context) -> bool:
        """Did the draw end before the gas was through? Its strokes thinned from the first on, or
        were quick from the first after a rest of minutes, and their dips were soft: two bays at
        once are quick from the first, with deeper dips."""
        firm = context.at_pressure("dip_pa", event, 0.01) or context.against(
            "dip_pa", event.features.get("dip_pa"), 0.01
        )
        soft = firm is not None and firm.ratio < self.soft_share
        usual, rest = context.of("interval_s"), event.features.get("rest_before_s") or 0.0
        at_once = usual is not None and float(event.intervals_s[0]) < QUICKENED * usual
        return soft and (thinned(event, usual) or (at_once and rest >= FOOT_REST_S))

    def _always(self, event: Episode, context: Context) -> bool:
        """Are draws right after another one quick as well, and not by much less than this one after
        its rest? Then gas comes all the time; what the draw before had not yet cleared is less."""
        short, like = after_short_rest(event, context), context.at_pressure("interval_s", event)
        if len(short) < 2 or like is None or like.usual <= 0:
            return False
        own = -float(np.log(event.intervals_s.mean() / like.usual))
        return float(np.median(short)) > max(self.always_share, self.cleared * own)

    def _left_over(self, rest_s: float, context: Context) -> bool:
        """Did the draw before end on gas, and so shortly before that this is the rest of it?"""
        past = [e for e in context.recent if e.strokes >= 3]
        usual = context.of("interval_s")
        if not past or usual is None or rest_s > FOOT_REST_S:
            return False
        return float(past[-1].intervals_s[-1]) < QUICKENED * usual

    def _more(self, event: Episode, context: Context) -> int:
        """Strokes beyond what the draw's time holds at the usual interval, when they slow down
        again and their dips are soft; 0 when there are none such."""
        t = event.intervals_s
        firm = context.at_pressure("dip_pa", event, 0.01)
        if len(t) < 3 or firm is None or firm.ratio > self.soft_share:
            return 0
        like = context.at_pressure("interval_s", event)
        if like is None or like.usual <= 0:
            return 0
        extra = len(t) - float(t.sum()) / like.usual
        heals = extra >= self.extra and healing(event, self.heal_share, like.usual)
        return max(1, round(extra)) if heals else 0

    def _raced(self, event: Episode, context: Context, now: Race) -> Finding:
        rest = event.features.get("rest_before_s") or 0.0
        return self.yes(
            event,
            context,
            (now.sure, 0.9),
            f"Lost prime: after {rest / 60:.0f} minutes of rest the strokes quickened to "
            f"{now.rate_hz:.1f} a second; the suction line has run empty through the foot valve.",
            Evidence("stroke rate", now.rate_hz, "1/s", None, context.race_hz),
            Evidence("rest before", rest, "s"),
            Evidence("pressure", now.pressure_pa, "Pa"),
            causes=((Kind.LOST_PRIME, now.sure), (Kind.DRUM_EMPTY, 1.0 - now.sure)),
        )

    def _say(self, event: Episode, context: Context, n: int, hits: int) -> Finding:
        rest = event.features.get("rest_before_s") or 0.0
        return self.yes(
            event,
            context,
            (0.75 + 0.05 * min(hits, 4), 0.5),
            f"Lost prime: {n} strokes of gas at the start after {rest / 60:.0f} minutes of rest, "
            "then sound again; the foot valve leaks back.",
            Evidence("strokes of gas", float(n), "strokes", 0.0, float(self.burst_strokes - 1)),
            Evidence("rest before", rest, "s"),
            causes=((Kind.LOST_PRIME, 0.8), (Kind.AIR_IN_SUCTION, 0.2)),
        )

    def _dry(self, event: Episode, context: Context, n: int) -> bool:
        """At least two strokes of the burst moved gas."""
        t = event.intervals_s
        usual = context.of("rate_hz")
        normal = median(t[-3:]) if usual is None else 1.0 / usual
        return int((t[:n] < self.dry_share * normal).sum()) >= 2
