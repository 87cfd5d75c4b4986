"""The saw between strokes, and slopes at the strokes themselves."""

import numpy as np
import pytest
from scipy.signal import periodogram, sawtooth

from monitor.signals.dips import slopes
from monitor.signals.saw import period_s

DT_S = 0.05
STROKES_S = np.array([2.0, 9.0, 16.0, 23.0])


def trace(period: float, high_pa: float, noise_pa: float, seed: int = 1):
    """Half a minute of 400 kPa with a saw of this period (s) and height, and noise."""
    ts = np.arange(0.0, 30.0, DT_S)
    noise = noise_pa * np.random.default_rng(seed).standard_normal(len(ts))
    return ts, 400e3 + 0.5 * high_pa * sawtooth(2 * np.pi * ts / period, 0.8) + noise


@pytest.mark.parametrize("period", [0.17, 0.28, 0.52, 1.1])
def test_the_period_is_that_of_scipys_periodogram(period: float):
    """Source: scipy.signal.periodogram on the same trace, its strongest line."""
    ts, p = trace(period, 8e3, 1e3)
    found = period_s(ts, p, STROKES_S, DT_S)
    line, power = periodogram(p, 1.0 / DT_S, detrend="linear")
    # Three samples a tooth leave a parabola a twentieth; a pump is held against its own past.
    assert found == pytest.approx(1.0 / line[power.argmax()], rel=0.05)
    assert found == pytest.approx(period, rel=0.05)


def test_noise_and_a_saw_that_drowns_in_it_have_no_period():
    for seed in range(50):
        assert period_s(*trace(0.3, 0.0, 1e3, seed), STROKES_S, DT_S) is None
        assert period_s(*trace(0.3, 1e3, 1e3, seed), STROKES_S, DT_S) is None


def test_dips_at_the_strokes_are_left_out():
    ts, p = trace(0.28, 8e3, 1e3)
    for at in STROKES_S:
        p[(ts >= at) & (ts < at + 0.3)] -= 150e3
    assert period_s(ts, p, STROKES_S, DT_S) == pytest.approx(0.28, rel=0.03)


@pytest.mark.parametrize("strokes", [[], [2.0], [2.0, 3.0], [2.0, 2.5, 3.0, 3.5]])
def test_too_little_between_strokes_says_nothing(strokes: list[float]):
    assert period_s(*trace(0.28, 8e3, 0.0), np.array(strokes), DT_S) is None


def test_a_line_at_one_level_has_no_saw():
    ts, p = trace(0.28, 0.0, 0.0)
    assert period_s(ts, p, STROKES_S, DT_S) is None


def test_a_stiff_line_that_falls_with_the_stroke_itself_has_its_slope():
    """The last sample before the stroke is high, the first after it low: the fall lies on it."""
    ts = np.arange(0.0, 4.0, DT_S)
    p = np.full(len(ts), 400e3)
    for at in (1.0, 2.0, 3.0):
        p[(ts >= at) & (ts < at + 0.1)] = 300e3
    found = slopes(ts, p, np.array([0.99, 1.99, 2.99]))
    assert found == pytest.approx([100e3 / DT_S] * 2)
