"""Intervals and limits against published values."""

import math

import numpy as np
import pytest
from scipy import stats

from monitor.reports import figures as fg


@pytest.mark.parametrize(
    ("hits", "n", "low", "high"),
    [
        # R. G. Newcombe, Statistics in Medicine 17 (1998) 857, table I, method 3.
        (81, 263, 0.2553, 0.3662),
        (15, 148, 0.0624, 0.1605),
        (0, 20, 0.0, 0.1611),
        (1, 29, 0.0061, 0.1718),
        # Computed from the formula.
        (0, 10, 0.0, 0.2775),
        (10, 10, 0.7225, 1.0),
        (1, 10, 0.0179, 0.4042),
        (4, 20, 0.0807, 0.4160),
        (5, 60, 0.0361, 0.1807),
    ],
)
def test_wilson_agrees_with_newcombe(hits, n, low, high):
    got = fg.wilson(hits, n)
    assert got.value == hits / n
    assert (got.low, got.high) == (pytest.approx(low, abs=6e-5), pytest.approx(high, abs=6e-5))


@pytest.mark.parametrize(
    ("hits", "n", "low", "high"),
    [(81, 263, 0.25274, 0.36762), (0, 20, 0, 0.16843), (1, 29, 0.00087, 0.17764),
     (4, 20, 0.05733, 0.43661), (20, 20, 0.83157, 1)],
)  # fmt: skip
def test_clopper_pearson_agrees_with_newcombe_and_scipy(hits, n, low, high):
    # Newcombe 1998, table I, method 5; and scipy's own routine.
    got = fg.clopper_pearson(hits, n)
    assert (got.low, got.high) == (pytest.approx(low, abs=6e-6), pytest.approx(high, abs=6e-6))
    other = stats.binomtest(hits, n).proportion_ci(0.95, "exact")
    assert (got.low, got.high) == (pytest.approx(other.low), pytest.approx(other.high))


def test_shares_of_nothing_know_nothing():
    assert fg.wilson(0, 0) == fg.clopper_pearson(0, 0) == fg.Interval(None, 0.0, 1.0)
    assert fg.share_change(0, 0, 1, 2).value is None


def test_difference_of_shares_agrees_with_newcombe():
    # Newcombe, Statistics in Medicine 17 (1998) 873, table II, method 10 (from memory):
    # 56/70 - 48/80: 0.0524 to 0.3339; 9/10 - 3/10: 0.1705 to 0.8090; 0/10 - 0/20: -0.1611 to
    # 0.2775.
    for (a, m, b, n), (low, high) in {
        (56, 70, 48, 80): (0.0524, 0.3339),
        (9, 10, 3, 10): (0.1705, 0.8090),
        (0, 10, 0, 20): (-0.1611, 0.2775),
    }.items():
        got = fg.share_change(a, m, b, n)
        assert (got.low, got.high) == (pytest.approx(low, abs=6e-5), pytest.approx(high, abs=6e-5))


@pytest.mark.parametrize(
    ("count", "low", "high"),
    [(0, 0, 3.689), (1, 0.0253, 5.572), (2, 0.2422, 7.225), (3, 0.6187, 8.767), (4, 1.090, 10.242),
     (5, 1.623, 11.668), (6, 2.202, 13.060), (8, 3.454, 15.763), (10, 4.795, 18.390)],
)  # fmt: skip
def test_counts_agree_with_garwood(count, low, high):
    # F. Garwood, Biometrika 28 (1936), 95 % limits; any table of exact Poisson limits.
    got = fg.count_limits(count)
    assert (got.low, got.high) == (pytest.approx(low, abs=6e-4), pytest.approx(high, abs=6e-4))


def test_rates_pool_by_sums_and_never_by_means():
    # 2 faults in 10 days and 0 in 1000 days: 2 in 1010, not 0.1 a day.
    got = fg.pooled_rate([2, 0], [10.0, 1000.0])
    assert got.value == pytest.approx(2 / 1010)
    assert got.low == pytest.approx(0.2422 / 1010, rel=1e-3)
    assert fg.rate(3, 0.0) == fg.Interval(None, None, None)
    with pytest.raises(fg.BadFigure, match="length"):
        fg.pooled_rate([1], [])


def test_ratio_of_rates_agrees_with_scipy():
    got = fg.rate_change(12, 30.0, 5, 30.0)
    share = stats.binomtest(12, 17).proportion_ci(0.95, "exact")
    assert got.value == pytest.approx(12 / 5)
    assert got.low == pytest.approx(share.low / (1 - share.low))
    assert got.high == pytest.approx(share.high / (1 - share.high))
    # Poisson means test of statsmodels' documentation family: twice the time halves the rate.
    assert fg.rate_change(10, 60.0, 5, 30.0).value == pytest.approx(1.0)
    assert fg.rate_change(2, 30.0, 0, 30.0).high is None
    assert fg.rate_change(0, 30.0, 0, 30.0) == fg.Interval(None, None, None)


# NIST/SEMATECH e-Handbook 8.4.5.1: multipliers of T/r, time-ended; computed to four digits.
MULTIPLIERS = {
    0.60: {1: (0.3340, 4.4814), 2: (0.4674, 2.4260), 3: (0.5440, 1.9543), 5: (0.6324, 1.6184),
           10: (0.7326, 1.3719), 20: (0.8088, 1.2367)},
    0.80: {1: (0.2571, 9.4912), 2: (0.3758, 3.7607), 3: (0.4490, 2.7222), 5: (0.5391, 2.0554),
           10: (0.6491, 1.6074), 20: (0.7395, 1.3769)},
    0.90: {1: (0.2108, 19.4957), 2: (0.3177, 5.6281), 3: (0.3869, 3.6689), 5: (0.4756, 2.5379),
           10: (0.5895, 1.8432), 20: (0.6882, 1.5089)},
    0.95: {1: (0.1795, 39.4979), 2: (0.2768, 8.2573), 3: (0.3422, 4.8491), 5: (0.4285, 3.0798),
           10: (0.5438, 2.0853), 20: (0.6475, 1.6371)},
}  # fmt: skip


@pytest.mark.parametrize("level", MULTIPLIERS)
def test_time_between_failures_agrees_with_the_handbook_table(level):
    for failures, (low, high) in MULTIPLIERS[level].items():
        got = fg.mtbf(failures, float(failures), level)
        assert got.value == 1.0
        assert got.low == pytest.approx(low, abs=6e-5)
        assert got.high == pytest.approx(high, abs=6e-5)


def test_time_between_failures_repeats_the_handbook_example():
    # 800 h, 2 failures: 400 h, 90 % limits printed as 127 and 2251 h.
    got = fg.mtbf(2, 800.0)
    assert got.value == 400
    assert round(got.low) == 127
    assert round(got.high) == 2251
    # Stopped at a failure the lower factor is 0.4216 instead of 0.3177 (computed).
    assert fg.mtbf(2, 2.0, ended="failure").low == pytest.approx(0.4216, abs=6e-5)


@pytest.mark.parametrize(
    ("level", "divisor"),
    [(0.60, 0.9163), (0.80, 1.6094), (0.90, 2.3026), (0.95, 2.9957), (0.99, 4.6052)],
)
def test_without_failures_only_a_lower_limit_is_known(level, divisor):
    got = fg.mtbf(0, 1000.0, level)
    assert (got.value, got.high) == (None, None)
    assert got.low == pytest.approx(1000 / divisor, rel=1e-4)
    assert got.low == pytest.approx(1000 / -math.log(1 - level))


def test_exponential_fit_of_the_handbook_data():
    # NIST/SEMATECH e-Handbook 8.4.1.2: ten failures and ten units unfailed at 500 h.
    failed = [54, 187, 216, 240, 244, 335, 361, 373, 375, 386]
    got = fg.mtbf(10, float(sum(failed) + 10 * 500))
    assert got.value == pytest.approx(777.1)
    assert (got.low, got.high) == (pytest.approx(458.1, abs=0.05), pytest.approx(1432.3, abs=0.5))


def test_availability_carries_the_limits_through():
    # Textbook: 1000 / (1000 + 8) = 0.99206.
    got = fg.availability(1, 1008.0, 8.0)
    assert got.value == pytest.approx(0.99206, abs=5e-6)
    assert got.low == pytest.approx(210.8 / (210.8 + 8), abs=2e-4)
    assert got.high == pytest.approx(19495.7 / (19495.7 + 8), abs=1e-5)
    assert fg.availability(0, 100.0, 0.0) == fg.Interval(1.0, None, None)
    assert fg.availability(0, 0.0, 0.0).value is None
    assert fg.availability(2, 100.0, 0.0) == fg.Interval(1.0, 1.0, 1.0)
    assert fg.availability(1, 100.0, 100.0) == fg.Interval(0.0, 0.0, 0.0)


def test_laplace_repeats_the_handbook_example():
    # NIST/SEMATECH e-Handbook, repair data stopped at 1500 h; z = -1.3269 (computed): improving,
    # not significantly.
    times = [5, 40, 43, 175, 389, 712, 747, 795, 1299, 1478]
    assert fg.laplace_z(times, 1500) == pytest.approx(-1.3269, abs=5e-4)
    assert fg.two_sided_p(1.959964) == pytest.approx(0.05, abs=1e-6)
    assert fg.laplace_z([], 10) is None
    # Same data: growth slope 0.51649, 310 h between failures at the end (printed).
    assert fg.mtbf_now(times, 1500) == pytest.approx(310.23, abs=0.01)
    assert fg.mtbf_now(times[:2], 1500) is None


@pytest.mark.parametrize(
    ("n", "normal", "exact"),
    [(20, (0.1455, 0.2006), (0.15, 0.25)), (50, (0.1104, 0.1452), (0.12, 0.16)),
     (100, (0.0927, 0.1173), (0.10, 0.13)), (200, (0.0802, 0.0976), (0.08, 0.105)),
     (400, (0.0714, 0.0837), (0.0725, 0.0875))],
)  # fmt: skip
def test_funnel_limits_of_a_share(n, normal, exact):
    # Spiegelhalter 2005; target 5 %; both forms computed independently with scipy.
    got = fg.funnel_normal(n, 0.05)
    assert (got.high, got.far_high) == tuple(pytest.approx(x, abs=6e-5) for x in normal)
    used = fg.funnel_share(n, 0.05)
    wanted = exact if n * 0.05 < 20 else normal
    assert (used.high, used.far_high) == tuple(pytest.approx(x, abs=6e-5) for x in wanted)


@pytest.mark.parametrize(
    ("expected", "near", "far"),
    [(1, (0, 3), (0, 5)), (2, (0, 5), (0, 8)), (5, (1, 10), (0, 13)), (10, (4, 17), (2, 21)),
     (20, (12, 29), (8, 35)), (50, (37, 64), (30, 73))],
)  # fmt: skip
def test_funnel_limits_of_a_count(expected, near, far):
    got = fg.funnel_count(expected)
    assert ((got.low, got.high), (got.far_low, got.far_high)) == (near, far)


def test_a_small_unit_is_not_shamed_by_chance():
    # Of forty equal bays with one fault expected each, few may be marked by chance alone.
    rng = np.random.default_rng(40)
    counts = rng.poisson(1.0, (500, 40))
    funnel = fg.funnel_count(1.0)
    marked = np.mean([[funnel.place(c) == "many more" for c in row] for row in counts])
    assert marked < 0.002
    assert funnel.place(0) == "as expected"
    assert funnel.place(4) == "more"
    assert funnel.place(6) == "many more"
    assert fg.funnel_count(20).place(5) == "fewer"
    assert fg.funnel_count(0).place(0) == "as expected"
    assert fg.chance_of_more(0, 1.0) == 1.0
    assert fg.chance_of_more(3, 1.0) == pytest.approx(1 - stats.poisson.cdf(2, 1.0))


def test_funnels_at_the_edges():
    assert fg.funnel_share(0, 0.05).place(0.0) == "as expected"
    assert fg.funnel_share(10, 0.0).place(0.1) == "many more"
    assert fg.funnel_share(10, 0.0).place(0.0) == "as expected"


@pytest.mark.parametrize(
    "wrong",
    [
        lambda: fg.wilson(3, 2),
        lambda: fg.clopper_pearson(-1, 2),
        lambda: fg.count_limits(-1),
        lambda: fg.rate(1, -1.0),
        lambda: fg.mtbf(-1, 1.0),
        lambda: fg.availability(1, 1.0, 2.0),
        lambda: fg.laplace_z([1.0], 0.0),
        lambda: fg.funnel_count(-1),
        lambda: fg.funnel_share(1, 2.0),
        lambda: fg.z_of(1.0),
    ],
)
def test_nonsense_is_refused(wrong):
    with pytest.raises(fg.BadFigure):
        wrong()
