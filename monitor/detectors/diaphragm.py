"""Ruptured diaphragm: drive air blows into the liquid on every second stroke."""

from dataclasses import dataclass, field

import numpy as np

from monitor.advice.kinds import Kind
from monitor.detectors.ball_leak import GROSS
from monitor.detectors.base import RUNS, Detector, need
from monitor.detectors.context import Context
from monitor.detectors.finding import Evidence, Finding
from monitor.detectors.racing import ALIKE, race
from monitor.detectors.strip import even_turns, joined, strip
from monitor.signals.strokes import alternation
from monitor.signals.types import Episode


@dataclass(slots=True)
class Diaphragm(Detector):
    """What it finds: a torn diaphragm.

    How it looks: one side strokes several times faster than the other, more strokes for the same
    pressure, dips soften because gas gathers in the line; strokes may go on at stall.

    Needs: strokes; pressure for the gas.

    Settings: gross 0.35 alternation (over 2 : 1; a moderate ball leak stays under it at its
    smallest draw), over the last draws together where they are short; more_share 1.3 times the
    usual strokes for the pressure; soft_share 0.8 of the usual dip, not asked for above plain 0.6
    (4 to 1, which no ball and no gas gives, and one run is enough); sound_share 0.25 of the usual
    interval, which the sound side keeps at least (a pump that races on gas may limp as well), or
    half of that above plain; times 2 runs in a row, or many 10 strokes in one, or turns 4 over the
    last runs, in which the same side leads all the time.

    Blind: a large tear may stop the pump with the pressure looking fine; a pinhole looks like air
    in the suction.

    What to do: look for liquid at the exhaust; stop the pump if found; diaphragm set, flush.

    References: drive chamber over liquid chamber pressure by the losses (force balance).
    """

    gross: float = GROSS
    more_share: float = 1.3
    soft_share: float = 0.8
    plain: float = 0.6
    sound_share: float = 0.25
    times: int = 2
    turns: int = 4
    many: int = 10
    _runs: set[float] = field(default_factory=set)
    kind = Kind.DIAPHRAGM
    events = RUNS

    def __post_init__(self) -> None:
        need(0.1 < self.gross < 1.0, "diaphragm.gross")

    def rebase(self) -> None:
        """Start counting anew."""
        self._runs.clear()

    def update(self, event: Episode, context: Context) -> Finding:
        """Judge a run of six strokes or more."""
        f = event.features
        if (f.get("bounce_share") or 0.0) > 0.05 or event.strokes < 2:
            return self.unknown(event, context)
        if self._both_race(event, context):
            return self.no(event, context)
        a, se = self._alternation(event, context)
        if a is None:
            return self.unknown(event, context)
        flow = context.against("conductance", f.get("conductance"))
        firm = context.against("dip_pa", f.get("dip_pa"), 0.01)
        soft = firm is not None and firm.ratio < self.soft_share
        more = flow is not None and flow.ratio > self.more_share
        plain = a > self.plain and more
        told = plain or (soft and (more or flow is None))
        if told and a > self.gross and a > 5.0 * se and self._sound(event, context, a):
            self._runs.add(event.start_ts)
            if plain or self._again(event, context):
                return self._say(event, context, a, more=more, soft=soft)
            return self.unknown(event, context)
        if not event.open_:
            self._runs.clear()
        if a < 0.6 * self.gross and not event.open_ and not more and event.strokes >= 3:
            return self.no(event, context)
        return self.unknown(event, context)

    def _both_race(self, event: Episode, context: Context) -> bool:
        """Do both sides race alike? One side's air does not do that."""
        now = race(event, context)
        if now is None or now.strokes < self.many:
            return False
        a, _ = alternation(event.intervals_s[-self.many :])
        return a is not None and a < ALIKE

    def _again(self, event: Episode, context: Context) -> bool:
        """Has it shown itself in several runs, or in many strokes?"""
        if len(self._runs) >= self.times or event.strokes >= self.many:
            return True
        last = strip(event, context)
        return len(last.turns) >= self.turns and last.steady_turns

    def _alternation(self, event: Episode, context: Context) -> tuple[float | None, float]:
        """Alternation with its error: of this run, or of the last draws' strokes together."""
        a, se = event.features.get("asymmetry"), event.features.get("asymmetry_se")
        if a is not None and se is not None:
            return a, se
        if event.open_:
            return None, 0.0
        t = joined(event, context)
        if len(t) >= self.turns + 1:
            a, se = alternation(t)
            return a, se or 0.0
        together = strip(event, context)
        return together.asymmetry, together.asymmetry_se

    def _sound(self, event: Episode, context: Context, a: float) -> bool:
        """Does one side keep its lead stroke by stroke, and the other take about its time?"""
        t = event.intervals_s
        if len(t) < 2:
            t = joined(event, context)
        if not even_turns(t):
            return False
        usual = context.of("interval_s")
        if usual is None:
            return True
        slow = float(np.quantile(t, 0.75))
        share = self.sound_share / 2.0 if a > self.plain else self.sound_share
        return slow > share * usual

    def _say(
        self, event: Episode, context: Context, a: float, *, more: bool, soft: bool
    ) -> Finding:
        sure = 0.6 + 0.2 * more + 0.1 * soft
        return self.yes(
            event,
            context,
            (sure, 0.9),
            f"Ruptured diaphragm: one side strokes {(1 + a) / (1 - a):.1f} times as fast as the "
            "other" + (" and the line has gone soft." if soft else "."),
            Evidence("alternation", a, "share", None, context.of("asymmetry")),
            Evidence("dip", event.features.get("dip_pa"), "Pa", context.of("dip_pa"), None),
            causes=((Kind.DIAPHRAGM, sure), (Kind.BALL_LEAK, 1.0 - sure)),
        )
