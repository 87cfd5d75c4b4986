"""One pump with what the installation checks share, and the line a check gives."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from typing import Literal

from monitor.hydraulics import flow
from monitor.hydraulics.pump import DEFAULT_CURVE, stall_band_pa
from monitor.site import Pump, Site
from monitor.units import DISPLAYS, Display

Verdict = Literal["ok", "warn", "bad", "unknown"]

PRACTICE = "common practice, no published source"
COMPUTED = "computed"
ASSUMED_FLOW_ML_S = 31.545
"""0.5 US gal/min where no tip is given: a usual single-bay draw (chosen)."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line of the check. value in SI (unit says which), None where not known or text only.

    limit and what_to_change are words in the site's units; source says where the limit is from.
    """

    pump: str
    name: str
    value: float | None
    unit: str
    limit: str
    verdict: Verdict
    source: str
    what_to_change: str


@dataclass(frozen=True, slots=True)
class Case:
    """One pump, its site, the units to show, and the draw expected of it (None: no tip given)."""

    site: Site
    pump: Pump
    show: Display
    flow_ml_s: float
    point: flow.OperatingPoint | None

    def line(self, name: str, value: float | None, unit: str) -> Callable[..., Line]:
        """A Line of this pump; limit, verdict, source and what to change are still to say."""
        return partial(Line, self.pump.id, name, value, unit)

    @classmethod
    def of(cls, site: Site, pump: Pump) -> "Case":
        """The case of one pump of a site."""
        point = expected_point(pump)
        drawn = point.flow_ml_s if point else ASSUMED_FLOW_ML_S
        return cls(site, pump, DISPLAYS[site.units], drawn, point)


Check = Callable[[Case], Iterator[Line]]


def expected_point(pump: Pump) -> flow.OperatingPoint | None:
    """Pressure, rate and flow of a draw through the pump's tip; None where no tip is given."""
    if pump.tip_m is None:
        return None
    stall = stall_band_pa(pump.air_set_pa, pump.lift_m, pump.fluid.specific_gravity).middle
    hung = flow.Discharge(
        pump.discharge,
        pump.fluid,
        pump.tip_m,
        pump.check_valve_crack_pa,
        pump.outlet_height_m or 0.0,
    )
    return flow.operating_point(stall, pump.air_set_pa, pump.displacement_ml, hung, DEFAULT_CURVE)
