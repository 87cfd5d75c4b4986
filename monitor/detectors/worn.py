"""Worn pump: more strokes for the same work, on every draw."""

from collections import deque
from dataclasses import dataclass, field

import numpy as np

from monitor.advice.kinds import Kind
from monitor.detectors.base import RUNS, Detector, need
from monitor.detectors.context import Context, steady
from monitor.detectors.finding import Evidence, Finding
from monitor.detectors.limits import mean_limits
from monitor.detectors.odometer import Odometer
from monitor.signals.order import median
from monitor.signals.types import Episode, FloatArray

NEW_SEALS = ("seals", "pump changed")
"""Work entries after which the pump has new seals."""
USUAL_SE = 0.005
"""Standard error of what draws are compared with: like draws repeat within 1 % (computed), and
the usual value is read off at least three of them."""


PAIR_95, THREE_95 = 2.77, 3.31
"""Spreads that two and three values of a normal law lie apart at the most, 19 of 20 times
(computed: upper 5 % points of the studentized range with its spread known, scipy.stats)."""


@dataclass(frozen=True, slots=True)
class Took:
    """A draw that took more strokes than this pump's: how many times as many, in spreads of them,
    and its dips against the usual."""

    ratio: float
    z: float
    strokes: int
    dip: float


@dataclass(slots=True)
class Worn(Detector):
    """What it finds: slip past worn balls and seats, the same on both sides.

    How it looks: every draw takes some percent more strokes for its pressure than before, evenly
    spaced, without alternation and without soft dips.

    Needs: a history of like draws.

    Settings: more_share 1.09 (gas that a drum change leaves makes some percent for a while); draws
    3 in a row within twice same_share 0.02 of each other (one outlet's draws repeat within 1 %; gas
    that is carried off is less from draw to draw), or as alike as this pump's draws are; one less
    where both, of plain_strokes 5 at the least, are together beyond plain_z 10 of this pump's
    spread, within same_share of each other, and where the dips have grown by less than deeper 0.5
    of what the strokes have (a wider outlet takes more flow, and dips go with it);
    sudden_share 1.3 (more than that at once is gas or another outlet; over months most_share 1.6);
    draws_many 20 in a row, with dips that have not grown, on a pump of several outlets, also where
    a sound draw came back after one such with dips over firm_share 0.95 of the usual (a bay that
    was added: wear does not heal, and what gas quickens has soft dips); over
    months the same share against this pump's first draws at like pressure, in slow_draws 20 of
    which slow_most 4 may not show it, with dips over soft_share 0.8 of the first ones.

    Blind: on a pump of many outlets for long; a worn tip looks the same on a pump with one.

    What to do: a timed catch from a bay against strokes; rebuild kit.

    References: volumetric efficiency of reciprocating pumps.
    """

    more_share: float = 1.09
    draws: int = 3
    draws_many: int = 20
    plain_z: float = 10.0
    plain_strokes: int = 5
    deeper: float = 0.5
    same_share: float = 0.02
    firm_share: float = 0.95
    sudden_share: float = 1.3
    most_share: float = 1.6
    slow_draws: int = 20
    slow_most: int = 4
    soft_share: float = 0.8
    kind = Kind.WORN
    events = RUNS
    _more: deque[Took] = field(default_factory=lambda: deque(maxlen=20))
    _slow: deque[float] = field(default_factory=lambda: deque(maxlen=20))
    _others: int = 0
    _seals: Odometer = field(default_factory=Odometer)

    def __post_init__(self) -> None:
        need(1 < self.more_share < self.sudden_share <= self.most_share, "worn.more_share")
        need(2 <= self.draws <= self.draws_many <= 20, "worn.draws")

    def rebase(self) -> None:
        """Start counting anew."""
        self._more.clear()
        self._slow.clear()
        self._others = 0

    def update(self, event: Episode, context: Context) -> Finding:
        """Judge a closed draw."""
        fitted = [ts for kind, ts in context.notes.items() if kind in NEW_SEALS]
        self._seals.count(event, max(fitted, default=None))
        flow = context.at_pressure("conductance", event)
        if event.open_ or event.strokes < 2 or flow is None or not self._plain(event, context):
            return self.unknown(event, context)
        slow = self._over_months(event, context)
        if slow is not None:
            shown = [x for x in self._slow if x > self.more_share]
            return self._say(event, context, slow, shown)
        if flow.ratio < 1.0 + 0.5 * (self.more_share - 1.0):
            self._others += any(draw.dip > self.firm_share for draw in self._more)
            self._more.clear()
            grown = bool(self._slow) and self._slow[-1] > self.more_share
            return (self.unknown if grown else self.no)(event, context)
        if not self.more_share < flow.ratio < self.sudden_share or flow.z < 4:
            return self.unknown(event, context)
        if not self._each_stroke(event, context):
            return self.unknown(event, context)
        dip = context.at_pressure("dip_pa", event, 0.01)
        firm = 1.0 if dip is None else dip.ratio
        self._more.append(Took(flow.ratio, flow.z, event.strokes, firm))
        needed = self._needed(context)
        if needed is None or len(self._more) < needed:
            return self.unknown(event, context)
        last = np.array([draw.ratio for draw in self._more][-needed:])
        if not self._same(last, (flow.ratio - 1.0) / flow.z):
            return self.unknown(event, context)
        return self._say(event, context, float(np.median(last)), last.tolist())

    def _same(self, ratios: FloatArray, spread: float) -> bool:
        """Do these draws take as many more, as alike as this pump's draws are?"""
        pair = len(ratios) == 2
        share = self.same_share if pair else 2.0 * self.same_share
        return float(np.ptp(ratios)) <= max(share, (PAIR_95 if pair else THREE_95) * spread)

    def _each_stroke(self, event: Episode, context: Context) -> bool:
        """Does the middle stroke show it? A bay that comes and goes hurries some strokes only."""
        middle = context.at_pressure("interval_s", event)
        return middle is None or middle.ratio * (1.0 + 0.5 * (self.more_share - 1.0)) < 1.0

    def _needed(self, context: Context) -> int | None:
        """Draws in a row that must show it, None where none would do. A wider outlet takes more
        flow, and dips go with it: dips that have not grown tell of slip, and of no new outlet."""
        last = list(self._more)[-self.draws + 1 :]
        dip = median(np.array([draw.dip for draw in last]))
        slip = dip < 1.0 + self.deeper * (last[-1].ratio - 1.0)
        if not context.one_outlet or self._others:
            return self.draws_many if slip else None
        together = sum(draw.z for draw in last) / len(last) ** 0.5
        plain = together > self.plain_z and sum(d.strokes for d in last) >= self.plain_strokes
        return self.draws - 1 if plain and slip else self.draws

    def _over_months(self, event: Episode, context: Context) -> float | None:
        """Strokes for the pressure against this pump's first draws, once the last all show more."""
        if any(k not in (Kind.WORN, Kind.UNUSUAL) for k in context.standing):
            self._slow.clear()  # another matter takes strokes, too, and is not wear
            return None
        now = context.first_at_pressure("conductance", event)
        if now is None:
            return None
        if now.ratio > self.more_share:
            dip = context.first_at_pressure("dip_pa", event)
            if dip is None or dip.ratio < self.soft_share:
                return None
        self._slow.append(now.ratio)
        if len(self._slow) < self.slow_draws:
            return None
        more = sum(x > self.more_share for x in self._slow)
        middle = median(np.array(self._slow))
        told = more >= self.slow_draws - self.slow_most and middle < self.most_share
        return middle if told else None

    def _say(self, event: Episode, context: Context, ratio: float, ratios: list[float]) -> Finding:
        loss = 100.0 * (1.0 - 1.0 / ratio)
        limits = mean_limits(ratios, USUAL_SE)
        low, high = max(1.0 - 1.0 / limits.low, 0.0), 1.0 - 1.0 / limits.high
        return self.yes(
            event,
            context,
            (0.7, min(0.7, 0.2 + loss / 50.0)),
            f"Worn pump: draws take {100 * (ratio - 1):.0f} % more strokes than "
            f"they did; about {loss:.0f} % (95 %: {100 * low:.0f} to {100 * high:.0f}) of each "
            "stroke slips back.",
            Evidence("volumetric loss", loss / 100.0, "share", 0.0, 0.05, low, high),
            *self._since_seals(),
            causes=((Kind.WORN, 0.7), (Kind.BALL_LEAK, 0.15), (Kind.AIR_IN_SUCTION, 0.15)),
        )

    def _since_seals(self) -> tuple[Evidence, ...]:
        """What the present seals have done; nothing where their change was not logged."""
        if self._seals.since_ts is None:
            return ()
        return (Evidence("strokes since the seals were changed", self._seals.strokes, "strokes"),)

    def _plain(self, event: Episode, context: Context) -> bool:
        """Even strokes without alternation: nothing else explains them."""
        f = event.features
        if not steady(event):
            return False
        if (f.get("asymmetry") or 0.0) > 0.035 + (context.of("asymmetry") or 0.0):
            return False
        if (f.get("bounce_share") or 0.0) > 0.0 or (f.get("race_strokes") or 0.0) >= 3:
            return False
        cv, usual = f.get("interval_cv"), context.of("interval_cv")
        return cv is None or cv < 2.5 * (usual or 0.01) + 0.02
