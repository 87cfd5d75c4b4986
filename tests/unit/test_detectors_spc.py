"""Charts against worked examples: NIST/SEMATECH e-Handbook, Montgomery, Hawkins."""

import itertools

import numpy as np
import pytest
from scipy import stats

from monitor.detectors import run_length, spc
from monitor.errors import BadSettings

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 (group means, target 325).
NIST_CUSUM = [
    324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
    324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
]  # fmt: skip
NIST_HIGH = [
    0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04,
]  # fmt: skip
NIST_LOW = [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.26, 0.31, 0] + [0] * 8

# Same handbook, 6.3.2.4 (EWMA, lambda 0.3, target 50, s 2.0539).
NIST_EWMA = [
    52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
    49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1,
]  # fmt: skip
NIST_EWMA_Z = [
    50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
    50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99,
]  # fmt: skip


def test_tabular_cusum_repeats_the_nist_example():
    # The handbook prints h = 4.1959 and k = 0.3175 in data units; sums agree within its rounding,
    # which rounds ties both ways (14.445 prints as 14.44).
    chart = spc.Cusum(0.3175, 4.1959)
    signals = []
    for mean, high, low in zip(NIST_CUSUM, NIST_HIGH, NIST_LOW, strict=True):
        signals.append(chart.step(mean - 325))
        assert chart.high == pytest.approx(high, abs=0.0051)
        assert chart.low == pytest.approx(low, abs=0.0051)
    assert [i for i, s in enumerate(signals, 1) if s] == list(range(14, 21))
    assert set(signals) == {0, 1}


def test_cusum_head_start_signals_sooner_and_fades_when_all_is_well():
    # Lucas and Crosier 1982: S0 = h / 2.
    plain, fast = spc.Cusum(0.5, 5), spc.Cusum(0.5, 5, 2.5)
    plain_at = next(i for i in range(1, 50) if plain.step(1.5))
    fast_at = next(i for i in range(1, 50) if fast.step(1.5))
    assert (plain_at, fast_at) == (6, 3)
    fast.reset()
    for _ in range(5):
        fast.step(0.0)
    assert fast.high == fast.low == 0.0
    fast.reset(with_head_start=False)
    assert fast.high == 0.0


def test_ewma_repeats_the_nist_example():
    sigma = 2.0539
    fixed = spc.Ewma(0.3, 3.0)
    varying = spc.Ewma(0.3, 3.0, time_varying=True)
    upper = {}
    for i, (x, z) in enumerate(zip(NIST_EWMA, NIST_EWMA_Z, strict=True), 1):
        assert fixed.step((x - 50) / sigma) == 0
        assert 50 + sigma * fixed.value == pytest.approx(z, abs=0.0051)
        assert varying.step((x - 50) / sigma) == 0
        upper[i] = 50 + sigma * varying.limit()
    # Printed 52.5884 / 47.4115; the lower one comes from a rounded factor, so 1e-4 is allowed.
    assert 50 + sigma * fixed.limit() == pytest.approx(52.5884, abs=1e-4)
    assert 50 - sigma * fixed.limit() == pytest.approx(47.4115, abs=1.1e-4)
    # Exact limits of the first samples, computed from the handbook's formula.
    for i, value in {1: 51.8485, 2: 52.2564, 3: 52.4314, 5: 52.5516, 10: 52.5874}.items():
        assert upper[i] == pytest.approx(value, abs=1e-4)


def test_ewma_signals_on_either_side_and_starts_again():
    chart = spc.Ewma(0.2, 2.962)
    assert [chart.step(-3.0) for _ in range(3)] == [0, -1, -1]
    chart.reset()
    assert [chart.step(3.0) for _ in range(3)] == [0, 1, 1]


@pytest.mark.parametrize(
    ("scores", "rule"),
    [
        ([3.1], 1),
        ([2.1, 0.0, 2.1], 2),
        ([1.1, 1.1, 0.0, 1.1, 1.1], 3),
        ([0.1] * 8, 4),
        ([-3.1], 1),
        ([-2.1, 0.0, -2.1], 2),
        ([-1.1, -1.1, 0.0, -1.1, -1.1], 3),
        ([-0.1] * 8, 4),
    ],
)
def test_western_electric_rules_signal_at_the_completing_score(scores, rule):
    chart = spc.WesternElectric()
    broken = [chart.step(z) for z in scores]
    assert broken[-1] == {rule}
    assert not any(broken[:-1])


def test_western_electric_rules_need_one_side():
    chart = spc.WesternElectric()
    for z in (2.5, -2.5, 1.5, -1.5, 1.5, -1.5, 1.5, -1.5, 0.0, 2.9):
        assert not chart.step(z)
    chart.reset()
    assert not chart.step(2.1)


def test_individuals_limits_repeat_the_nist_example():
    # NIST/SEMATECH e-Handbook 6.3.2.2 prints 55.8041 and 45.8159.
    chart = spc.individuals([49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1])
    assert chart.mean == pytest.approx(50.81)
    assert chart.high == pytest.approx(55.8041, abs=1e-4)
    assert chart.low == pytest.approx(45.8159, abs=1e-4)
    assert chart.moving_range_high == pytest.approx(6.1347, abs=2e-4)


def test_median_sigma_survives_the_nist_outlier():
    # NIST/SEMATECH e-Handbook 1.3.5.17.1: the mean and s of these are ruined by the last value.
    values = np.array([199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57])
    middle, sigma = spc.median_sigma(np.append(values, np.nan))
    assert middle == pytest.approx(201.37)
    assert sigma == pytest.approx(1.47519, abs=1e-5)
    modified = 0.6745 * (245.57 - middle) / (sigma / spc.MAD_TO_SIGMA)
    assert modified == pytest.approx(29.963, abs=1e-3)  # limit 3.5, Iglewicz and Hoaglin 1993
    assert pytest.approx(1 / stats.norm.ppf(0.75)) == spc.MAD_TO_SIGMA


def test_median_sigma_of_nothing_is_nan():
    assert all(np.isnan(spc.median_sigma(np.array([np.nan]))))


def test_self_starting_scores_keep_the_run_length_on_a_short_baseline():
    # Hawkins 1987: from the third value on the scores are N(0, 1) and independent, so a chart
    # for known parameters keeps its ARL; frozen estimates of m = 20 lose most of it.
    rng = np.random.default_rng(20)
    scores = []
    for _ in range(400):
        x = rng.normal(5.0, 3.0, 60)
        for n in range(10, 60):
            scores.append(spc.self_starting_score(x[n], x[:n].mean(), x[:n].std(ddof=1), n))
    rows = np.array(scores).reshape(400, 50)
    assert stats.kstest(rows.ravel(), "norm").pvalue > 0.001
    assert abs(np.corrcoef(rows[:, :-1].ravel(), rows[:, 1:].ravel())[0, 1]) < 0.02
    tail = float(np.mean(np.abs(rows) > 3))
    assert stats.binomtest(round(tail * rows.size), rows.size, 0.0027).pvalue > 0.001


def test_self_starting_score_far_out_is_finite_and_signed():
    assert spc.self_starting_score(1e9, 0, 1, 50) > 10
    assert spc.self_starting_score(-1e9, 0, 1, 50) == -spc.self_starting_score(1e9, 0, 1, 50)
    with pytest.raises(BadSettings, match="2 values"):
        spc.self_starting_score(1.0, 0.0, 0.0, 50)


def test_residuals_take_autocorrelation_away_and_cost_the_stated_shift():
    rng = np.random.default_rng(4)
    phi = 0.5
    z = np.zeros(40_000)
    for i in range(1, len(z)):
        z[i] = phi * z[i - 1] + np.sqrt(1 - phi * phi) * rng.normal()
    assert spc.lag_one(z) == pytest.approx(phi, abs=0.02)
    residual = np.array([spc.ar1_residual(b, a, phi) for a, b in itertools.pairwise(z)])
    assert abs(spc.lag_one(residual)) < 0.02
    assert residual.std() == pytest.approx(1, abs=0.02)
    shifted = spc.ar1_residual(1.0, 1.0, phi)
    assert shifted == pytest.approx(spc.ar1_shift_factor(phi))
    assert spc.lag_one(np.ones(5)) == 0.0
    assert spc.lag_one(np.array([1.0, np.nan])) == 0.0


@pytest.mark.parametrize(("phi", "n"), [(0.0, 1), (0.1, 1), (0.5, 4), (0.9, 22), (-0.5, 4)])
def test_decimation_leaves_at_most_the_rest(phi, n):
    assert spc.decimation(phi) == n
    assert abs(phi) ** n <= 0.1
    assert n == 1 or abs(phi) ** (n - 1) > 0.1


def test_hotelling_repeats_the_fibre_example():
    # D. C. Montgomery, Introduction to Statistical Quality Control, example 11.1 (from memory):
    # p = 2, m = 20, n = 10, alpha = 0.001 -> 13.72; the eleventh subgroup's T2 is 2.16.
    assert spc.t2_limit_subgroups(2, 20, 10, 0.001, phase=1) == pytest.approx(13.72, abs=0.005)
    assert spc.t2_limit_subgroups(2, 20, 10, 0.001) == pytest.approx(15.1650, abs=1e-4)
    s = np.array([[1.23, 0.79], [0.79, 0.83]])
    t2 = 10 * spc.t_squared(np.array([[115.25, 1.04]]), np.array([115.59, 1.06]), s)
    assert t2[0] == pytest.approx(2.16, abs=0.001)


@pytest.mark.parametrize(
    ("p", "m", "alpha", "later", "own"),
    [
        (2, 30, 0.05, 7.1500, 5.5789),
        (2, 100, 0.001, 15.1380, 13.0108),
        (3, 100, 0.0027, 15.6260, 13.3740),
    ],
)
def test_hotelling_limits_for_single_rows(p, m, alpha, later, own):
    # Tracy, Young and Mason 1992; computed with an independent F and beta quantile.
    assert spc.t2_limit_single(p, m, alpha) == pytest.approx(later, abs=1e-4)
    assert spc.t2_limit_single(p, m, alpha, phase=1) == pytest.approx(own, abs=1e-4)
    twin = p * (m * m - 1) / (m * (m - p)) * stats.f(p, m - p).ppf(1 - alpha)
    assert spc.t2_limit_single(p, m, alpha) == pytest.approx(twin)


def test_t_squared_of_a_baseline_adds_up():
    # Identity: with the rows' own mean and covariance the values add to (m - 1) p.
    rows = np.array([(2, 4), (4, 3), (3, 5), (5, 6), (6, 7)], float)
    t2 = spc.t_squared(rows, rows.mean(0), np.cov(rows.T))
    assert t2 == pytest.approx([1.72549, 3.13725, 0.78431, 0.47059, 1.88235], abs=1e-5)
    assert t2.sum() == pytest.approx(8)


@pytest.mark.parametrize(
    ("build", "names"),
    [
        (lambda: spc.Cusum(-0.1, 4), "cusum"),
        (lambda: spc.Cusum(0.5, 4, 5), "head start"),
        (lambda: spc.Ewma(0, 3), "lambda"),
        (lambda: spc.WesternElectric((1, 5)), "western electric"),
        (lambda: spc.individuals([1.0]), "individuals"),
        (lambda: spc.decimation(1.0), "decimation"),
        (lambda: spc.t2_limit_single(3, 4, 0.05), "T squared"),
        (lambda: run_length.cusum_h(0, 400), "k"),
        (lambda: run_length.cusum_h(0.5, 1e12), "ARL0"),
        (lambda: run_length.ewma_l(0.001, 400), "lambda"),
        (lambda: run_length.shewhart_z(0.5), "ARL0"),
        (lambda: run_length.shewhart_z(400, 1), "baseline"),
        (lambda: run_length.share_for_runs(4, 3, 400), "runs"),
        (lambda: run_length.budget(0, 3), "samples a month"),
        (lambda: run_length.budget(100, 0), "tests"),
    ],
)
def test_bad_settings_are_refused_by_name(build, names):
    with pytest.raises(BadSettings, match=names):
        build()
