"""Each vectorised or incremental calculation beside a slow, plain twin."""

import math
import statistics

import numpy as np
import pytest

from monitor.signals import dips
from monitor.signals.levels import Rest, summary_due
from monitor.signals.order import median, quantiles
from monitor.signals.scales import Scales
from monitor.signals.seconds import seconds
from monitor.signals.segment import Cutting, Segmenter
from monitor.signals.strokes import change, rhythm
from monitor.signals.types import Block
from monitor.site import Line, Pump
from monitor.units import PA_PER_PSI

T0 = 1_750_000_000.0


@pytest.mark.parametrize("rate_hz", [0.5, 1.0, 10.0, 20.0, 50.0])
@pytest.mark.parametrize("offset", [0.0, 0.37, 0.999])
def test_seconds_equal_a_loop_over_samples(rate_hz: float, offset: float) -> None:
    rng = np.random.default_rng(int(rate_hz * 10))
    n = int(40 * max(rate_hz, 1.0))
    p = rng.normal(4e5, 1e4, n)
    p[rng.random(n) < 0.1] = np.nan
    demand = (rng.random(n) < 0.4).astype(float)
    strokes = np.sort(T0 + offset + rng.uniform(0, n / rate_hz, 25))
    got = seconds(Block(T0 + offset, 1 / rate_hz, p, strokes, demand))
    plain: dict[int, list[float]] = {}
    opened: dict[int, list[float]] = {}
    for i in range(n):
        sec = math.floor(T0 + offset + i / rate_hz + 1e-4)
        plain.setdefault(sec, []).append(p[i])
        opened.setdefault(sec, []).append(demand[i])
    assert got.sec.tolist() == sorted(plain)
    for k, sec in enumerate(got.sec.tolist()):
        good = [x for x in plain[sec] if not math.isnan(x)]
        assert got.n[k] == len(good)
        if good:
            assert got.low_pa[k] == min(good)
            assert got.high_pa[k] == max(good)
            assert got.mean_pa[k] == pytest.approx(statistics.fmean(good))
        else:
            assert math.isnan(got.mean_pa[k])
        assert got.demand is not None
        assert got.demand[k] == pytest.approx(statistics.fmean(opened[sec]))
    assert got.strokes.sum() == 25


def test_an_empty_block_has_no_seconds() -> None:
    assert len(seconds(Block(T0, 0.05, np.empty(0), np.empty(0)))) == 0


@pytest.mark.parametrize("n", [1, 2, 5, 8, 31])
def test_order_statistics_equal_sorting(n: int) -> None:
    x = np.random.default_rng(n).normal(0, 1, n)
    assert median(x) == pytest.approx(statistics.median(x.tolist()))
    ordered = sorted(x.tolist())
    assert quantiles(x, 0.0, 1.0) == [ordered[0], ordered[-1]]


def test_the_change_of_rate_is_where_a_search_finds_it() -> None:
    rng = np.random.default_rng(2)
    for k in (5, 11, 16):
        t = np.concatenate((np.full(k, 2.0), np.full(22 - k, 0.6))) * rng.normal(1, 0.02, 22)
        x = np.log(t)
        best, at = -1.0, 0
        for split in range(4, 19):
            a, b = x[:split].mean(), x[split:].mean()
            gain = split * (22 - split) / 22 * (a - b) ** 2
            if gain > best:
                best, at = gain, split
        found = change(t)
        assert found is not None
        assert found[0] == at == k
        assert found[1] == pytest.approx(2.0 / 0.6, rel=0.05)
    assert change(np.ones(5)) is None


def test_rhythm_sees_alternation_and_raggedness_apart() -> None:
    rng = np.random.default_rng(3)
    even = np.cumsum(np.full(31, 2.0))
    alternating = np.cumsum(np.where(np.arange(31) % 2, 2.2, 1.8))
    ragged = np.cumsum(2.0 * rng.uniform(0.7, 1.3, 31))
    assert rhythm(even)["asymmetry"] == pytest.approx(0.0, abs=1e-9)
    assert rhythm(alternating)["asymmetry"] == pytest.approx(0.1, abs=1e-6)
    assert rhythm(alternating)["ragged"] == pytest.approx(0.0, abs=1e-9)
    got = rhythm(ragged)["ragged"]
    assert got is not None
    assert got > 0.1
    assert rhythm(np.array([1.0]))["rate_hz"] is None


@pytest.mark.parametrize("rate_hz", [20.0, 50.0])
def test_dips_are_counted_and_drift_is_not(rate_hz: float) -> None:
    rng = np.random.default_rng(4)
    n = int(60 * rate_hz)
    ts = np.arange(n) / rate_hz
    p = 4e5 - 500.0 * ts + rng.normal(0, 300.0, n)
    assert dips.count(p, 1 / rate_hz, 8 * 300.0) is None
    at = np.arange(2.0, 58.0, 2.5)
    for one in at:
        p[(ts >= one) & (ts < one + 0.15)] -= 8e4
    found = dips.count(p, 1 / rate_hz, 8 * 300.0)
    assert found is not None
    assert found[0] == len(at)
    assert found[1] == pytest.approx(8e4, rel=0.15)
    depth = dips.depths(ts, p, at)
    assert depth is not None
    assert np.median(depth) == pytest.approx(8e4, rel=0.05)


def test_the_resting_level_follows_as_a_loop_would() -> None:
    """Level of a decade of seconds = mean of the decade before it, at the sample's own pace."""
    rng = np.random.default_rng(5)
    drift = 4e5 - 30.0 * np.arange(600) + rng.normal(0, 100.0, 600)
    p = np.repeat(drift, 20)
    bins = seconds(Block(T0, 0.05, p, np.empty(0)))
    rest = Rest()
    quiet = np.zeros(len(bins), bool)
    stop, moved, _ = rest.eat("p", bins, 0, quiet, 4 * PA_PER_PSI)
    assert (stop, moved) == (len(bins), False)
    decades = (bins.sec // 10).tolist()
    means: dict[int, list[float]] = {}
    for decade, value in zip(decades, bins.mean_pa.tolist(), strict=True):
        means.setdefault(decade, []).append(value)
    before_last = sorted(means)[-2]
    assert rest.level_pa == pytest.approx(statistics.fmean(means[before_last]))


def test_rests_are_summed_up_at_set_ages() -> None:
    due, ages = 0, []
    for _ in range(5):
        due = summary_due(due)
        ages.append(due)
    assert ages == [60, 120, 300, 600, 900]


def test_scales_of_the_class() -> None:
    """Dry rate and lock pressure of the default pump (computed from ISO 6358 and Boyle)."""
    pump = Pump(id="p", lift_m=0.0, suction=Line(length_m=4.572, bore_m=0.009525))
    scales = Scales.of(pump)
    assert scales.dry_rate_hz == pytest.approx(5.6, abs=0.1)
    assert scales.stall_pa / PA_PER_PSI == pytest.approx(58.6, abs=0.1)
    assert scales.lock_pa / PA_PER_PSI == pytest.approx(14.7, abs=0.1)
    assert 4.0 < scales.prime_strokes < 9.5


def test_bad_cutting_is_refused_by_name() -> None:
    with pytest.raises(ValueError, match=r"cutting\.hold_s"):
        Segmenter("p", Scales(), Cutting(hold_s=0.0))


def test_a_run_without_end_is_reported_in_pieces_of_bounded_memory() -> None:
    n = 20 * 4000
    strokes = T0 + np.arange(0.5, 3999.0, 0.5)
    seg = Segmenter("p", Scales())
    found = []
    for lo in range(0, n, 1200):
        start = T0 + lo / 20
        s = strokes[(strokes >= start) & (strokes < start + 60.0)]
        found += seg.push(Block(start, 0.05, np.full(min(1200, n - lo), 3e5), s))
        assert sum(len(b.pressure_pa) for b in seg._raw) <= 20 * 370
    pieces = [e for e in found if not e.open_ and e.what == "draw"]
    assert [e.features["continued_s"] for e in pieces] == [0.0, 1800.0]
