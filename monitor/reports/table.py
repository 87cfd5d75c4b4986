"""The bay comparison in words: one table for page, paper and text, so that they cannot differ."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from monitor.advice.kinds import Side
from monitor.reports.bays import Comparison, Row
from monitor.reports.figures import Interval, Place
from monitor.units import Display

DASH = "–"
HOUR_S, DAY_S = 3600.0, 86_400.0


@dataclass(frozen=True, slots=True)
class Cell:
    """A figure in words, a second line that belongs to it, and 'more' or 'many more' if marked."""

    text: str
    note: str = ""
    mark: str = ""


@dataclass(frozen=True, slots=True)
class Table:
    """Headings and rows of equal length; the last row is all together. plots: one small plot a
    row (chemical a day), drawn on one scale up to `top`."""

    title: str
    period: str
    headings: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]
    plots: tuple[tuple[str, tuple[float | None, ...]], ...]
    top: float
    notes: tuple[str, ...]


READ = (
    "Ranges behind figures are 95 % limits (90 % for time between failures and availability). "
    "A unit is marked only where chance alone would hardly put it at its size: 'more' beyond "
    "95 %, 'many more' beyond 99.8 %."
)


def table(
    comparison: Comparison, show: Display, zone: ZoneInfo, now_ts: float, currency: str = ""
) -> Table:
    """The comparison as words in the site's units and zone."""
    words = _Words(show, zone, now_ts, currency)
    columns = [
        (comparison.what, words.name),
        ("Draws", words.draws),
        ("Chemical", words.chemical),
        ("Chemical per draw", words.per_draw),
        ("Per vehicle", words.per_vehicle),
        ("Draws served badly", words.bad),
        ("Faults by side", words.faults),
        ("Failures", words.failures),
        ("Time between failures", words.between),
        ("Availability", words.available),
        ("Down", words.down),
        ("Ran away", words.leak),
        ("Cost of it", words.money),
        ("First drum to end", words.drum),
    ]
    # A column that no row can fill only takes room.
    rows = (*comparison.rows, comparison.total)
    cells = [(heading, [tell(row) for row in rows]) for heading, tell in columns]
    kept = [(heading, column) for heading, column in cells if any(c.text != DASH for c in column)]
    plots = tuple((row.label, row.daily_ml) for row in comparison.rows)
    return Table(
        f"{comparison.what} comparison",
        f"{_date(comparison.span[0], zone)} to {_date(comparison.span[1] - 1, zone)}",
        tuple(heading for heading, _ in kept),
        tuple(zip(*(column for _, column in kept), strict=True)),
        plots,
        comparison.daily_top_ml,
        (*comparison.notes, READ),
    )


def _date(ts: float, zone: ZoneInfo) -> str:
    here = datetime.fromtimestamp(ts, zone)
    return f"{here.day} {here:%b %Y}"


def _spoken(pump_id: str) -> str:
    """'P3' as it is, 'wheel-acid' as words."""
    return pump_id if any(c.isdigit() for c in pump_id) else pump_id.replace("-", " ")


@dataclass(frozen=True, slots=True)
class _Words:
    """Each column's words."""

    show: Display
    zone: ZoneInfo
    now_ts: float
    currency: str

    def name(self, row: Row) -> Cell:
        """Who it is, and which pumps it shares."""
        if not row.shared:
            names = ", ".join(_spoken(p) for p in row.pumps) if 1 < len(row.pumps) <= 6 else ""
            return Cell(row.label, names)
        return Cell(row.label, "shared: " + ", ".join(_spoken(p) for p in row.shared))

    def draws(self, row: Row) -> Cell:
        """How many draws."""
        return Cell(f"{row.draws:,}" if row.observed_s else DASH)

    def chemical(self, row: Row) -> Cell:
        """Volume that served draws."""
        return Cell(self.show.volume(row.chemical_ml) if row.observed_s else DASH)

    def per_draw(self, row: Row) -> Cell:
        """Volume a draw and its change."""
        if row.per_draw_ml is None:
            return Cell(DASH)
        return Cell(self._small(row.per_draw_ml), _ratio_words(row.per_draw_change))

    def per_vehicle(self, row: Row) -> Cell:
        """Volume a vehicle, where vehicles are known."""
        return Cell(DASH if row.per_vehicle_ml is None else self._small(row.per_vehicle_ml))

    def bad(self, row: Row) -> Cell:
        """Share of draws served badly, its limits, its change."""
        if row.bad.value is None:
            return Cell(DASH)
        change = _difference_words(row.bad_change)
        low, high = _percent(row.bad.low), _percent(row.bad.high)
        limits = f"{low} to {high}" if row.bad_draws else f"at most {high}"
        note = f"{row.bad_draws:,} of {row.draws:,}; {limits}"
        return Cell(_percent(row.bad.value), note + change, _mark(row.bad_place))

    def faults(self, row: Row) -> Cell:
        """Faults by the side to look at."""
        told = [f"{side.value}: {row.faults[side]}" for side in Side if row.faults.get(side)]
        return Cell(", ".join(told) or ("none" if row.observed_s else DASH))

    def failures(self, row: Row) -> Cell:
        """Faults that kept chemical from vehicles."""
        if not row.observed_s:
            return Cell(DASH)
        change = row.failure_change
        note = ""
        if change.low is not None and change.low > 1:
            note = "more than before"
        elif change.high is not None and change.high < 1:
            note = "fewer than before"
        notes = [n for n in (note, row.failure_trend) if n]
        return Cell(f"{row.failures}", "; ".join(notes), _mark(row.failures_place))

    def between(self, row: Row) -> Cell:
        """Mean time between failures, or what none of them allows to say."""
        got = row.mtbf_s
        if got.low is None or not row.observed_s:
            return Cell(DASH)
        if got.value is None or got.high is None:
            return Cell(f"over {_length(got.low)}", "no failure seen")
        return Cell(_length(got.value), f"{_length(got.low)} to {_length(got.high)}")

    def available(self, row: Row) -> Cell:
        """Share of the time that it worked."""
        got = row.availability
        if got.value is None:
            return Cell(DASH)
        note = "" if got.low is None else f"{_percent(got.low, 2)} to {_percent(got.high, 2)}"
        return Cell(_percent(got.value, 2), note)

    def down(self, row: Row) -> Cell:
        """Time in which a failure stood."""
        if not row.observed_s:
            return Cell(DASH)
        return Cell(_length(row.down_s) if row.down_s else "none")

    def leak(self, row: Row) -> Cell:
        """Chemical that ran with no demand, and the leak at rest."""
        if not row.observed_s:
            return Cell(DASH)
        got = row.leak_ml_day
        note = ""
        if got.value is not None and got.value > 0 and got.high is not None:
            note = f"at rest {self._small(got.low or 0.0)} to {self._small(got.high)} a day"
        return Cell(self._small(row.leak.volume_ml), note)

    def money(self, row: Row) -> Cell:
        """What that cost in chemical and air; air in energy where no price is given."""
        cost = row.leak
        if cost.money is None:
            return Cell(f"{cost.energy_kwh:.2g} kWh of air" if cost.energy_kwh else DASH)
        note = f"{cost.energy_kwh:.2g} kWh of air" if cost.energy_kwh else ""
        return Cell(f"{self.currency} {cost.money:.2f}".strip(), note)

    def drum(self, row: Row) -> Cell:
        """Which drum ends first, and between which days."""
        if row.first_drum is None:
            return Cell(DASH)
        pump, forecast = row.first_drum
        if forecast.empty_now:
            return Cell(f"{_spoken(pump)}: may be empty now", forecast.basis)
        days = forecast.days
        ends = [self._day(d) for d in (days.low, days.high) if d is not None]
        return Cell(f"{_spoken(pump)}: {self._day(days.value or 0.0)}", " to ".join(ends))

    def _day(self, days: float) -> str:
        day = datetime.fromtimestamp(self.now_ts + days * DAY_S, self.zone)
        return f"{day.day} {day:%b}"

    def _small(self, ml: float) -> str:
        return f"{ml:.0f} mL" if ml < 1000 else self.show.volume(ml)


def _percent(share: float | None, decimals: int = 1) -> str:
    """'2.4 %'; under a thousandth two figures that count, so that a limit is never '0.0 %'."""
    if share is None:
        return DASH
    if 0.0 < share < 0.001:
        return f"{100 * share:.2g} %" if share >= 5e-6 else "0.001 %"
    return f"{100 * share:.{decimals}f} %"


def _length(seconds: float) -> str:
    if seconds >= 2 * DAY_S:
        return f"{seconds / DAY_S:.0f} days"
    if seconds >= 2 * HOUR_S:
        return f"{seconds / HOUR_S:.0f} h"
    return f"{seconds / 60:.0f} min"


def _mark(place: Place) -> str:
    return place if place in ("more", "many more") else ""


def _ratio_words(change: Interval) -> str:
    """'up 6 % (2 to 10 %)', or that no change is clear."""
    if change.value is None or change.low is None or change.high is None:
        return ""
    if change.low <= 0 <= change.high:
        return "no clear change"
    word = "up" if change.value > 0 else "down"
    low, high = sorted((abs(change.low), abs(change.high)))
    return f"{word} {100 * abs(change.value):.0f} % ({100 * low:.0f} to {100 * high:.0f} %)"


def _difference_words(change: Interval) -> str:
    if change.value is None or change.low is None or change.high is None:
        return ""
    if change.low <= 0 <= change.high:
        return "; no clear change"
    return "; more than before" if change.value > 0 else "; fewer than before"


def as_lines(table_: Table) -> list[str]:
    """The table as plain text, one line a unit, for the command line."""
    lines = [f"{table_.title}, {table_.period}"]
    for row in table_.rows:
        told = [
            f"{heading}: {cell.text}{f' [{cell.mark}]' if cell.mark else ''}"
            for heading, cell in zip(table_.headings[1:], row[1:], strict=True)
        ]
        lines.append(f"{row[0].text}: " + "; ".join(told))
    return lines + list(table_.notes)


def texts(rows: Sequence[Sequence[Cell]]) -> list[list[str]]:
    """Only the words of the cells."""
    return [[cell.text for cell in row] for row in rows]
