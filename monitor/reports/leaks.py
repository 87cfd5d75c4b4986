"""What strokes without demand cost: chemical that runs away, and the air that pushes it."""

from dataclasses import dataclass

from monitor.hydraulics.air import ANR, SCFM_US, compressor_kwh, standard_m3, stroke_air_kg
from monitor.hydraulics.air import M3_PER_CUBIC_FOOT as M3_PER_CF
from monitor.hydraulics.line import idle_leak
from monitor.reports.figures import Interval

DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class Prices:
    """What the owner pays; None = not given, and no money is shown for it.

    chemical_per_l: this pump's product as bought. bad_draw: what a vehicle that got no product
    is worth to the owner. kw_per_100_scfm: 18.7 is about 4 cfm a horsepower (US Department of
    Energy, compressed air tip sheets).
    """

    currency: str = ""
    chemical_per_l: float | None = None
    energy_per_kwh: float | None = None
    bad_draw: float | None = None
    kw_per_100_scfm: float = 18.7


NO_PRICES = Prices()


@dataclass(frozen=True, slots=True)
class Cost:
    """What a number of strokes used; money None where the price is not given."""

    strokes: float
    volume_ml: float
    air_l: float
    energy_kwh: float
    chemical_money: float | None
    air_money: float | None

    @property
    def money(self) -> float | None:
        """Chemical and air together, of what has a price; None if neither has."""
        known = [m for m in (self.chemical_money, self.air_money) if m is not None]
        return sum(known) if known else None


NOTHING = Cost(0.0, 0.0, 0.0, 0.0, None, None)


def leak_ml_min(strokes: int, rest_s: float, displacement_ml: float) -> Interval:
    """The leak that strokes at rest tell, mL/min, with 95 % limits; no value without rest."""
    if rest_s <= 0:
        return Interval(None, None, None)
    leak = idle_leak(strokes, rest_s, displacement_ml)
    return Interval(leak.leak_ml_min, leak.limits.low, leak.limits.high)


def per_day_ml(leak: Interval) -> Interval:
    """A leak in mL/min as mL a day."""
    ends = (None if v is None else v * 1440.0 for v in (leak.value, leak.low, leak.high))
    return Interval(*ends)


def cost(
    strokes: float, displacement_ml: float, air_pa: float, prices: Prices, *, wet: bool = True
) -> Cost:
    """What strokes used: chemical (unless dry), standard air (ANR) and the compressor's energy.

    air_pa: supply, gauge. The air figure is the slow-demand one, right for a leak and an upper
    bound for a racing pump.
    """
    kg = strokes * stroke_air_kg(displacement_ml, max(air_pa, 0.0))
    scf = standard_m3(kg, SCFM_US) / M3_PER_CF
    energy_kwh = compressor_kwh(scf, prices.kw_per_100_scfm)
    volume_ml = strokes * displacement_ml if wet else 0.0
    return Cost(
        strokes,
        volume_ml,
        1000.0 * standard_m3(kg, ANR),
        energy_kwh,
        _times(volume_ml / 1000.0, prices.chemical_per_l),
        _times(energy_kwh, prices.energy_per_kwh),
    )


def together(*costs: Cost) -> Cost:
    """The sum; money is known where it is known of any part."""
    return Cost(
        sum(c.strokes for c in costs),
        sum(c.volume_ml for c in costs),
        sum(c.air_l for c in costs),
        sum(c.energy_kwh for c in costs),
        _sum([c.chemical_money for c in costs]),
        _sum([c.air_money for c in costs]),
    )


def _times(amount: float, price: float | None) -> float | None:
    return None if price is None else amount * price


def _sum(parts: list[float | None]) -> float | None:
    known = [p for p in parts if p is not None]
    return sum(known) if known else None
