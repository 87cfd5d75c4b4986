"""Where the axis labels stand: round numbers, and round wall-clock times of the site's zone."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from math import ceil, floor, log10
from zoneinfo import ZoneInfo

from babel.dates import format_datetime

MINUTE_S = 60
HOUR_S = 3600
DAY_S = 86_400
_SHORT_STEPS_S = (1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600)
_HOUR_STEPS = (2, 3, 6, 12)
_DAY_STEPS = (1, 2, 7, 14)
_MONTH_STEPS = (1, 2, 3, 6, 12)


@dataclass(frozen=True, slots=True)
class Tick:
    """One mark on the time axis; strong ones begin a day (or a year)."""

    ts: float
    text: str
    strong: bool


def round_step(span: float, count: int) -> float:
    """The 1-2-5 step that gives at most `count` intervals over a positive span."""
    raw = span / max(count, 1)
    power = 10.0 ** floor(log10(raw))
    return next(m * power for m in (1, 2, 5, 10) if m * power >= raw * (1 - 1e-12))


def value_ticks(low: float, high: float, count: int) -> list[float]:
    """Round values from at or below `low` to at or above `high`."""
    step = round_step(max(high - low, 1e-9), count)
    return [step * k for k in range(floor(low / step), ceil(high / step - 1e-9) + 1)]


def time_ticks(
    span: tuple[float, float], zone: ZoneInfo, count: int, *, locale: str = "en_GB"
) -> list[Tick]:
    """At most about `count` ticks in the half-open span, on round local times.

    Steps under a day walk the UTC axis and are only then written as local time, so that a day of
    25 hours has 25 of them and the doubled hour shows twice, with its zone letters.
    """
    walk = _walk(span, zone, count)
    at = [ts for ts in walk() if span[0] <= ts < span[1]]
    form = "HH:mm:ss" if any(ts % MINUTE_S for ts in at) else "HH:mm"
    if span[1] - span[0] < 5 * MINUTE_S:
        form = "HH:mm:ss"
    doubled = _offsets_differ(span, zone)
    return [_tick(ts, span, zone, locale, form + (" z" if doubled else "")) for ts in at]


def _walk(span: tuple[float, float], zone: ZoneInfo, count: int) -> Callable[[], Iterator[float]]:
    """The walker whose ticks come closest to `count` without passing it."""
    length = span[1] - span[0]
    for step in _SHORT_STEPS_S:
        if length / step <= count:
            return lambda: _seconds(span, zone, step)
    for hours in _HOUR_STEPS:
        if length / (hours * HOUR_S) <= count:
            return lambda: _wall_hours(span, zone, hours)
    for days in _DAY_STEPS:
        if length / (days * DAY_S) <= count:
            return lambda: _days(span, zone, days)
    for months in _MONTH_STEPS:
        if length / (months * 30.4 * DAY_S) <= count:
            return lambda: _months(span, zone, months)
    years = ceil(length / (365.25 * DAY_S) / count)
    return lambda: _months(span, zone, 12 * years)


def _seconds(span: tuple[float, float], zone: ZoneInfo, step: int) -> Iterator[float]:
    ts = midnight_ts(span[0], zone)
    ts += floor((span[0] - ts) / step) * step
    while ts < span[1]:
        yield ts
        ts += step


def _wall_hours(span: tuple[float, float], zone: ZoneInfo, hours: int) -> Iterator[float]:
    ts = midnight_ts(span[0], zone)
    while ts < span[1]:
        local = datetime.fromtimestamp(ts, zone)
        if local.minute == 0 and local.hour % hours == 0:
            yield ts
        ts += 1800


def _days(span: tuple[float, float], zone: ZoneInfo, days: int) -> Iterator[float]:
    day = datetime.fromtimestamp(span[0], zone).date()
    day -= timedelta(days=(day.toordinal() - 1) % days)
    while (ts := day_start_ts(day, zone)) < span[1]:
        yield ts
        day += timedelta(days=days)


def _months(span: tuple[float, float], zone: ZoneInfo, months: int) -> Iterator[float]:
    first = datetime.fromtimestamp(span[0], zone)
    number = (first.year * 12 + first.month - 1) // months * months
    while (ts := day_start_ts(date(number // 12, number % 12 + 1, 1), zone)) < span[1]:
        yield ts
        number += months


def day_start_ts(day: date, zone: ZoneInfo) -> float:
    """The instant at which a local day begins."""
    return datetime.combine(day, time.min, zone).astimezone(UTC).timestamp()


def midnight_ts(ts: float, zone: ZoneInfo) -> float:
    """The instant at which the local day of `ts` began."""
    return day_start_ts(datetime.fromtimestamp(ts, zone).date(), zone)


def _offsets_differ(span: tuple[float, float], zone: ZoneInfo) -> bool:
    ends = [datetime.fromtimestamp(ts, zone).utcoffset() for ts in span]
    return ends[0] != ends[1] and span[1] - span[0] <= 4 * DAY_S


def _tick(ts: float, span: tuple[float, float], zone: ZoneInfo, locale: str, form: str) -> Tick:
    """form: of a time of day; ' z' at its end asks for the zone's letters."""
    local = datetime.fromtimestamp(ts, zone)
    length = span[1] - span[0]
    at_midnight = local.hour == local.minute == local.second == 0
    if length > 120 * DAY_S:
        text = format_datetime(local, "yyyy" if local.month == 1 else "MMM", locale=locale)
        return Tick(ts, text, local.month == 1)
    if at_midnight:
        pattern = "EEE d MMM" if length <= 10 * DAY_S else "d MMM"
        return Tick(ts, format_datetime(local, pattern, locale=locale), True)
    text = format_datetime(local, form.removesuffix(" z"), locale=locale)
    return Tick(ts, f"{text} {local.tzname()}" if form.endswith(" z") else text, False)
