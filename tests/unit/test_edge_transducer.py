"""Volts to pascal: NAMUR NE 43 bands, ratiometric rails, calibration. psi figures are computed
from the two signals' definitions (4 to 20 mA, 10 to 90 % of supply)."""

import numpy as np
import pytest
from pydantic import ValidationError

from edge.transducer import Transducer

PSI = 6894.757293168
LOOP = Transducer(signal="4-20 mA", full_scale_pa=150 * PSI, shunt_ohm=150)
RATIO = Transducer(signal="0.5-4.5 V", full_scale_pa=150 * PSI)


def psi(transducer: Transducer, volts: float) -> float:
    return float(transducer.pressure_pa(np.array([volts]))[0]) / PSI


@pytest.mark.parametrize(
    ("current_ma", "shown_psi"),
    [(4.0, 0.0), (20.0, 150.0), (12.0, 75.0), (3.8, -1.875), (20.5, 154.6875)],
)
def test_loop_current(current_ma: float, shown_psi: float) -> None:
    assert psi(LOOP, current_ma * 0.150) == pytest.approx(shown_psi, abs=1e-9)


@pytest.mark.parametrize("current_ma", [0.0, 3.59, 21.01, 24.0])
def test_loop_failure_bands_of_ne_43(current_ma: float) -> None:
    assert np.isnan(psi(LOOP, current_ma * 0.150))
    assert "NE 43" in LOOP.fault(current_ma * 0.150)


@pytest.mark.parametrize("current_ma", [3.7, 20.8])
def test_loop_between_measuring_and_failure_still_measures(current_ma: float) -> None:
    assert np.isfinite(psi(LOOP, current_ma * 0.150))
    assert LOOP.fault(current_ma * 0.150) == ""


@pytest.mark.parametrize(("volts", "shown_psi"), [(0.5, 0.0), (4.5, 150.0), (2.5, 75.0)])
def test_ratiometric(volts: float, shown_psi: float) -> None:
    assert psi(RATIO, volts) == pytest.approx(shown_psi, abs=1e-9)


@pytest.mark.parametrize("volts", [0.0, 0.24, 4.76, 5.0])
def test_ratiometric_rails_are_broken_wires(volts: float) -> None:
    assert np.isnan(psi(RATIO, volts))
    assert "wire" in RATIO.fault(volts)


def test_reading_scales_with_the_supply_and_the_divider() -> None:
    low = RATIO.model_copy(update={"supply_v": 4.8, "divider": 0.5})
    assert psi(low, 0.5 * 0.5 * 4.8) == pytest.approx(75.0)


def test_two_points_and_zero() -> None:
    one = Transducer.model_validate(
        {
            "full_scale_pa": 150 * PSI,
            "calibration": [
                {"shown_pa": 1 * PSI, "true_pa": 0.0},
                {"shown_pa": 99 * PSI, "true_pa": 100 * PSI},
            ],
            "zero_pa": 0.0,
        }
    )
    shown = np.array([1.0, 50.0, 99.0]) * PSI
    assert one.corrected_pa(shown) / PSI == pytest.approx([0.0, 50.0, 100.0])
    zeroed = LOOP.model_copy(update={"zero_pa": 2 * PSI})
    assert psi(zeroed, 0.6) == pytest.approx(-2.0)


@pytest.mark.parametrize(
    "points",
    [
        [{"shown_pa": 0, "true_pa": 0}],
        [{"shown_pa": 0, "true_pa": 0}, {"shown_pa": 100, "true_pa": 100}],
    ],
)
def test_calibration_that_cannot_work_is_refused(points: list[dict[str, float]]) -> None:
    with pytest.raises(ValidationError):
        Transducer.model_validate({"calibration": points})
