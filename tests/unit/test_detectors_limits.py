"""Limits of what draws repeat, against published examples."""

import numpy as np
import pytest

from monitor.detectors.limits import mean_limits, t_95


def test_quantiles_are_those_of_the_tables():
    """NIST/SEMATECH e-Handbook 1.3.6.7.2, critical values of Student's t, two-sided 0.05."""
    table = {1: 12.706, 2: 4.303, 4: 2.776, 9: 2.262, 30: 2.042}
    for degrees, value in table.items():
        assert t_95(degrees) == pytest.approx(value, abs=5e-4)
    assert t_95(0.3) == t_95(1)


def test_the_limits_of_a_published_mean():
    """NIST/SEMATECH e-Handbook 1.3.5.2, heat flow meter: n 195, mean 9.261460, standard deviation
    0.02278881, limits 9.258242 and 9.264679. The values themselves play no part."""
    x = np.random.default_rng(3).normal(size=195)
    x = 9.261460 + 0.02278881 * (x - x.mean()) / x.std(ddof=1)
    found = mean_limits(x.tolist())
    assert found.low == pytest.approx(9.258242, abs=2e-6)
    assert found.high == pytest.approx(9.264679, abs=2e-6)


def test_what_all_share_is_not_averaged_away():
    alike = mean_limits([1.10, 1.10, 1.10], shared_se=0.01)
    assert alike.low == pytest.approx(1.10 - 0.0196)
    assert alike.high == pytest.approx(1.10 + 0.0196)
