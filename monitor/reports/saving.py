"""What a visit to a pump would save, as far as it can be counted; orders the visit sheet."""

from dataclasses import dataclass

from monitor.reports.leaks import Cost, Prices, cost, together
from monitor.reports.tally import Tally
from monitor.units import Display

DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class Saving:
    """A day's loss while nobody comes: draws served badly, chemical and air that run away.

    money: a day's, None where no price is given. priority: place of the most pressing alarm
    (0 = act now). seen_s: how long the pace was counted.
    """

    bad_draws_day: float
    waste_day: Cost
    money_day: float | None
    currency: str
    priority: int
    seen_s: float = DAY_S

    @property
    def order(self) -> tuple[float, float, int, float]:
        """Sort key, the greatest saving first: money where it is known, else draws served badly,
        then the priority of the alarm, then what runs away."""
        return (
            -(self.money_day or 0.0),
            -self.bad_draws_day,
            self.priority,
            -self.waste_day.volume_ml - self.waste_day.energy_kwh,
        )

    def words(self, show: Display) -> str:
        """'Each day it waits: about 120 draws served badly, 3 US gal of chemical, 4 kWh of air.'"""
        parts = []
        if self.bad_draws_day >= 0.5:
            parts.append(f"about {self.bad_draws_day:,.0f} draws served badly")
        if self.waste_day.volume_ml >= 1:
            parts.append(f"{show.volume(self.waste_day.volume_ml)} of chemical")
        if self.waste_day.energy_kwh >= 0.05:
            parts.append(f"{self.waste_day.energy_kwh:.1f} kWh of air")
        if self.money_day:
            parts.append(f"{self.currency} {self.money_day:.2f} in all".strip())
        if not parts:
            return "Nothing is lost yet that can be counted; a visit keeps a small fault small."
        pace = " (counted over less than a day)" if self.seen_s < DAY_S else ""
        return "Each day it waits: " + ", ".join(parts) + pace + "."


def saving(month: Tally, recent: Tally, bad_share: float, priority: int, prices: Prices) -> Saving:
    """From the month's pace of draws and what ran away lately.

    bad_share: part of the coming draws that will be served badly: 1 where no product comes, a
    half where too little does (chosen), 0 without such an alarm.
    """
    days = month.observed_s / DAY_S
    bad_day = bad_share * month.draws / days if days > 0 else 0.0
    recent_days = recent.observed_s / DAY_S
    pump = recent.pump
    per_day = 1 / recent_days if recent_days > 0 else 0.0
    wet = cost(recent.waste_strokes * per_day, pump.displacement_ml, pump.air_set_pa, prices)
    dry = cost(
        recent.dry_strokes * per_day, pump.displacement_ml, pump.air_set_pa, prices, wet=False
    )
    waste = together(wet, dry)
    known = [m for m in (waste.money, _money(bad_day, prices.bad_draw)) if m is not None]
    money = sum(known) if known else None
    return Saving(bad_day, waste, money, prices.currency, priority, month.observed_s)


def _money(draws: float, price: float | None) -> float | None:
    return None if price is None else draws * price
