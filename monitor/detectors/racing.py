"""A pump that races has gas in it; where the gas sits decides between three kinds.

Decision: a line that starts the race from zero was open, so the pump never had liquid (missed
prime); pressure that falls to nothing while a bay draws says the same; a race out of ordinary
strokes in mid-draw is an empty drum; a race from the first strokes of a draw on a full line, or
against a held pressure, is gas over the check balls (airlock). A chamber of gas reaches
P_suction r^n at most, 4 to 50 psi for the class (computed), so both kinds hang there.
"""

from dataclasses import dataclass

from monitor.advice.kinds import Kind
from monitor.detectors.context import Context
from monitor.signals.types import Episode

LEAST_STROKES = 8.0
ZERO_SHARE = 0.12
"""Under this share of the stall pressure the line is as good as open (6 mm outlets give 0.23)."""
HELD_SHARE = 0.35
SWING_SHARE = 0.10
"""Racing leaves no dips; a liquid-filled pump at such a rate leaves 10 psi and more (computed)."""
LONG_REST_S = 120.0
REFILL_FROM = 10.0
QUICKENED = 0.85
RISING = 0.6
FULL_SHARE = 0.6
MID_DRAW_STROKES = 4.0


@dataclass(frozen=True, slots=True)
class Race:
    """What a racing pump most likely has, and how sure that is."""

    kind: Kind
    sure: float
    strokes: float
    rate_hz: float
    pressure_pa: float
    swing_pa: float


def race(event: Episode, context: Context) -> Race | None:
    """The race a run shows now, or None when it does not race."""
    f = event.features
    strokes, rate = f.get("race_strokes") or 0.0, f.get("race_rate_hz")
    held, swing = f.get("race_pa"), f.get("race_swing_pa")
    if strokes < LEAST_STROKES or rate is None or held is None or swing is None:
        return None
    if rate < context.race_hz or (f.get("bounce_share") or 0.0) > 0.2:
        return None
    stall = context.stall_pa
    if _refilling(event, context, strokes):
        return None
    if held >= ZERO_SHARE * stall and swing > SWING_SHARE * stall:
        return None
    kind, sure = _which(event, context, held)
    return Race(kind, sure, strokes, rate, held, swing)


def _refilling(event: Episode, context: Context, strokes: float) -> bool:
    """A burst at the start of the first draw after a long rest may be a line that ran empty and
    primes again: give it three times the strokes that fill it."""
    f = event.features
    if (f.get("rest_before_s") or 0.0) < LONG_REST_S or any(k in context.standing for k in RACERS):
        return False
    early = (f.get("race_before_strokes") or 0.0) < REFILL_FROM
    zero = (f.get("race_from_pa") or 0.0) < ZERO_SHARE * context.stall_pa
    return early and not zero and strokes < 3.0 * context.scales.prime_strokes + 5.0


def _ran_out(event: Episode, context: Context) -> bool:
    """The draw before ended on a quickened stroke: its drum ran empty there."""
    usual = context.of("interval_s")
    past = [e for e in context.recent if e.end_ts < event.end_ts and e.strokes >= 3]
    if usual is None or not past:
        return False
    last = past[-1].stroke_ts
    quick = float(last[-1] - last[-2]) < QUICKENED * usual
    return quick and float(last[-2] - last[-3]) > QUICKENED * usual


def _which(event: Episode, context: Context, held: float) -> tuple[Kind, float]:
    f, stall = event.features, context.stall_pa
    start, before = f.get("race_from_pa"), f.get("race_before_strokes") or 0.0
    level = f.get("stall_before_pa")
    standing = [k for k in RACERS if k in context.standing]
    if standing:  # one matter, one name: it was told when its beginning was in sight
        return standing[0], 0.85
    if before >= MID_DRAW_STROKES:
        return Kind.DRUM_EMPTY, 0.8
    if start is not None and start < min(RISING * held, ZERO_SHARE * stall):
        return Kind.MISSED_PRIME, 0.95
    if held < 0.5 * ZERO_SHARE * stall:
        return (Kind.MISSED_PRIME, 0.85) if before < MID_DRAW_STROKES else (Kind.DRUM_EMPTY, 0.8)
    if before >= MID_DRAW_STROKES:
        return Kind.DRUM_EMPTY, 0.8
    if held < ZERO_SHARE * stall:
        return Kind.MISSED_PRIME, 0.8
    if _ran_out(event, context):
        return Kind.DRUM_EMPTY, 0.7
    if level is not None and level > FULL_SHARE * stall:
        return Kind.AIRLOCK, 0.85
    return (Kind.MISSED_PRIME, 0.6) if held < HELD_SHARE * stall else (Kind.AIRLOCK, 0.7)


RACERS = (Kind.MISSED_PRIME, Kind.DRUM_EMPTY, Kind.AIRLOCK)
