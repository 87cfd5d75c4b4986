"""Numbers and times in the words of one site: its units, its zone, one language."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from math import floor, log10

from babel.dates import format_datetime
from babel.numbers import format_decimal

from monitor.detectors.finding import Evidence
from monitor.site import Site
from monitor.units import DISPLAYS, Display

DASH = "–"
HOUR_S, DAY_S = 3600, 86_400


def same(text: str) -> str:
    """English is the language the words are written in."""
    return text


@dataclass(frozen=True, slots=True)
class Words:
    """How one site's numbers are written; `t` translates a message."""

    site: Site
    now_ts: float
    locale: str = "en_GB"
    t: Callable[[str], str] = same

    @property
    def display(self) -> Display:
        """The site's units."""
        return DISPLAYS[self.site.units]

    def local(self, ts: float) -> datetime:
        """The instant on the site's clock."""
        return datetime.fromtimestamp(ts, self.site.zone)

    def number(self, value: float | None, decimals: int = 0) -> str:
        """A number as the language writes it."""
        if value is None:
            return DASH
        pattern = "#,##0" + ("." + "0" * decimals if decimals else "")
        return str(format_decimal(value, format=pattern, locale=self.locale))

    def signif(self, value: float | None, digits: int = 3) -> str:
        """A number with so many figures that count, down to a ten-thousandth; '0' for none."""
        if value is None:
            return DASH
        size = abs(value)
        if size < 0.5e-4:
            return "0"
        return self.number(value, min(max(digits - 1 - floor(log10(size)), 0), 4))

    def plain(self, value: float | None) -> str:
        """A count as it is, anything else with two figures that count."""
        if value is None or float(value).is_integer():
            return self.number(value)
        return self.signif(value, 2)

    def pressure_number(self, value_pa: float | None) -> str:
        """A pressure without its unit."""
        d = self.display
        if value_pa is None:
            return DASH
        value = value_pa / d.pa_per_pressure
        return self.number(value, d.decimals(value))

    def pressure(self, value_pa: float | None) -> str:
        """'42 psi'."""
        if value_pa is None:
            return DASH
        return f"{self.pressure_number(value_pa)} {self.display.pressure_symbol}"

    def pressure_range(self, band_pa: tuple[float, float] | None) -> str:
        """'56 to 61 psi', or an empty text."""
        if band_pa is None:
            return ""
        low, high = (self.pressure_number(x) for x in band_pa)
        if low == high:
            return f"{self.t('about')} {low} {self.display.pressure_symbol}"
        return f"{low} {self.t('to')} {high} {self.display.pressure_symbol}"

    def volume(self, value_ml: float | None) -> str:
        """'1.4 US gal'."""
        if value_ml is None:
            return DASH
        d = self.display
        return f"{self.signif(value_ml / d.ml_per_volume)} {d.volume_symbol}"

    def length(self, value_m: float | None) -> str:
        """'4.0 ft'."""
        if value_m is None:
            return DASH
        return f"{self.number(value_m / self.display.m_per_length, 1)} {self.display.length_symbol}"

    def rate(self, per_min: float | None) -> str:
        """'24 strokes/min'."""
        if per_min is None:
            return DASH
        return f"{self.number(per_min)} {self.t('strokes/min')}"

    def strokes(self, count: float | None) -> str:
        """'1 stroke', '1,464 strokes'."""
        if count is None:
            return DASH
        one = round(count) == 1
        return f"{self.number(count)} {self.t('stroke') if one else self.t('strokes')}"

    def duration(self, seconds: float | None) -> str:
        """'12 s', '12 min', '3.5 h', '4 days'."""
        if seconds is None:
            return DASH
        if seconds < 90:
            return f"{self.number(seconds)} s"
        if seconds < 5400:
            return f"{self.number(seconds / 60)} min"
        if seconds < 2 * DAY_S:
            return f"{self.number(seconds / HOUR_S, 1)} h"
        return f"{self.number(seconds / DAY_S)} {self.t('days')}"

    def clock(self, ts: float | None, *, seconds: bool = False, zone: bool = True) -> str:
        """'14:05 CET' today, 'Tue 16:20 CET' this week, '12 Oct 2026 16:20 CET' before."""
        if ts is None:
            return DASH
        local, now = self.local(ts), self.local(self.now_ts)
        days = (now.date() - local.date()).days
        time = "HH:mm:ss" if seconds else "HH:mm"
        if days == 0:
            pattern = time
        elif 0 < days < 7:
            pattern = f"EEE {time}"
        else:
            pattern = f"d MMM {time}" if local.year == now.year else f"d MMM yyyy {time}"
        text = str(format_datetime(local, pattern, locale=self.locale))
        return f"{text} {local.tzname()}" if zone else text

    def date(self, ts: float | None) -> str:
        """'12 Oct 2026' on the site's calendar."""
        if ts is None:
            return DASH
        return str(format_datetime(self.local(ts), "d MMM yyyy", locale=self.locale))

    def value(self, value: float | None, unit: str) -> str:
        """A value in SI written in the site's units; units as in Evidence."""
        if value is None:
            return DASH
        known: dict[str, Callable[[float], str]] = {
            "Pa": self.pressure,
            "1/s": lambda v: f"{self.signif(v * 60, 2)} {self.t('strokes/min')}",
            "°C": lambda v: f"{self.number(v)} °C",
            "yes": lambda v: self.t("yes") if v else self.t("no"),
            "mL": lambda v: f"{self.number(v)} mL" if abs(v) < 1000 else self.volume(v),
            "mL/min": lambda v: (
                f"{self.signif(v, 2)} mL/min" if abs(v) < 1000 else f"{self.volume(v)}/min"
            ),
            "share": lambda v: f"{self.signif(100.0 * v, 2)} %",
            "s": self.duration,
            "m": self.length,
            "strokes": self.strokes,
        }
        if unit in known:
            return known[unit](value)
        return f"{self.signif(value, 3 if abs(value) >= 1 else 2)} {self.t(unit)}".strip()

    def told(self, item: Evidence) -> str:
        """'60 mL/min (95 %: 48 to 75)', or the value alone where it has no limits."""
        text = self.value(item.value, item.unit)
        if item.value is None or item.low is None or item.high is None:
            return text
        ends = self._ends(item.low, item.high, item.unit)
        return f"{text} (95 %: {ends.removesuffix(' ' + text.partition(' ')[2])})"

    def _ends(self, low: float, high: float, unit: str) -> str:
        """'48 to 75 mL/min': both ends, the unit once."""
        first, second = self.value(low, unit), self.value(high, unit)
        if first == second:
            return second
        number, _, symbol = first.partition(" ")
        one_unit = symbol and second.endswith(f" {symbol}")
        return f"{number if one_unit else first} {self.t('to')} {second}"

    def usual(self, item: Evidence) -> str:
        """'56 to 61 psi', 'up to 12 mL', 'none', or an empty text where nothing was learnt."""
        low, high = item.usual_low, item.usual_high
        if low is None and high is None:
            return ""
        if low is None:
            return f"{self.t('up to')} {self.value(high, item.unit)}"
        if high is None:
            return f"{self.t('at least')} {self.value(low, item.unit)}"
        if low == high == 0.0:
            return self.t("none")
        return self._ends(low, high, item.unit)
