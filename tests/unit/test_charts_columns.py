import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pace import examples

from monitor.charts.columns import broken, columns, sums


def naive(ts, low, high, span, n):
    """The slow twin: every column by itself."""
    out_low, out_high = [], []
    for i in range(n):
        a = span[0] + (span[1] - span[0]) * i / n
        b = span[0] + (span[1] - span[0]) * (i + 1) / n
        inside = (ts >= a) & (ts < b)
        lo, hi = low[inside], high[inside]
        out_low.append(np.nanmin(lo) if np.isfinite(lo).any() else np.nan)
        out_high.append(np.nanmax(hi) if np.isfinite(hi).any() else np.nan)
    return np.array(out_low), np.array(out_high)


@given(st.integers(0, 2**32 - 1), st.integers(2, 40), st.integers(100, 900))
@settings(max_examples=examples(60), deadline=None)
def test_every_columns_extremes_are_those_of_the_slow_twin(seed, n, m):
    rng = np.random.default_rng(seed)
    ts = np.sort(rng.uniform(0, 1000, m))
    values = rng.normal(400e3, 50e3, m)
    values[rng.random(m) < 0.1] = np.nan
    span = (100.0, 900.0)
    got = columns(ts, (values, values, values + 10), span, n)
    inside = (ts >= span[0]) & (ts < span[1])
    if got.raw:
        assert inside.sum() <= 2 * n
        np.testing.assert_array_equal(got.low, values[inside])
        return
    low, high = naive(ts, values, values + 10, span, n)
    np.testing.assert_array_equal(got.low, low)
    np.testing.assert_array_equal(got.high, high)


def test_one_spike_among_a_million_is_kept():
    ts = np.arange(1_000_000, dtype=float)
    values = np.full(len(ts), 400e3)
    values[654_321] = 900e3
    got = columns(ts, (values, values, values), (0.0, 1e6), 700)
    assert np.nanmax(got.high) == 900e3
    assert int(np.nanargmax(got.high)) == 654_321 * 700 // 1_000_000


def test_a_week_of_silence_keeps_its_width():
    ts = np.concatenate([np.arange(0, 1000.0), np.arange(9000.0, 10_000.0)])
    values = np.ones(len(ts))
    got = columns(ts, (values, values, values), (0.0, 10_000.0), 100)
    assert np.isnan(got.low[10:90]).all()
    assert np.isfinite(got.low[:10]).all()
    assert np.isfinite(got.low[90:]).all()


def test_sums_count_everything_once_and_nothing_as_zero():
    ts = np.array([0.0, 1.0, 2.0, 50.0])
    got = sums(ts, np.array([1.0, np.nan, 2.0, 5.0]), (0.0, 100.0), 10)
    assert got[0] == 3.0
    assert got[5] == 5.0
    assert np.isnan(got[[1, 2, 3, 4, 6, 7, 8, 9]]).all()


def test_a_line_breaks_at_named_gaps_and_long_pauses():
    ts = np.array([0.0, 1.0, 2.0, 3.0, 10.0, 11.0])
    assert broken(ts, (), 1.0).tolist() == [4.0]
    assert broken(ts, ((1.5, 2.0),), 1.0).tolist() == [2.0, 4.0]


@pytest.mark.parametrize("n", [1, 5])
def test_nothing_inside_is_no_error(n):
    empty = np.empty(0)
    assert columns(empty, (empty, empty, empty), (0.0, 1.0), n).raw
    assert np.isnan(sums(empty, empty, (0.0, 1.0), n)).all()
