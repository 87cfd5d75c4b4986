"""From the signal of a pressure transducer to pascal, with its fault bands and calibration.

Wiring notes. 4-20 mA: the loop's current through a shunt of 100 to 150 ohm, 0.1 %, at the
converter's input; it tells a broken wire from an empty line. 0.5-4.5 V: three wires, ratiometric,
so the reading scales with the transducer's supply: give it a good one and set supply_v as measured.
Cautions: relieve the line before a transducer is fitted or taken out, the chemical is corrosive;
wetted parts must suit it (its safety data sheet and the maker's tables say which do).
"""

from typing import Annotated, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field, model_validator

from edge.model import Frozen, Measured

Floats = NDArray[np.float64]

NE43_FAILURE_LOW_MA = 3.6
NE43_MEASURE_LOW_MA = 3.8
NE43_MEASURE_HIGH_MA = 20.5
NE43_FAILURE_HIGH_MA = 21.0
"""NAMUR NE 43: 3.8 to 20.5 mA measures; at or under 3.6 and at or over 21 the device has failed."""

RATIO_ZERO, RATIO_SPAN = 0.1, 0.8
"""A 0.5-4.5 V transducer gives 10 to 90 % of its 5 V supply."""
RATIO_FAILURE_LOW, RATIO_FAILURE_HIGH = 0.05, 0.95
"""Chosen: half way between the range's ends and the rails, which a broken wire reaches."""


class CalibrationPoint(Frozen):
    """What was shown while a reference gauge read `true_pa`."""

    shown_pa: float
    true_pa: float


class Transducer(Measured):
    """A gauge pressure transducer and what lies between it and the converter."""

    signal: Literal["4-20 mA", "0.5-4.5 V"] = "4-20 mA"
    full_scale_pa: float = Field(
        1_034_213.6, gt=1e4, le=1e8, description="150 psi: headroom over 100 psi air for hammer"
    )
    shunt_ohm: float = Field(150.0, gt=1, le=1000, description="4-20 mA only; 20 mA is 3.0 V")
    supply_v: float = Field(5.0, gt=1, le=30, description="0.5-4.5 V only; of the transducer")
    divider: float = Field(
        1.0, gt=0.01, le=1, description="volts at the converter per volt at the transducer"
    )
    zero_pa: float = Field(0.0, description="what it shows with the line vented; subtracted")
    calibration: Annotated[tuple[CalibrationPoint, ...], Field(max_length=2)] = ()

    @model_validator(mode="after")
    def _points_differ(self) -> "Transducer":
        points = self.calibration
        if len(points) == 1:
            raise ValueError("calibration needs two points; for one, set zero_pa")
        if points and abs(points[0].shown_pa - points[1].shown_pa) < 0.1 * self.full_scale_pa:
            raise ValueError("the calibration points lie closer than 10 % of full scale")
        return self

    @property
    def top_v(self) -> float:
        """Volts at the converter at the upper end of measuring (NE 43, or 4.5 of 5 V)."""
        if self.signal == "4-20 mA":
            return NE43_MEASURE_HIGH_MA / 1000.0 * self.shunt_ohm * self.divider
        return (RATIO_ZERO + RATIO_SPAN) * self.supply_v * self.divider

    def pressure_pa(self, raw: Floats) -> Floats:
        """Gauge pressure of volts at the converter; NaN in a fault band or where volts are NaN."""
        at_transducer = raw / self.divider
        if self.signal == "4-20 mA":
            current_ma = at_transducer / self.shunt_ohm * 1000.0
            share = (current_ma - 4.0) / 16.0
            failed = (current_ma <= NE43_FAILURE_LOW_MA) | (current_ma >= NE43_FAILURE_HIGH_MA)
        else:
            ratio = at_transducer / self.supply_v
            share = (ratio - RATIO_ZERO) / RATIO_SPAN
            failed = (ratio < RATIO_FAILURE_LOW) | (ratio > RATIO_FAILURE_HIGH)
        return self.corrected_pa(np.where(failed, np.nan, share * self.full_scale_pa))

    def corrected_pa(self, shown_pa: Floats) -> Floats:
        """Two-point calibration, then the zero."""
        out = shown_pa
        if self.calibration:
            low, high = self.calibration
            gain = (high.true_pa - low.true_pa) / (high.shown_pa - low.shown_pa)
            out = low.true_pa + gain * (out - low.shown_pa)
        return np.asarray(out - self.zero_pa, np.float64)

    def fault(self, raw: float) -> str:
        """In words what a reading in a fault band means; empty if it measures."""
        if raw != raw:
            return "no reading: wiring, address or clipped input"
        at_transducer = raw / self.divider
        if self.signal == "4-20 mA":
            current_ma = at_transducer / self.shunt_ohm * 1000.0
            if current_ma <= NE43_FAILURE_LOW_MA:
                return f"{current_ma:.2f} mA: broken wire or no loop supply (NE 43: 3.6 or less)"
            if current_ma >= NE43_FAILURE_HIGH_MA:
                return f"{current_ma:.2f} mA: short or failed transducer (NE 43: 21 or more)"
            return ""
        if at_transducer < RATIO_FAILURE_LOW * self.supply_v:
            return f"{at_transducer:.2f} V: broken signal wire or no supply"
        if at_transducer > RATIO_FAILURE_HIGH * self.supply_v:
            return f"{at_transducer:.2f} V: signal shorted to the supply or broken ground wire"
        return ""
