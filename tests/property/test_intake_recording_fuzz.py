"""Whatever a recording file holds: sound blocks, or a BadRecording that names the file."""

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from pace import examples

from monitor.errors import BadRecording
from monitor.intake.recording import Recording
from monitor.site import Pump, Site

SITE = Site(id="fern", pumps=(Pump(id="a"), Pump(id="b")))
T0 = 1_750_000_000
FAST = settings(
    deadline=None, max_examples=examples(150), suppress_health_check=[HealthCheck.too_slow]
)


@contextmanager
def file(suffix: str, body: bytes) -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"r{suffix}"
        path.write_bytes(body)
        yield path


def survives(path: Path) -> None:
    try:
        look_at(Recording(path, SITE, block_s=600.0))
    except BadRecording as problem:
        told = str(problem)
    else:
        told = path.name
    assert path.name in told


def look_at(recording: Recording) -> None:
    ends: dict[str, float] = {}
    for pump, block in recording.blocks():
        n = len(block.pressure_pa)
        assert n > 0
        assert block.dt_s > 0
        assert np.isfinite(block.t0_ts)
        assert block.t0_ts >= ends.get(pump, -np.inf) - block.dt_s
        assert (np.diff(block.stroke_ts) >= 0).all()
        assert ((block.stroke_ts >= block.t0_ts) & (block.stroke_ts < block.end_ts)).all()
        for channel in (block.demand, block.air_pa):
            assert channel is None or len(channel) == n
        ends[pump] = block.end_ts
    recording.notes()


@FAST
@given(st.binary(max_size=300), st.sampled_from([".csv", ".parquet", ".jsonl"]))
@example(b"time,pump,pressure_pa\n\xff,a,1\n", ".csv")
@example(b"time,pump,pressure_pa\n1,a,1\n1e300,a,1\n", ".csv")
def test_any_bytes(body: bytes, suffix: str) -> None:
    with file(suffix, body) as path:
        survives(path)


CELLS = st.one_of(
    st.integers(-5, 10**12).map(str),
    st.floats().map(repr),
    st.sampled_from(["", "a", "b", "zz", "2025-06-01T00:00:00Z", "null", '"', "1,2", "\x00", "é"]),
    st.text(max_size=6),
)
HEADERS = st.lists(
    st.sampled_from(
        ["time", "pump", "pressure_pa", "pressure_psi", "strokes", "demand", "air_pa", "x", ""]
    ),
    min_size=1,
    max_size=7,
)


@FAST
@given(HEADERS, st.lists(st.lists(CELLS, max_size=7), max_size=12))
def test_any_cells(header: list[str], rows: list[list[str]]) -> None:
    body = "\n".join(",".join(cells) for cells in [header, *rows])
    with file(".csv", body.encode("utf-8", "surrogatepass")) as path:
        survives(path)


TIMES = st.lists(
    st.one_of(
        st.integers(0, 5000).map(lambda k: T0 + k * 0.05),
        st.floats(0, 4e9),
        st.sampled_from([0.0, -1.0, float(T0), float("nan"), float("inf"), 1e18]),
    ),
    max_size=60,
)


@FAST
@given(TIMES, st.randoms(use_true_random=False))
def test_any_times_and_counters(times: list[float], random: object) -> None:
    n = len(times)
    counters = [random.choice([None, 0, 1, 2, 3, 65_535, 2**32 - 1, 2**53]) for _ in range(n)]  # type: ignore[attr-defined] # hypothesis gives a random.Random
    table = pa.table(
        {
            "time": pa.array(times, pa.float64()),
            "pump": pa.array(["a" if k % 3 else "b" for k in range(n)], pa.string()),
            "pressure_pa": pa.array(np.arange(n, dtype=float)),
            "strokes": pa.array(counters, pa.int64()),
        }
    )
    with file(".parquet", b"") as path:
        pq.write_table(table, path)
        survives(path)


@FAST
@given(
    st.lists(
        st.sampled_from(
            [
                b"{}",
                b"[",
                b"null",
                b'{"topic":"strokewise/1/fern/a/data","payload":[{"n":"x","v":1}]}',
                b'{"topic":"strokewise/1/fern/a/status","payload":[]}',
                b'{"topic":"strokewise/1/fern/a/data","payload":"gA=="}',
                b'{"topic":null,"payload":null}',
                b"",
            ]
        ),
        max_size=4,
    )
)
def test_any_lines(lines: list[bytes]) -> None:
    with file(".jsonl", b"\n".join(lines)) as path:
        survives(path)


@pytest.mark.parametrize("kind", [pa.string(), pa.bool_(), pa.date32(), pa.list_(pa.int8())])
def test_columns_of_an_odd_type_are_named(tmp_path: Path, kind: pa.DataType) -> None:
    odd = pa.nulls(3, kind)
    plain = {"time": [1.0, 2.0, 3.0], "pump": ["a"] * 3, "pressure_pa": [1.0, 2.0, 3.0]}
    for name in plain:
        path = tmp_path / f"{name}.parquet"
        pq.write_table(pa.table({**plain, name: odd}), path)
        survives(path)
