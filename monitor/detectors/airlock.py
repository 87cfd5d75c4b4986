"""Airlock: gas trapped at the discharge interrupts the flow."""

from dataclasses import dataclass

from monitor.advice.kinds import Kind
from monitor.detectors.base import ALL_EVENTS, Detector, need
from monitor.detectors.context import Context
from monitor.detectors.finding import Evidence, Finding
from monitor.signals.types import Episode
from monitor.units import PA_PER_PSI


@dataclass(slots=True)
class Airlock(Detector):
    """What it finds: gas trapped in the pump head or the discharge line.

    How it looks: either the pump races against a held pressure without dips and without
    delivering; or the line is spongy: many more strokes from the fall of pressure to the stall
    than hose and liquid need, the volume following from Boyle's law.

    Needs: pressure and strokes.

    Settings: race_strokes 10 (chosen: a re-prime after a drum change takes fewer at pressure);
    held_share 0.35 of the stall pressure; swing_share 0.10 of it; gas_ml 150 as the lower end of
    the band, which takes one stroke off the count, and twice what this pump usually shows
    (chosen: 75 mL is one stroke's worth on refill from zero for the class, computed).

    Blind: to gas under one stroke's worth when draws end near stall; counter bounce looks like
    racing and is left to the counter's own check.

    What to do: air off, relieve and remove the discharge line, refit, open a bay's low-pressure
    function, air on again; prime completes while it runs.

    References: Boyle's law with isothermal band; a chamber of gas reaches P_suction r^n at most.
    """

    race_strokes: int = 10
    held_share: float = 0.35
    swing_share: float = 0.10
    gas_ml: float = 150.0
    kind = Kind.AIRLOCK
    events = ALL_EVENTS

    def __post_init__(self) -> None:
        need(self.race_strokes >= 5, "airlock.race_strokes")
        need(0.0 < self.held_share < 1.0, "airlock.held_share")
        need(self.gas_ml > 0.0, "airlock.gas_ml")

    def update(self, event: Episode, context: Context) -> Finding:
        """Judge a run, also while it lasts."""
        f = event.features
        if event.what == "dead-head" or (f.get("bounce_share") or 0.0) > 0.2:
            return self.unknown(event, context)
        if self._racing(event, context):
            return self._yes_racing(event, context)
        gas = f.get("gas_low_ml")
        if gas is not None and gas > self._gas_limit(context):
            return self._yes_spongy(event, context, gas)
        if event.open_ or f.get("stall_after_pa") is None:
            return self.unknown(event, context)
        healthy = (f["stall_after_pa"] or 0.0) > 0.6 * context.stall_pa
        if event.strokes >= 1 and healthy and (f.get("race_strokes") or 0) < 5:
            return self.no(event, context)
        return self.unknown(event, context)

    def _gas_limit(self, context: Context) -> float:
        return max(self.gas_ml, 2.5 * context.scales.displacement_ml)

    def _racing(self, event: Episode, context: Context) -> bool:
        f = event.features
        strokes, rate = f.get("race_strokes") or 0.0, f.get("race_rate_hz")
        pressure, swing = f.get("race_pa"), f.get("race_swing_pa")
        if strokes < self.race_strokes or rate is None or rate < context.race_hz:
            return False
        if pressure is None or swing is None or Kind.MISSED_PRIME in context.standing:
            return False
        stall = context.stall_pa
        if strokes < 0.75 * event.strokes - 3 and f.get("shut_strokes") in (None, 0.0):
            return False  # turned in mid-draw: an empty drum first races at nearly full pressure
        return pressure >= self.held_share * stall and swing < self.swing_share * stall

    def _yes_racing(self, event: Episode, context: Context) -> Finding:
        f = event.features
        rate = f.get("race_rate_hz") or 0.0
        held = f.get("race_pa") or 0.0
        return self.yes(
            event,
            context,
            (0.85, 0.9),
            f"Airlock: the pump races at {rate:.1f} strokes a second against a held "
            f"{held / PA_PER_PSI:.0f} psi and delivers nothing.",
            Evidence("stroke rate", rate, "1/s", None, context.race_hz),
            Evidence("pressure", held, "Pa"),
            Evidence("pressure swing", f.get("race_swing_pa"), "Pa"),
            causes=((Kind.AIRLOCK, 0.75), (Kind.MISSED_PRIME, 0.25)),
        )

    def _yes_spongy(self, event: Episode, context: Context, gas: float) -> Finding:
        f = event.features
        limit = self._gas_limit(context)
        return self.yes(
            event,
            context,
            (0.6 + 0.35 * min(1.0, gas / (3 * limit)), min(0.9, 0.4 + gas / 2000.0)),
            f"Airlock: {f.get('strokes_to_stall') or 0:.0f} strokes from the fall to the stall; "
            f"about {f.get('gas_ml') or 0:.0f} mL of gas is trapped in the line.",
            Evidence("trapped gas", f.get("gas_ml"), "mL", 0.0, limit),
            Evidence("strokes to stall", f.get("strokes_to_stall"), "strokes"),
            causes=((Kind.AIRLOCK, 0.8), (Kind.AIR_IN_SUCTION, 0.2)),
        )
