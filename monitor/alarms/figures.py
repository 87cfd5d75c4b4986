"""How well a person can live with the alarms: the published figures and their targets.

Metrics after ANSI/ISA-18.2 and EEMUA 191 (as quoted in public training texts): only annunciated
activations count, empty 10-minute periods stay in the denominator, figures are per site (one
operator position). At least 30 days of data make them meaningful.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from monitor.advice.kinds import Priority
from monitor.alarms.flood import START_ABOVE, WINDOW_S, chatters, floods
from monitor.alarms.types import ANNUNCIATED, Change, State, What

DAY_S = 86400.0
STALE_S = DAY_S
BUSY_HOUR = 30


@dataclass(frozen=True, slots=True)
class Activation:
    """An alarm that came to a person's notice; end_ts None = still standing."""

    name: str
    ts: float
    end_ts: float | None = None
    priority: Priority = Priority.THIS_SHIFT


@dataclass(frozen=True, slots=True)
class Target:
    """What is very likely acceptable, and the most that is manageable, for one figure."""

    name: str
    acceptable: float
    manageable: float


TARGETS = (
    Target("per_day", 150, 300),
    Target("per_hour", 6, 12),
    Target("per_10_min", 1, 2),
    Target("busy_hour_share", 0.01, 0.01),
    Target("flood_period_share", 0.01, 0.01),
    Target("max_in_10_min", 10, 10),
    Target("flood_time_share", 0.01, 0.01),
    Target("chattering", 0, 0),
    Target("stale", 4, 4),
)
"""Where the standard names one limit only, both columns carry it."""


@dataclass(frozen=True, slots=True)
class Figures:
    """The figures of one site over one span; shares are 0 to 1.

    stale: most alarms that stood over 24 h at once. top: (alarm, count), most frequent first.
    priority_share sums to 1 when anything was annunciated.
    """

    span_s: float
    total: int
    per_day: float
    per_hour: float
    per_10_min: float
    buckets: tuple[int, ...]
    max_in_10_min: int
    busy_hour_share: float
    flood_period_share: float
    floods: tuple[tuple[float, float | None], ...]
    flood_time_share: float
    top: tuple[tuple[str, int], ...]
    top_share: float
    chattering_names: tuple[str, ...]
    stale: int
    priority_share: dict[Priority, float]

    @property
    def chattering(self) -> int:
        """How many alarms chattered."""
        return len(self.chattering_names)

    def misses(self) -> list[str]:
        """The figures that are beyond 'very likely acceptable'; empty = all met."""
        return [t.name for t in TARGETS if getattr(self, t.name) > t.acceptable]


def figures(activations: Sequence[Activation], from_ts: float, to_ts: float) -> Figures:
    """The figures over [from_ts, to_ts)."""
    seen = [a for a in activations if from_ts <= a.ts < to_ts]
    span_s = to_ts - from_ts
    times = [a.ts for a in seen]
    buckets = _count(times, from_ts, span_s, WINDOW_S)
    hours = _count(times, from_ts, span_s, 3600.0)
    storms = floods(times, to_ts)
    names = Counter(a.name for a in seen)
    top = names.most_common(10)
    total = len(seen)
    chatty = [n for n in names if chatters([a.ts for a in seen if a.name == n])]
    return Figures(
        span_s=span_s,
        total=total,
        per_day=total * DAY_S / span_s,
        per_hour=total * 3600.0 / span_s,
        per_10_min=total * WINDOW_S / span_s,
        buckets=tuple(buckets),
        max_in_10_min=max(buckets, default=0),
        busy_hour_share=_share(sum(n > BUSY_HOUR for n in hours), len(hours)),
        flood_period_share=_share(sum(n > START_ABOVE for n in buckets), len(buckets)),
        floods=tuple(storms),
        flood_time_share=sum((end or to_ts) - start for start, end in storms) / span_s,
        top=tuple(top),
        top_share=_share(sum(n for _, n in top), total),
        chattering_names=tuple(chatty),
        stale=_stale(activations, from_ts, to_ts),
        priority_share={p: _share(sum(a.priority is p for a in seen), total) for p in Priority},
    )


def activations(changes: Sequence[Change]) -> list[Activation]:
    """What came to a person's notice in a history (oldest first), with its end.

    Counted: raised, repeated and coming back from a shelf or a cause, when shown. An alarm
    that is hidden or clears has ended.
    """
    found: list[Activation] = []
    standing: dict[str, Activation] = {}
    for change in changes:
        alarm = change.after
        if alarm is None:
            continue
        before = change.before.state if change.before else State.NORMAL
        begun = standing.get(alarm.tag)
        if alarm.state is State.NOT_ACKNOWLEDGED and before not in ANNUNCIATED:
            standing[alarm.tag] = Activation(alarm.tag, change.ts, None, alarm.priority)
        elif begun is not None and alarm.state not in ANNUNCIATED:
            found.append(Activation(begun.name, begun.ts, change.ts, begun.priority))
            del standing[alarm.tag]
    return sorted([*found, *standing.values()], key=lambda a: a.ts)


def repeats(changes: Sequence[Change]) -> Counter[str]:
    """How often each alarm came back within its hour: one alarm to a person, not to a fitter."""
    return Counter(c.after.tag for c in changes if c.after and c.what is What.REPEATED)


def _count(times: Sequence[float], from_ts: float, span_s: float, step_s: float) -> list[int]:
    steps = Counter(int((t - from_ts) // step_s) for t in times)
    return [steps[i] for i in range(max(1, -int(-span_s // step_s)))]


def _share(part: float, whole: float) -> float:
    return part / whole if whole else 0.0


def _stale(activations: Sequence[Activation], from_ts: float, to_ts: float) -> int:
    """The most alarms that had stood longer than 24 h at one moment of the span."""
    steps: list[tuple[float, int]] = []
    for alarm in activations:
        old_ts = max(alarm.ts + STALE_S, from_ts)
        end_ts = min(to_ts, alarm.end_ts if alarm.end_ts is not None else to_ts)
        if old_ts < end_ts:
            steps += [(old_ts, 1), (end_ts, -1)]
    count = most = 0
    for _, step in sorted(steps):
        count += step
        most = max(most, count)
    return most
