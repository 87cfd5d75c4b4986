"""Bays, pumps or sites side by side over one period, and against the period before.

Fair by construction: shares and counts carry intervals, and a unit is marked only when chance
alone would not put it there at its own size (funnel limits), so that a bay that hardly runs is
not shamed for one fault. A pump that feeds several bays lends each bay its whole record where
shares and rates are shown, and an even part where amounts are.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from monitor.advice.kinds import Side
from monitor.reports import figures as fg
from monitor.reports import leaks
from monitor.reports.drums import Forecast
from monitor.reports.figures import Interval, Place
from monitor.reports.leaks import Cost, Prices
from monitor.reports.tally import Span, Tally

LEAST_SPAN_S = 7 * 86_400.0
"""A period under a week compares weekdays, not bays."""


@dataclass(frozen=True, slots=True)
class Part:
    """One pump's tallies inside a unit; share: the part of its amounts that belongs here."""

    now: Tally
    before: Tally | None = None
    share: float = 1.0
    drum: Forecast | None = None
    prices: Prices = leaks.NO_PRICES


@dataclass(frozen=True, slots=True)
class Unit:
    """What is compared: a bay, a pump or a site. vehicles: None = not known."""

    key: str
    label: str
    parts: tuple[Part, ...]
    vehicles: int | None = None
    vehicles_before: int | None = None


@dataclass(frozen=True, slots=True)
class Row:
    """One unit's figures. per_vehicle_ml: None = not known. failure_trend: 'coming faster',
    'coming slower' or '' (Laplace's test within the period, 5 %).

    per_draw_change: relative change of chemical per draw with limits; bad_change: difference of
    the shares; failure_change: ratio of the rates. first_drum: (pump, its forecast) that ends
    first. daily_ml: chemical a day for a small plot, None = not watched.
    """

    key: str
    label: str
    pumps: tuple[str, ...]
    shared: tuple[str, ...]
    draws: int
    chemical_ml: float
    per_draw_ml: float | None
    per_draw_change: Interval
    per_vehicle_ml: float | None
    bad: Interval
    bad_draws: int
    bad_place: Place
    bad_change: Interval
    faults: Mapping[Side, int]
    failures: int
    failures_place: Place
    failure_change: Interval
    failure_trend: str
    mtbf_s: Interval
    availability: Interval
    observed_s: float
    down_s: float
    leak: Cost
    leak_ml_day: Interval
    first_drum: tuple[str, Forecast] | None
    daily_ml: tuple[float | None, ...]


@dataclass(frozen=True, slots=True)
class Comparison:
    """All rows over one span, and all of them together. notes: what a reader must know."""

    what: str
    span: Span
    before: Span | None
    rows: tuple[Row, ...]
    total: Row
    daily_top_ml: float
    notes: tuple[str, ...]


def by_bay(
    parts: Sequence[Part],
    labels: Mapping[str, str] | None = None,
    vehicles: Mapping[str, tuple[int, int | None]] | None = None,
) -> list[Unit]:
    """Units for the bays that the pumps' settings name, in order of first mention.

    vehicles: bay -> (in the period, in the period before).
    """
    found: dict[str, list[Part]] = {}
    for part in parts:
        bays = part.now.pump.bays or ("no bay",)
        for bay in bays:
            mine = Part(part.now, part.before, 1.0 / len(bays), part.drum, part.prices)
            found.setdefault(bay, []).append(mine)
    units = []
    for bay, members in found.items():
        now, before = (vehicles or {}).get(bay, (None, None))
        label = (labels or {}).get(bay, bay if bay == "no bay" else f"Bay {bay}")
        units.append(Unit(bay, label, tuple(members), now, before))
    return units


def by_pump(parts: Sequence[Part]) -> list[Unit]:
    """Units for single pumps, each whole."""
    return [
        Unit(
            p.now.pump.id,
            p.now.pump.title,
            (Part(p.now, p.before, 1.0, p.drum, p.prices),),
        )
        for p in parts
    ]


def compare(what: str, units: Sequence[Unit], total: Unit) -> Comparison:
    """Rows for the units against `total`, which holds every pump once."""
    whole = _row(total, None)
    rows = tuple(_row(unit, whole) for unit in units)
    tops = [ml for row in rows for ml in row.daily_ml if ml is not None]
    span = total.parts[0].now.span if total.parts else (0.0, 0.0)
    earlier = [p.before.span for p in total.parts if p.before]
    notes = _notes(total, span, earlier)
    return Comparison(
        what, span, earlier[0] if earlier else None, rows, whole, max(tops, default=0.0), notes
    )


def _notes(total: Unit, span: Span, earlier: Sequence[Span]) -> tuple[str, ...]:
    notes = []
    if span[1] - span[0] < LEAST_SPAN_S:
        notes.append("Under a week: differences may be those of weekdays.")
    observed = sum(p.now.observed_s for p in total.parts)
    if not observed:
        return ("Nothing was watched in this period yet: figures come with the first whole day.",)
    if not earlier:
        notes.append("No data of the period before: no change is shown.")
    guessed = [p.now.pump.id for p in total.parts if not p.now.pump.displacement_known]
    if guessed:
        alike = len(set(guessed)) < len(guessed)  # pumps of several sites may have one name
        named = f"{len(guessed)} pumps" if alike else ", ".join(guessed)
        notes.append(f"Volumes rest on an assumed displacement until a catch test: {named}")
    asked = sum(p.now.span[1] - p.now.span[0] for p in total.parts)
    if asked and observed < 0.95 * asked:
        notes.append(
            f"{100 * observed / asked:.0f} % of the time was watched; the rest is unknown."
        )
    return tuple(notes)


def _row(unit: Unit, whole: Row | None) -> Row:
    now = [p.now for p in unit.parts]
    before = [p.before for p in unit.parts if p.before is not None]
    draws, bad = sum(t.draws for t in now), sum(t.bad_draws for t in now)
    failures, observed = sum(t.failures for t in now), sum(t.observed_s for t in now)
    down = sum(t.down_s for t in now)
    chemical = sum(_useful_ml(p.now) * p.share for p in unit.parts)
    used = sum(_useful_ml(t) for t in now)
    faults: dict[Side, int] = {}
    for t in now:
        for side, count in t.faults.items():
            faults[side] = faults.get(side, 0) + count
    return Row(
        key=unit.key,
        label=unit.label,
        pumps=tuple(t.pump.id for t in now),
        shared=tuple(p.now.pump.id for p in unit.parts if p.share < 1),
        draws=draws,
        chemical_ml=chemical,
        per_draw_ml=used / draws if draws else None,
        per_draw_change=_per_draw_change(now, before),
        per_vehicle_ml=chemical / unit.vehicles if unit.vehicles else None,
        bad=fg.wilson(bad, draws),
        bad_draws=bad,
        bad_place=_bad_place(bad, draws, whole),
        bad_change=fg.share_change(
            bad, draws, sum(t.bad_draws for t in before), sum(t.draws for t in before)
        )
        if before
        else Interval(None, None, None),
        faults=faults,
        failures=failures,
        failures_place=_failures_place(failures, observed, whole),
        failure_change=fg.rate_change(
            failures,
            observed - down,
            sum(t.failures for t in before),
            sum(t.observed_s - t.down_s for t in before),
        ),
        failure_trend=_trend(now),
        mtbf_s=fg.mtbf(failures, observed - down),
        availability=fg.availability(failures, observed, down),
        observed_s=observed,
        down_s=down,
        leak=leaks.together(*(_waste(p) for p in unit.parts)),
        leak_ml_day=_leak(unit.parts),
        first_drum=_first_drum(unit.parts),
        daily_ml=_daily(unit.parts),
    )


def _useful_ml(tally: Tally) -> float:
    return tally.draw_strokes * tally.pump.displacement_ml


def _bad_place(bad: int, draws: int, whole: Row | None) -> Place:
    if whole is None or not draws or whole.bad.value is None:
        return "as expected"
    return fg.funnel_share(draws, whole.bad.value).place(bad / draws)


def _failures_place(failures: int, observed_s: float, whole: Row | None) -> Place:
    if whole is None or not whole.observed_s:
        return "as expected"
    expected = whole.failures * observed_s / whole.observed_s
    return fg.funnel_count(expected).place(failures)


def _trend(now: Sequence[Tally]) -> str:
    times = [ts - t.span[0] for t in now for ts in t.failure_ts]
    # Under five failures the statistic is too coarse to be called normal.
    if len(times) < 5:
        return ""
    z = fg.laplace_z(times, now[0].span[1] - now[0].span[0]) or 0.0
    if abs(z) < fg.z_of(fg.LEVEL):
        return ""
    return "coming faster" if z > 0 else "coming slower"


def _per_draw_change(now: Sequence[Tally], before: Sequence[Tally]) -> Interval:
    """Relative change of chemical per draw with 95 % limits (difference of two means).

    Pump by pump weights stay those of now, so that a shift of demand between pumps is no change.
    """
    old = {t.pump.id: t for t in before}
    base = change = variance = 0.0
    for t in now:
        b = old.get(t.pump.id)
        if b is None or b.draws < 2 or t.draws < 2:
            continue
        weight = t.draws * t.pump.displacement_ml
        mean, error = _mean(t)
        mean_before, error_before = _mean(b)
        base += weight * mean_before
        change += weight * (mean - mean_before)
        variance += weight * weight * (error**2 + error_before**2)
    if base <= 0:
        return Interval(None, None, None)
    half = fg.z_of(fg.LEVEL) * variance**0.5
    return Interval(change / base, (change - half) / base, (change + half) / base)


def _mean(tally: Tally) -> tuple[float, float]:
    """(strokes a draw, its standard error)."""
    n = tally.draws
    mean = tally.draw_strokes / n
    variance = max(tally.strokes_sq / n - mean * mean, 0.0) * n / (n - 1)
    return mean, (variance / n) ** 0.5


def _waste(part: Part) -> Cost:
    """What ran away: strokes without demand (chemical and air) and dry ones (air)."""
    pump, t = part.now.pump, part.now
    wet = leaks.cost(
        t.waste_strokes * part.share, pump.displacement_ml, pump.air_set_pa, part.prices
    )
    dry = leaks.cost(
        t.dry_strokes * part.share, pump.displacement_ml, pump.air_set_pa, part.prices, wet=False
    )
    return leaks.together(wet, dry)


def _leak(parts: Sequence[Part]) -> Interval:
    """The leak at rest of all pumps together, mL a day; limits add like independent errors."""
    value = low_sq = high_sq = 0.0
    known = False
    for part in parts:
        t = part.now
        got = leaks.per_day_ml(leaks.leak_ml_min(t.rest_strokes, t.rest_s, t.pump.displacement_ml))
        if got.value is None or got.low is None or got.high is None:
            continue
        known = True
        value += got.value * part.share
        low_sq += ((got.value - got.low) * part.share) ** 2
        high_sq += ((got.high - got.value) * part.share) ** 2
    if not known:
        return Interval(None, None, None)
    return Interval(value, max(value - low_sq**0.5, 0.0), value + high_sq**0.5)


def _first_drum(parts: Sequence[Part]) -> tuple[str, Forecast] | None:
    known = [
        (p.drum.days.value, p.now.pump.id, p.drum)
        for p in parts
        if p.drum is not None and p.drum.days.value is not None
    ]
    return min(known, key=lambda one: one[0])[1:] if known else None


def _daily(parts: Sequence[Part]) -> tuple[float | None, ...]:
    """Chemical of each day over all pumps; None when none of them was watched that day."""
    days: dict[object, float | None] = {}
    for part in parts:
        per_stroke = part.now.pump.displacement_ml * part.share
        for day in part.now.days:
            if day.strokes is not None:
                days[day.day] = (days.get(day.day) or 0.0) + day.strokes * per_stroke
            else:
                days.setdefault(day.day, None)
    return tuple(days[key] for key in sorted(days, key=str))
