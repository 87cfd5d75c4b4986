"""What one pump did over one period, counted from its episodes and alarms; nothing is judged."""

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from monitor.advice.kinds import SIDE, Kind, Priority, Side
from monitor.advice.record import Consequence
from monitor.advice.records import record
from monitor.reports.drums import Day
from monitor.signals.types import Episode
from monitor.site import Pump

DELIVERY = frozenset(
    kind
    for kind in Kind
    if kind is Kind.DIAPHRAGM
    or (
        record(kind).harm in (Consequence.NO_PRODUCT, Consequence.WEAK_PRODUCT)
        and SIDE[kind] is not Side.SENSOR
    )
)
"""Kinds that keep chemical from vehicles: a failure is the coming of one of these. What goes
unseen or only wastes is a fault, but no failure. A torn diaphragm is one: it ends delivery soon,
where it does not at once."""

DRY_STROKES = 3.0
"""Dry strokes at the start from which a draw counts as served badly (common practice, no
published source: a second of foam without soap is seen)."""

Span = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Fault:
    """One occurrence of an alarm; end_ts None = stands still.

    shared: it stood on what several pumps share (air supply): it spoils their draws and their
    time, but it is no failure of any of them.
    """

    kind: Kind
    start_ts: float
    end_ts: float | None = None
    priority: Priority = Priority.THIS_SHIFT
    shared: bool = False


@dataclass(frozen=True, slots=True)
class Tally:
    """One pump, one period; volumes follow from strokes and displacement later.

    draw_strokes moved chemical for a demand; waste_strokes ran with none; dry_strokes moved air.
    strokes_sq: sum of squared strokes of each draw, for the spread of a draw. observed_s: time
    with data; down_s: of it, time in which a failure stood. days: strokes that moved chemical.
    """

    pump: Pump
    span: Span
    draws: int
    bad_draws: int
    draw_strokes: float
    strokes_sq: float
    waste_strokes: float
    dry_strokes: float
    rest_s: float
    rest_strokes: int
    observed_s: float
    down_s: float
    failures: int
    faults: dict[Side, int]
    days: tuple[Day, ...]
    failure_ts: tuple[float, ...] = ()


def join(tallies: Sequence[Tally]) -> Tally:
    """Tallies of one pump over spans that follow one another, as one."""
    faults: Counter[Side] = Counter()
    for one in tallies:
        faults.update(one.faults)
    sums = {
        name: sum(getattr(one, name) for one in tallies)
        for name in (
            "draws", "bad_draws", "draw_strokes", "strokes_sq", "waste_strokes", "dry_strokes",
            "rest_s", "rest_strokes", "observed_s", "down_s", "failures",
        )
    }  # fmt: skip
    return Tally(
        pump=tallies[0].pump,
        span=(tallies[0].span[0], tallies[-1].span[1]),
        faults=dict(faults),
        days=tuple(day for one in tallies for day in one.days),
        failure_ts=tuple(ts for one in tallies for ts in one.failure_ts),
        **sums,
    )


def covered_s(spans: Iterable[Span], within: Span) -> float:
    """Seconds of `within` covered by any of the spans, each second once."""
    total, reached = 0.0, within[0]
    for start, end in sorted(spans):
        start, end = max(start, reached), min(end, within[1])
        if end > start:
            total += end - start
            reached = end
    return total


def tally(
    pump: Pump,
    span: Span,
    episodes: Sequence[Episode],
    faults: Sequence[Fault],
    gaps: Sequence[Span],
    zone: ZoneInfo,
) -> Tally:
    """Count one pump's period [from, to): finished episodes that start in it, faults that touch
    it, spans without data. An empty period (to <= from) counts nothing."""
    inside = [e for e in episodes if span[0] <= e.start_ts < span[1] and not e.open_]
    touching = [f for f in faults if f.start_ts < span[1] and _end(f, span) > span[0]]
    failing = [f for f in touching if f.kind in DELIVERY]
    leaking = [f for f in touching if f.kind is Kind.NO_DEMAND]
    counts = _Counts()
    for episode in inside:
        counts.add(episode, _stands(failing, episode, span), _stands(leaking, episode, span))
    observed_s = max(span[1] - span[0], 0.0) - covered_s(gaps, span)
    down_s = covered_s([(f.start_ts, _end(f, span)) for f in failing], span)
    begun = [f for f in touching if f.start_ts >= span[0] and not f.shared]
    failure_ts = tuple(sorted(f.start_ts for f in begun if f.kind in DELIVERY))
    return Tally(
        pump=pump,
        span=span,
        draws=counts.draws,
        bad_draws=counts.bad_draws,
        draw_strokes=counts.draw_strokes,
        strokes_sq=counts.strokes_sq,
        waste_strokes=counts.waste_strokes,
        dry_strokes=counts.dry_strokes,
        rest_s=counts.rest_s,
        rest_strokes=counts.rest_strokes,
        observed_s=observed_s,
        down_s=min(down_s, observed_s),
        failures=len(failure_ts),
        faults=dict(Counter(SIDE[f.kind] for f in begun)),
        days=_days(inside, span, gaps, zone),
        failure_ts=failure_ts,
    )


def _end(fault: Fault, span: Span) -> float:
    return span[1] if fault.end_ts is None else fault.end_ts


def _stands(faults: Sequence[Fault], episode: Episode, span: Span) -> bool:
    return any(f.start_ts <= episode.end_ts and _end(f, span) >= episode.start_ts for f in faults)


@dataclass(slots=True)
class _Counts:
    """Sums over episodes while they are read."""

    draws: int = 0
    bad_draws: int = 0
    draw_strokes: float = 0.0
    strokes_sq: float = 0.0
    waste_strokes: float = 0.0
    dry_strokes: float = 0.0
    rest_s: float = 0.0
    rest_strokes: int = 0

    def add(self, episode: Episode, failing: bool, leaking: bool) -> None:  # noqa: FBT001 - two facts of one episode, in the order of the sentence
        """Take one episode; `failing`/`leaking`: such a fault stood over it."""
        if episode.what in ("dead-head", "idle strokes"):
            self.rest_s += episode.duration_s
            if episode.what == "idle strokes":
                self.rest_strokes += episode.strokes
                self.waste_strokes += episode.strokes
            return
        if episode.what not in ("draw", "prime"):
            return
        wasted = _wasted(episode, leaking=leaking)
        if leaking and wasted >= episode.strokes:
            self.waste_strokes += wasted
            return
        dry = min(episode.features.get("dry_strokes") or 0.0, episode.strokes - wasted)
        useful = episode.strokes - wasted - dry
        late = (episode.features.get("dry_start_strokes") or 0.0) >= DRY_STROKES
        self.draws += 1
        self.bad_draws += failing or late
        self.draw_strokes += useful
        self.strokes_sq += useful * useful
        self.waste_strokes += wasted
        self.dry_strokes += dry


def _wasted(episode: Episode, *, leaking: bool) -> float:
    """Strokes of a run that served nobody: while the valve was known shut, or all of a leak's."""
    shut = episode.features.get("shut_strokes")
    if not leaking:
        return 0.0
    return float(episode.strokes) if shut is None else min(shut, float(episode.strokes))


def _days(
    episodes: Sequence[Episode], span: Span, gaps: Sequence[Span], zone: ZoneInfo
) -> tuple[Day, ...]:
    """Strokes of each whole local day of the span; None where over an hour of it is missing."""
    strokes: Counter[date] = Counter()
    for episode in episodes:
        dry = episode.features.get("dry_strokes") or 0.0
        day = datetime.fromtimestamp(episode.start_ts, zone).date()
        strokes[day] += max(episode.strokes - round(dry), 0)
    found: list[Day] = []
    day = datetime.fromtimestamp(span[0], zone).date()
    while True:
        start_ts = midnight_ts(day, zone)
        end_ts = midnight_ts(day + timedelta(days=1), zone)
        if end_ts > span[1]:
            return tuple(found)
        if start_ts >= span[0]:
            seen = covered_s(gaps, (start_ts, end_ts)) <= 3600.0
            found.append(Day(day, float(strokes[day]) if seen else None))
        day += timedelta(days=1)


def midnight_ts(day: date, zone: ZoneInfo) -> float:
    """When a local day begins."""
    return datetime(day.year, day.month, day.day, tzinfo=zone).timestamp()
