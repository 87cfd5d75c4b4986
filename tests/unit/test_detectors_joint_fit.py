import numpy as np

from monitor.detectors.joint import _fit


def test_a_whole_number_without_spread_in_its_robust_half_gets_the_least_spread():
    # Three quarters of the rows say the very same count: the robust covariance of it is zero.
    noise = np.random.default_rng(3)
    rows = noise.normal(size=(120, 4))
    rows[:, 1] = 0.0
    rows[::8, 1] = 3.0
    model = _fit(rows, 0.001)
    assert model is not None
    assert np.isfinite(model.covariance).all()
    assert (np.diag(model.covariance) >= 1.0).all()
    assert 0.0 < model.far <= 0.001
