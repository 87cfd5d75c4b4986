"""Missed prime: the pump strokes dry from the start and pressure never builds."""

from dataclasses import dataclass

from monitor.advice.kinds import Kind
from monitor.detectors.base import ALL_EVENTS, Detector, need
from monitor.detectors.context import Context
from monitor.detectors.finding import Evidence, Finding
from monitor.signals.types import Episode


@dataclass(slots=True)
class MissedPrime(Detector):
    """What it finds: a pump that has no liquid on its suction side and does not get any.

    How it looks: from its first strokes the pump races at the rate its air valve allows, pressure
    stays near zero without the dips of liquid strokes, and no stall is reached.

    Needs: pressure and strokes.

    Settings: primes 3 (three times the strokes that fill the suction line, computed: a sound
    prime needs one to 1.5); least_strokes 10; race_s 15 s at dry speed; low_share 0.35 of the
    stall pressure with a swing under swing_share 0.10 of it, or open_share 0.12 with any swing
    (a liquid-filled pump at such rates leaves dips of 10 psi and more, computed).

    Blind: while the line is still held at pressure by a check valve: then the same racing reads
    as an airlock until the next draw lets the line down.

    What to do: liquid level, dip tube seated, suction joints, foot valve; vent the discharge and
    prime with a bay's low-pressure function open.

    References: gas-compressor law of the suction line (Boyle); ISO 6358 choked exhaust for the
    dry rate.
    """

    primes: float = 3.0
    least_strokes: int = 10
    race_s: float = 15.0
    low_share: float = 0.35
    swing_share: float = 0.10
    open_share: float = 0.12
    kind = Kind.MISSED_PRIME
    events = ALL_EVENTS

    def __post_init__(self) -> None:
        need(self.primes >= 1.0 and self.least_strokes >= 3, "missed_prime.primes")
        need(0.0 < self.open_share <= self.low_share < 1.0, "missed_prime.low_share")

    def update(self, event: Episode, context: Context) -> Finding:
        """Judge a run, also while it lasts."""
        f = event.features
        stall = context.stall_pa
        if event.what == "dead-head":
            return self.unknown(event, context)
        if not self._dry_now(event, context):
            after = f.get("stall_after_pa")
            if after is not None and after > 0.7 * stall and event.strokes >= 1:
                return self.no(event, context)
            return self.unknown(event, context)
        strokes = f.get("race_strokes") or 0.0
        enough = max(self.primes * context.scales.prime_strokes, float(self.least_strokes))
        long_s = f.get("race_s") or 0.0
        if strokes < enough and not (long_s >= self.race_s and strokes >= 8):
            return self.unknown(event, context)
        if strokes < 0.75 * event.strokes - 3 and Kind.MISSED_PRIME not in context.standing:
            return self.unknown(event, context)  # it began in mid-draw: an empty drum
        rate = f.get("race_rate_hz")
        return self.yes(
            event,
            context,
            (0.75 + 0.24 * min(1.0, strokes / (2 * enough)), 0.9),
            f"Missed prime: {strokes:.0f} dry strokes at {rate or 0:.1f} a second and pressure "
            f"does not build; priming takes about {context.scales.prime_strokes:.0f}.",
            Evidence("dry strokes", strokes, "strokes", 0.0, enough),
            Evidence("stroke rate", rate, "1/s", None, context.race_hz),
            Evidence("pressure", f.get("race_pa"), "Pa", 0.8 * stall, 1.1 * stall),
            causes=((Kind.MISSED_PRIME, 0.8), (Kind.DRUM_EMPTY, 0.2)),
        )

    def _dry_now(self, event: Episode, context: Context) -> bool:
        """Is the pump racing at low pressure now?"""
        f = event.features
        rate, pressure = f.get("race_rate_hz"), f.get("race_pa")
        if rate is None or pressure is None or rate < context.race_hz:
            return False
        stall = context.stall_pa
        if pressure < self.open_share * stall:
            return True
        swing = f.get("race_swing_pa")
        low = pressure < self.low_share * stall
        return low and swing is not None and swing < self.swing_share * stall
