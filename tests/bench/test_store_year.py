"""A year of one pump read back: every level, as pages ask for it. Prints the table with -s."""

import time
from pathlib import Path

import numpy as np
import pytest

from monitor.store import levels
from monitor.store.embedded import EmbeddedStore
from monitor.store.interface import Level
from monitor.wire import Message

pytestmark = pytest.mark.slow

DAYS = 365
RAW_DAYS = 1
D0 = 20_000
DAY_S = 86_400
PAGE_S = 0.3
"""A pump page over a year has so long on the server, drawing included."""


def summaries(store: EmbeddedStore) -> None:
    """Minutes and hours of a year, sealed as the night would have done it."""
    rng = np.random.default_rng(1)
    store.append([message(0, D0 * DAY_S)])
    for day in range(DAYS - RAW_DAYS):
        index = (D0 + day) * 1440 + np.arange(1440)
        mean = 4e5 + rng.normal(0, 2e3, 1440)
        rows = levels.Rows(
            index,
            np.full(1440, 1200),
            mean - rng.random(1440) * 1e5,
            mean,
            mean + rng.random(1440) * 1e4,
            rng.poisson(6, 1440),
            np.full(1440, np.nan),
            np.full(1440, np.nan),
        )
        with store.core.write() as db:
            store._rollups.put_minutes(db, [(1, rows)])
            store._rollups.seal(db, 1, D0 + day, None)


def message(seq: int, t0_s: float) -> Message:
    counts = np.random.default_rng(seq).normal(1800, 1.2, 20).astype(np.int16)
    t0 = round(t0_s * 1e6)
    ends = np.array([t0 + 1_000_000])
    return Message("fern", "a", 1, seq, t0, 50_000, counts, 244.0, 0.0, ends, np.array([seq // 9]))


def raw(store: EmbeddedStore) -> None:
    """The last day, sample by sample."""
    begin = (D0 + DAYS - RAW_DAYS) * DAY_S
    for second in range(0, RAW_DAYS * DAY_S, 600):
        store.append([message(s + 1, begin + s) for s in range(second, second + 600)])
        store.tend(begin + second + 600.0)
    store.fold_all()


def test_a_year_reads_back_fast(tmp_path: Path) -> None:
    store = EmbeddedStore(tmp_path)
    summaries(store)
    raw(store)
    end = float((D0 + DAYS) * DAY_S)
    asked: list[tuple[str, float, Level | None, int]] = [
        ("a year, 1 h (as a page asks)", DAYS * DAY_S, None, DAYS * 24),
        ("a year, 1 min", DAYS * DAY_S, Level.MINUTE, DAYS * 1440),
        ("30 days, 1 min", 30 * DAY_S, Level.MINUTE, 30 * 1440),
        ("a day, 1 min", DAY_S, None, 1440),
        ("an hour, 1 s", 3600, None, 3600),
        ("3 minutes, raw", 180, None, 3600),
        ("10 minutes, raw", 600, Level.RAW, 12_000),
        ("a day, raw", DAY_S, Level.RAW, 1_728_000),
    ]
    lines = []
    for name, length_s, level, points in asked:
        best = np.inf
        for _ in range(3):
            began = time.perf_counter()
            series = store.read("fern", "a", (end - length_s, end), level=level)
            best = min(best, time.perf_counter() - began)
        lines.append(f"{name:30} {series.level:5} {len(series.ts):9,} rows {best * 1e3:8.1f} ms")
        assert len(series.ts) == points
        if level is None:
            assert best < PAGE_S
    store.close()
    size = sum(p.stat().st_size for p in tmp_path.glob("raw-*.db"))
    core = (tmp_path / "core.db").stat().st_size
    per_sample = size / (RAW_DAYS * DAY_S * 20)
    lines.append(
        f"{per_sample:.2f} bytes a sample, {per_sample * 20 * DAY_S * 365 / 1e6:,.0f} MB of raw "
        f"a pump-year; minutes and hours {core / 1e6 * 365 / DAYS:.1f} MB a pump-year"
    )
    print("\n" + "\n".join(lines))
