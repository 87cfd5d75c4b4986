"""Leaking check ball: strokes alternate long and short."""

from collections import deque
from dataclasses import dataclass, field

from monitor.advice.kinds import Kind
from monitor.detectors.base import RUNS, Detector, need
from monitor.detectors.context import Context
from monitor.detectors.finding import Evidence, Finding
from monitor.hydraulics.pump import ball_leak_ml_s
from monitor.signals.types import Episode

GROSS = 0.35
"""Above this the two sides differ by more than 2 : 1: air through a torn diaphragm, not a ball."""


@dataclass(slots=True)
class BallLeak(Detector):
    """What it finds: one check ball or seat that lets liquid back.

    How it looks: the strokes of one side are shorter in time than those of the other, the more
    so the smaller the draw; the pump parks with the good side driving.

    Needs: strokes only.

    Settings: more 0.03 above this pump's usual alternation and z 4 standard errors of the medians
    (a reed off centre gives a constant alternation, which is the usual one); without history
    alone 0.06; two draws in a row (overlapping draws may alternate once by chance).

    Blind: to wear of all four balls alike; in draws of fewer than six strokes.

    What to do: balls and seats of the parked side; a kit of the right elastomer.

    References: volume balance of the leaking side, A = q / (2 Q + q).
    """

    more: float = 0.03
    z: float = 4.0
    alone: float = 0.06
    kind = Kind.BALL_LEAK
    events = RUNS
    _last: deque[bool] = field(default_factory=lambda: deque(maxlen=2))

    def __post_init__(self) -> None:
        need(0 < self.more < 1 and 0 < self.alone < 1, "ball_leak.more")

    def rebase(self) -> None:
        """Start counting anew."""
        self._last.clear()

    def update(self, event: Episode, context: Context) -> Finding:
        """Judge a closed draw."""
        f = event.features
        a, se, pairs = f.get("asymmetry"), f.get("asymmetry_se"), f.get("pairs")
        if event.open_ or a is None or se is None or pairs is None or pairs < 1:
            return self.unknown(event, context)
        if (f.get("bounce_share") or 0) > 0.05 or (f.get("race_strokes") or 0) >= 5:
            return self.unknown(event, context)
        usual = context.of("asymmetry")
        limit = self.alone if usual is None else usual + self.more
        noise = max(se, (f.get("sample_s") or 0.05) / (f.get("interval_s") or 1.0) / pairs**0.5 / 2)
        ragged = f.get("ragged") or 0.0
        odd = a > limit and a - (usual or 0.0) > self.z * noise and ragged < 0.5 * a + 0.03
        if a > GROSS:
            return self.unknown(event, context)
        self._last.append(odd)
        if odd and sum(self._last) >= 2:
            return self._say(event, context, a, usual)
        if not odd and a < limit - 0.3 * self.more:
            return self.no(event, context)
        return self.unknown(event, context)

    def _say(self, event: Episode, context: Context, a: float, usual: float | None) -> Finding:
        flow = (event.features.get("rate_hz") or 0.0) * context.scales.displacement_ml
        leak = ball_leak_ml_s(flow, a)
        return self.yes(
            event,
            context,
            (0.85, min(0.8, 0.3 + a)),
            f"Leaking check ball: strokes alternate long and short by {100 * a:.0f} %, "
            f"about {leak * 60:.0f} mL/min runs back.",
            Evidence("alternation", a, "", None, self.alone if usual is None else usual),
            Evidence("leak back", leak * 60.0, "mL/min", 0.0, 0.0),
            causes=((Kind.BALL_LEAK, 0.85), (Kind.DIAPHRAGM, 0.15)),
        )
