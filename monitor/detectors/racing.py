"""A pump that races has gas in it; where the gas sits decides between three kinds.

Decision: a line that starts the race from zero was open, so the pump never had liquid (missed
prime); pressure that falls to nothing while a bay draws says the same. Strokes that quicken one
after the other tell of gas that comes with the liquid, from the suction: right after a long rest
the foot valve let the line run empty (lost prime), else the drum did. A race from the very first
stroke of a draw on a full line is gas that was over the check balls before (airlock). Where a
demand signal says that every valve was shut as the race began, nothing was drawn in. A chamber of
gas reaches P_suction r^n at most, 4 to 50 psi for the class (computed), so all kinds hang there.
"""

from dataclasses import dataclass

import numpy as np

from monitor.advice.kinds import Kind
from monitor.detectors.ball_leak import GROSS
from monitor.detectors.context import Context, once
from monitor.signals.order import median
from monitor.signals.strokes import alternation
from monitor.signals.types import Episode, FloatArray

LEAST_STROKES = 8.0
OPEN_SHARE = 0.12
"""Under this share of the stall pressure the line is as good as open (6 mm outlets give 0.23)."""
HELD_SHARE = 0.35
SWING_SHARE = 0.10
"""Racing leaves no dips; a liquid-filled pump at such a rate leaves 10 psi and more (computed)."""
LONG_REST_S = 120.0
REFILL_FROM = 10.0
QUICKENED = 0.6
"""Under this share of the usual time a stroke moved gas (two open bays leave half of it, but not
on the last stroke only)."""
GAS_SHARE = 0.36
"""Under this share of the usual time strokes moved gas only: three open bays leave a third."""
RISING = 0.6
FULL_SHARE = 0.6
MID_DRAW_STROKES = 4.0
FOOT_REST_S = 180.0
"""A foot valve that leaks back is told from a drum by the rest before: drums empty in use."""
WHOLE_SHARE = 0.9
"""A stroke of this share of the usual time was full of liquid."""
PAUSE = 1.5
"""Times the usual interval: so long between two strokes, and no valve was open."""
LIMP_SPREAD = 0.35
"""Spread of the slower side's strokes over their middle, from first to last (chosen)."""
SAME_RACE_S = 10.0
"""A race that pauses for so long goes on (chosen: a bay's valve, or a stroke that hung)."""
THINNING = 1.7
"""The first stroke against those of the race: gas over the balls races from the first, within a
quarter (the two sides differ by up to a half)."""


SHUT_S = 2.0
"""With every valve shut for so long a pump with liquid in it has stalled (chosen)."""
BY_HAND_SHARE = 0.15
"""Of the stall: with every valve shut a line falls so low only when it is opened (chosen)."""
ALIKE = 0.15
"""Alternation under which both sides do the same (chosen)."""
FAR_TIMES = 6.0
"""Times the rate of this pump's fastest draws: six bays at once, where each draw was of one, do not
leave the line near its stall (chosen)."""
REST_SHARE = 0.99
"""Of the stall before: a line at rest keeps so much of it (chosen)."""


@dataclass(frozen=True, slots=True)
class Race:
    """What a racing pump most likely has, and how sure that is."""

    kind: Kind
    sure: float
    strokes: float
    rate_hz: float
    pressure_pa: float
    swing_pa: float
    lasted_s: float


@once
def race(event: Episode, context: Context) -> Race | None:
    """The race a run shows now, or None when it does not race."""
    f = event.features
    refitted = _refitted(event, context)
    if refitted is not None:
        return refitted
    strokes, rate = f.get("race_strokes") or 0.0, _rate_hz(event)
    held, swing = f.get("race_pa"), _swing_pa(event)
    if strokes < LEAST_STROKES or rate is None or held is None or swing is None:
        return None
    stall = context.stall_pa
    races = rate >= context.race_hz or (held > FULL_SHARE * stall and _far(event, rate, context))
    if not races or (f.get("bounce_share") or 0.0) > 0.2:
        return None
    if _refilling(event, context, strokes) or _limps(event):
        return None
    if held >= OPEN_SHARE * stall and swing > SWING_SHARE * stall:
        return None
    kind, sure = _which(event, context, held)
    return Race(kind, sure, strokes, rate, held, swing, f.get("race_s") or 0.0)


def _far(event: Episode, rate_hz: float, context: Context) -> bool:
    """Do both sides stroke at many times the rate of this pump's draws? An exhaust path may be half
    the nominal one, so that a slow pump never races by its class's dry rate."""
    own = context.usual["rate_hz"].high
    if own is None or rate_hz <= FAR_TIMES * own:
        return False
    a, _ = alternation(event.intervals_s[-int(LEAST_STROKES) :])
    return a is not None and a < ALIKE


def _refitted(event: Episode, context: Context) -> Race | None:
    """A pump that was put in with its line opened and has not had one whole stroke since.

    Where the air is set low, a dry pump fills the line with gas up to the stall, slower and slower,
    and holds it there in a draw: that is no race by its rate, nor by its pressure.
    """
    f, usual = event.features, context.of("interval_s")
    rate, held = f.get("last_rate_hz"), f.get("demand_pa")
    if usual is None or rate is None or held is None or (f.get("bounce_share") or 0.0) > 0.2:
        return None
    if any(k in context.standing for k in RACERS if k is not Kind.MISSED_PRIME):
        return None
    firm = context.against("dip_pa", f.get("dip_pa"), 0.01)
    if firm is not None and firm.ratio > QUICKENED:
        return None  # gas leaves no dips
    strokes, lasted, whole = 0, 0.0, 0
    for run in (event, *(e for e in reversed(context.recent) if e.end_ts <= event.start_ts)):
        opened, ts = _opened_s(run, context), run.stroke_ts
        if opened is not None:
            ts = ts[ts > run.start_ts + opened]
        t = ts[1:] - ts[:-1]
        t = t[t < PAUSE * usual]
        whole += int((t > GAS_SHARE * usual).sum())
        if whole > 1:
            return None  # liquid came; a single one is a wait for the next draw
        strokes, lasted = strokes + len(ts), lasted + float(t.sum())
        if opened is not None:
            dry = strokes >= LEAST_STROKES
            swing = _swing_pa(event) or 0.0
            return (
                Race(Kind.MISSED_PRIME, 0.85, strokes, rate, held, swing, lasted) if dry else None
            )
    return None


def _opened_s(run: Episode, context: Context) -> float | None:
    """When a line at rest was opened; out of a draw it falls as far where a drum has run empty."""
    opened, level = run.features.get("opened_s"), run.features.get("opened_from_pa")
    demand = context.of("demand_pa")
    if opened is None or level is None or demand is None:
        return None
    stall = run.features.get("stall_before_pa") or context.stall_pa
    return opened if level > min(0.5 * (demand + stall), REST_SHARE * stall) else None


def _limps(event: Episode) -> bool:
    """One side at its own pace and the other several times as fast, stroke by stroke, from first
    to last: gas on one side only."""
    a, se = event.features.get("asymmetry"), event.features.get("asymmetry_se")
    if a is None or se is None or a < GROSS or a < 5.0 * se:
        return False
    t = event.intervals_s
    slow = max(t[::2], t[1::2], key=median)
    return len(slow) >= 4 and float(np.ptp(slow)) < LIMP_SPREAD * median(slow)


def _rate_hz(event: Episode) -> float | None:
    """The rate of the race, or of its last strokes where it has quickened since it began."""
    over, last = event.features.get("race_rate_hz"), event.features.get("last_rate_hz")
    return over if over is None or last is None else max(over, last)


def _swing_pa(event: Episode) -> float | None:
    """How far each stroke of the race swings the pressure: the dips, for a line that falls or
    fills meanwhile spans more."""
    f = event.features
    span, late = f.get("race_swing_pa"), f.get("late_dip_pa")
    return span if span is None or late is None else min(span, max(late, 0.0))


def _refilling(event: Episode, context: Context, strokes: float) -> bool:
    """A burst at the start of the first draw after a long rest may be a line that ran empty and
    primes again: give it three times the strokes that fill it."""
    f = event.features
    if (f.get("rest_before_s") or 0.0) < LONG_REST_S or any(k in context.standing for k in RACERS):
        return False
    early = (f.get("race_before_strokes") or 0.0) < REFILL_FROM
    zero = (f.get("race_from_pa") or 0.0) < OPEN_SHARE * context.stall_pa
    return early and not zero and strokes < 3.0 * context.scales.prime_strokes + 5.0


def ran_out(event: Episode, context: Context) -> bool:
    """One of the two draws before began on whole strokes and ended on quickened ones, or thinned
    out from its first on: gas came with the liquid there. What raced after a pause, the bay closed
    by then, did not come with any."""
    usual = context.of("interval_s")
    past = [e for e in context.recent if e.end_ts < event.end_ts and e.strokes >= 3]
    if usual is None:
        return False
    for run in past[-2:]:
        t = _unbroken(run.intervals_s, usual)
        if len(t) < 2:
            continue
        whole = (t[:-1] > QUICKENED * usual) & (t[:-1] < PAUSE * usual)
        gas = len(t) > 4 and median(t[4:]) < GAS_SHARE * usual
        if (float(t[-1]) < QUICKENED * usual and whole.any()) or (gas and thinned(run, usual)):
            return True
    return False


def _unbroken(t: FloatArray, usual_s: float) -> FloatArray:
    """Times between strokes (s) up to the first pause."""
    pauses = np.flatnonzero(t > PAUSE * usual_s)
    return t[: pauses[0]] if len(pauses) else t


def thinned(event: Episode, usual_s: float | None = None) -> bool:
    """Did the strokes of either side quicken one after the other into the race, the first ones
    slowest? A pause longer than a stroke of this pump takes (s) parts what was before it."""
    t = event.intervals_s[:10]
    if usual_s is not None and len(t) and float(t[0]) > PAUSE * usual_s:
        t = t[1:]
    if len(t) < 5:
        return False
    late = THINNING * float(np.median(t[4:]))
    if float(t[0]) > late:
        between = usual_s is None or bool(((t > late) & (t < WHOLE_SHARE * usual_s)).any())
        if between:
            return True  # whole strokes and then a race at once are no thinning
    one = t[1::2]
    if usual_s is not None and float(one[0]) > WHOLE_SHARE * usual_s:
        return False
    return len(one) >= 4 and float(one[0]) > THINNING * float(one[-1]) and bool(one[0] > one[1])


def _slow_at_first(event: Episode) -> bool:
    """Were the first strokes of the run slower than those of the race it ended on?"""
    t, rate = np.diff(event.stroke_ts[:4]), event.features.get("race_rate_hz")
    return not len(t) or rate is None or float(np.median(t)) > THINNING / rate


def _suction(event: Episode, context: Context) -> Kind:
    """Which of the two kinds that let gas in: after a long rest the foot valve, else the drum."""
    rest = event.features.get("rest_before_s") or 0.0
    usual, t = context.of("interval_s"), np.diff(event.stroke_ts[:4])
    whole = int((t > WHOLE_SHARE * usual).sum()) if usual is not None else 0
    rested = rest >= FOOT_REST_S and not event.features.get("continued_s")
    return Kind.LOST_PRIME if rested and whole <= 1 else Kind.DRUM_EMPTY


def _began_open(event: Episode, context: Context) -> bool:
    """Did this race go on from one right before it, which began on an open line?"""
    last = context.recent[-1] if context.recent else None
    if last is None or event.start_ts - last.end_ts > SAME_RACE_S:
        return False
    f = last.features
    start, raced = f.get("race_from_pa"), (f.get("race_strokes") or 0.0) >= LEAST_STROKES
    if start is None:
        return False
    if shut(last) and start < BY_HAND_SHARE * context.stall_pa:
        return True
    return raced and start < OPEN_SHARE * context.stall_pa


def _paused(event: Episode, context: Context, before: int) -> bool:
    """Had the draw ended, on a full line, when the race began? A drum runs dry in use."""
    usual, t = context.of("interval_s"), event.intervals_s[max(0, before - 2) : before + 1]
    return usual is not None and len(t) > 0 and float(t.max()) > PAUSE * usual


def _rested(start_pa: float | None, context: Context) -> bool:
    """Did the race begin on a line at its stall, nearer to it than to the pressure of a draw?"""
    demand, stall = context.of("demand_pa"), context.of("stall_after_pa")
    if start_pa is None or demand is None or stall is None:
        return False
    return stall > demand and start_pa > 0.5 * (demand + stall)


def _raced_since(context: Context, kind: Kind) -> bool:
    """Has a draw raced since this was told?"""
    since = context.standing[kind]
    return any(
        run.end_ts >= since and (run.features.get("race_strokes") or 0.0) >= LEAST_STROKES
        for run in context.recent
    )


def shut(event: Episode) -> bool:
    """Had every valve been shut for long, as a demand signal says, when the race began?"""
    return (event.features.get("race_shut_s") or 0.0) > SHUT_S


def _while_shut(event: Episode, stall_pa: float) -> tuple[Kind, float] | None:
    """What raced off while a demand signal says that every valve was shut: nothing was drawn in, so
    the gas was over the balls, or the line was opened by hand."""
    start = event.features.get("race_from_pa")
    if start is None or not shut(event):
        return None
    if start > FULL_SHARE * stall_pa:
        return Kind.AIRLOCK, 0.9
    return (Kind.MISSED_PRIME, 0.95) if start < BY_HAND_SHARE * stall_pa else None


def _which(event: Episode, context: Context, held: float) -> tuple[Kind, float]:
    f, stall = event.features, context.stall_pa
    start, before = f.get("race_from_pa"), f.get("race_before_strokes") or 0.0
    level = f.get("stall_before_pa")
    came = thinned(event, context.of("interval_s"))
    standing = [k for k in RACERS if k in context.standing]
    # What only softened the line until now may have come from the suction.
    soft = standing == [Kind.AIRLOCK] and came and not _raced_since(context, Kind.AIRLOCK)
    if standing and not soft:  # one matter, one name: it was told when its beginning was in sight
        return standing[0], 0.85
    if shut := _while_shut(event, stall):
        return shut
    full = before >= 1 and start is not None and start > FULL_SHARE * stall
    suction = came or ran_out(event, context)
    at_rest = _paused(event, context, int(before)) or (_rested(start, context) and not suction)
    if full and at_rest:
        return Kind.AIRLOCK, 0.75
    if before >= MID_DRAW_STROKES and _slow_at_first(event):
        return _suction(event, context), 0.8
    if start is not None and start < min(RISING * held, OPEN_SHARE * stall):
        return Kind.MISSED_PRIME, 0.95
    if held < OPEN_SHARE * stall and not came:
        return Kind.MISSED_PRIME, 0.85 if held < 0.5 * OPEN_SHARE * stall else 0.8
    if suction:
        return _suction(event, context), 0.75
    if event.what == "prime" or _began_open(event, context):
        return Kind.MISSED_PRIME, 0.85
    if level is not None and level > FULL_SHARE * stall:
        return Kind.AIRLOCK, 0.85
    return (Kind.MISSED_PRIME, 0.6) if held < HELD_SHARE * stall else (Kind.AIRLOCK, 0.7)


RACERS = (Kind.MISSED_PRIME, Kind.DRUM_EMPTY, Kind.LOST_PRIME, Kind.AIRLOCK)
