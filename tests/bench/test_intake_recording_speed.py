"""How long reading a recording takes, a pump-day of 20 Hz scaled to a pump-year; prints it."""

import time
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv
import pyarrow.parquet as pq
import pytest

from monitor.intake.recording import Recording
from monitor.site import Pump, Site

pytestmark = pytest.mark.slow

DAYS = 2
ROWS = DAYS * 86_400 * 20
YEAR_S = 300
"""A pump-year must replay in five minutes of one core, signals and detectors included."""


def test_a_pump_year_is_read_in_minutes(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    table = pa.table(
        {
            "time": 1_750_000_000 + np.arange(ROWS) / 20,
            "pump": pa.array(["a"]).take(pa.array(np.zeros(ROWS, np.int8))),
            "pressure_psi": rng.normal(60, 0.3, ROWS).round(2),
            "strokes": np.cumsum(rng.random(ROWS) < 0.01),
        }
    )
    pq.write_table(table, tmp_path / "r.parquet")
    pacsv.write_csv(table, tmp_path / "r.csv")
    site = Site(id="fern", pumps=(Pump(id="a"),))
    for name in ("r.parquet", "r.csv"):
        best = np.inf
        for _ in range(2):
            began = time.process_time()
            samples = sum(len(b.pressure_pa) for _, b in Recording(tmp_path / name, site).blocks())
            best = min(best, time.process_time() - began)
        assert samples == ROWS
        year_s = best * 365 / DAYS
        print(f"\n{name}: a pump-year in {year_s:.0f} s of CPU, {ROWS / best / 1e6:.1f} M rows/s")
        assert year_s < YEAR_S
