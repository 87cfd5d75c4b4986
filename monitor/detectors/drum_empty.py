"""Drum empty: the pump turns dry in the middle of a draw."""

from dataclasses import dataclass, field

from monitor.advice.kinds import Kind
from monitor.detectors.base import RUNS, Detector, need
from monitor.detectors.context import Context
from monitor.detectors.finding import Evidence, Finding
from monitor.detectors.lost_prime import burst
from monitor.detectors.odometer import Odometer
from monitor.detectors.racing import SHUT_S, race
from monitor.signals.types import Episode


@dataclass(slots=True)
class DrumEmpty(Detector):
    """What it finds: a dip tube that draws gas because the drum has run out.

    How it looks: ordinary strokes turn into a race within the draw, at first at nearly full
    pressure, a draw or two later at a low one; no stall is reached.

    Needs: pressure and strokes; with the drum's size and its change in the work log, what was
    drawn since then stands beside it.

    Settings: race_strokes 8 in a race that followed at least 4 ordinary ones; turn_share 1.8
    times the rate within one draw at no higher flow, when most of it was ordinary.

    Blind: when it empties between two draws: then it starts like an airlock or a missed prime.

    What to do: drum level, dip tube reaches the bottom; change the drum, prime with a bay open.

    References: dry stroke rate bounded by the exhaust (ISO 6358).
    """

    race_strokes: float = 8.0
    turn_share: float = 1.8
    kind = Kind.DRUM_EMPTY
    events = RUNS
    _drawn: Odometer = field(default_factory=Odometer)

    def __post_init__(self) -> None:
        need(self.race_strokes >= 5 and self.turn_share > 1, "drum_empty.race_strokes")

    def update(self, event: Episode, context: Context) -> Finding:
        """Judge a run, also while it lasts."""
        f = event.features
        self._drawn.count(event, context.notes.get("drum changed"))
        now = race(event, context)
        if now is not None:
            if now.kind is Kind.DRUM_EMPTY and now.strokes >= self.race_strokes:
                return self._say(event, context, now.rate_hz, now.pressure_pa, now.sure)
            return self.unknown(event, context)
        if self._turned(event, context):
            return self._say(
                event, context, f.get("late_rate_hz") or 0.0, f.get("split_after_pa") or 0.0, 0.65
            )
        flow = context.against("conductance", f.get("conductance"))
        stalls = (f.get("stall_after_pa") or 0.0) > 0.6 * context.stall_pa
        calm = flow is None or flow.ratio < 1.15
        if not event.open_ and event.strokes >= 1 and stalls and calm:
            return self.no(event, context)
        return self.unknown(event, context)

    def _turned(self, event: Episode, context: Context) -> bool:
        """The rate rose sharply within the draw while the pressure did not fall for a flow."""
        f = event.features
        ratio, k = f.get("split_rate_ratio"), f.get("split_before_strokes")
        before, after = f.get("split_before_pa"), f.get("split_after_pa")
        usual = context.of("rate_hz")
        if (f.get("race_shut_s") or 0.0) > SHUT_S:
            return False  # no valve was open when it began: a drum runs dry in use
        if ratio is None or k is None or before is None or after is None or usual is None:
            return False
        early = f.get("early_rate_hz") or 0.0
        ordinary = early < 1.3 * usual and k >= 4
        late = f.get("late_rate_hz") or 0.0
        found = burst(event, context)
        if found is not None and found[0] >= 3 and (f.get("rest_before_s") or 0.0) >= 60.0:
            return False  # a suction line that ran empty at rest
        early_dip, late_dip = f.get("early_dip_pa"), f.get("late_dip_pa")
        full = early_dip is not None and late_dip is not None and late_dip > 0.7 * early_dip
        if full or late < max(0.8 * context.race_hz, 2.2 * usual):
            return False  # a second bay that opens within the draw does as much
        lifted = ratio > self.turn_share and after > 0.85 * before
        return ordinary and lifted and (f.get("asymmetry") or 0.0) < 0.35

    def _say(
        self, event: Episode, context: Context, rate: float, pressure: float, sure: float
    ) -> Finding:
        return self.yes(
            event,
            context,
            (sure, 0.9),
            f"Drum empty: ordinary strokes turned to {rate:.1f} a second within the draw, "
            f"at {context.show.pressure(pressure)}.",
            Evidence("stroke rate", rate, "1/s", None, context.usual["rate_hz"].high),
            Evidence("pressure", pressure, "Pa"),
            *self._since_change(context),
            causes=((Kind.DRUM_EMPTY, sure), (Kind.AIR_IN_SUCTION, 1.0 - sure)),
        )

    def _since_change(self, context: Context) -> tuple[Evidence, ...]:
        """What was drawn from this drum, beside what it held; nothing where either is not known."""
        held_ml = context.pump.fluid.drum_ml
        if held_ml is None or self._drawn.since_ts is None:
            return ()
        drawn_ml = self._drawn.wet * context.scales.displacement_ml
        return (Evidence("drawn since the drum was changed", drawn_ml, "mL", None, held_ml),)
