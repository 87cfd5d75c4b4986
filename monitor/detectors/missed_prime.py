"""Missed prime: the pump strokes dry from the start and pressure never builds."""

from dataclasses import dataclass

from monitor.advice.kinds import Kind
from monitor.detectors.base import RUNS, Detector, need
from monitor.detectors.context import Context
from monitor.detectors.finding import Evidence, Finding
from monitor.detectors.racing import Race, race
from monitor.signals.types import Episode

CHANGES = ("pump changed", "drum changed", "foot valve cleaned", "seals")


@dataclass(slots=True)
class MissedPrime(Detector):
    """What it finds: a pump that has no liquid on its suction side and does not get any.

    How it looks: from its first strokes the pump races at the rate its air valve allows, pressure
    stays near zero without the dips of liquid strokes, and no stall is reached. Where the air is
    set low, gas fills the line up to the stall all the same; then it is told from a line that was
    opened at rest and has had no whole stroke since.

    Needs: pressure and strokes.

    Settings: primes 4.5 times the strokes that fill the suction line (computed: a sound prime with
    the line open needs one to three, a low clearance ratio the most); least_strokes 20, over
    half of race_s, or without_doubt 6 times, twice the most that a sound one needs; or race_s 28 s
    at dry speed (a run that is looked at after 30 s has raced for less), fresh_s 90 s within
    after_s 1 h of a logged change of pump or drum (gas must first crack the bay's check valve).

    Blind: while the line is still held at pressure by a check valve: then the same racing reads
    as an airlock until the next draw lets the line down.

    What to do: liquid level, dip tube seated, suction joints, foot valve; vent the discharge and
    prime with a bay's low-pressure function open.

    References: gas-compressor law of the suction line (Boyle); ISO 6358 choked exhaust for the
    dry rate.
    """

    primes: float = 4.5
    least_strokes: int = 20
    without_doubt: float = 6.0
    race_s: float = 28.0
    fresh_s: float = 90.0
    after_s: float = 3600.0
    kind = Kind.MISSED_PRIME
    events = RUNS

    def __post_init__(self) -> None:
        need(self.primes >= 1.0 and self.least_strokes >= 3, "missed_prime.primes")
        need(self.race_s > 0.0, "missed_prime.race_s")

    def _fresh(self, event: Episode, context: Context) -> bool:
        """Was a pump or a drum just changed? Then it primes, against the bay's check valve."""
        since = max((context.notes.get(k, 0.0) for k in CHANGES), default=0.0)
        return 0.0 <= event.end_ts - since < self.after_s

    def _due(self, now: Race, enough: float, *, fresh: bool) -> bool:
        """Has it raced for so long, or for so many strokes, that no sound pump still primes?"""
        if now.lasted_s >= (self.fresh_s if fresh else self.race_s):
            return True
        plain = now.strokes >= self.without_doubt / self.primes * enough
        long = now.lasted_s >= 0.5 * self.race_s
        return not fresh and now.strokes >= enough and (plain or long)

    def update(self, event: Episode, context: Context) -> Finding:
        """Judge a run, also while it lasts."""
        f = event.features
        if event.what == "dead-head":
            return self.unknown(event, context)
        now = race(event, context)
        if now is None:
            after = f.get("stall_after_pa")
            healthy = after is not None and after > 0.6 * context.stall_pa
            quiet = (f.get("race_strokes") or 0.0) < 8.0 and event.strokes >= 1
            return (self.no if healthy and quiet else self.unknown)(event, context)
        if now.kind is not Kind.MISSED_PRIME:
            return self.unknown(event, context)
        enough = max(self.primes * context.scales.prime_strokes, float(self.least_strokes))
        if not self._due(now, enough, fresh=self._fresh(event, context)):
            return self.unknown(event, context)
        stall = context.stall_pa
        return self.yes(
            event,
            context,
            (now.sure, 0.9),
            f"Missed prime: {now.strokes:,.0f} dry strokes at {now.rate_hz:.1f} a second and "
            f"pressure does not build; priming takes about {context.scales.prime_strokes:.0f}.",
            Evidence("dry strokes", now.strokes, "strokes", 0.0, enough),
            Evidence("stroke rate", now.rate_hz, "1/s", None, context.race_hz),
            Evidence("pressure", now.pressure_pa, "Pa", 0.8 * stall, 1.1 * stall),
            causes=((Kind.MISSED_PRIME, now.sure), (Kind.AIRLOCK, 1.0 - now.sure)),
        )
