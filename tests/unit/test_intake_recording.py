"""Recordings: CSV (RFC 4180), Parquet and JSON Lines of the same data give the same blocks."""

import base64
import json
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from monitor import wire
from monitor.errors import BadRecording
from monitor.intake.recording import Recording
from monitor.signals.types import Block
from monitor.site import Pump, Sensors, Site
from monitor.units import PA_PER_PSI
from monitor.wire import Message

T0 = 1_750_000_000
SITE = Site(id="fern", pumps=(Pump(id="a"), Pump(id="b")))
ALONE = Site(id="fern", pumps=(Pump(id="a"),))
N = 2000


def data() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(4)
    ts = T0 + np.arange(N) * 0.05
    return ts, rng.normal(60, 0.5, N).round(3), np.cumsum(rng.random(N) < 0.05)


def run(path: Path, site: Site = ALONE) -> dict[str, list[Block]]:
    out: dict[str, list[Block]] = {}
    for pump, block in Recording(path, site).blocks():
        out.setdefault(pump, []).append(block)
    return out


def csv(path: Path, header: str, lines: list[str], end: str = "\n") -> Path:
    path.write_text(end.join([header, *lines]) + end, encoding="utf-8", newline="")
    return path


def psi_csv(path: Path, time: str = "unix", end: str = "\n") -> Path:
    ts, psi, strokes = data()

    def stamp(t: float) -> str:
        if time == "unix":
            return f"{t:.3f}"
        return datetime.fromtimestamp(t, UTC).isoformat().replace("+00:00", "Z")

    lines = [f"{stamp(t)},a,{p},{s}" for t, p, s in zip(ts, psi, strokes, strict=True)]
    return csv(path, "time,pump,pressure_psi,strokes", lines, end)


def check(found: dict[str, list[Block]]) -> None:
    ts, psi, strokes = data()
    (block,) = found["a"]
    np.testing.assert_allclose(block.pressure_pa, psi * PA_PER_PSI)
    assert block.t0_ts == pytest.approx(T0, abs=1e-5)
    assert block.dt_s == pytest.approx(0.05, rel=1e-6)
    np.testing.assert_allclose(block.stroke_ts, ts[1:][np.diff(strokes) > 0], atol=1e-4)


@pytest.mark.parametrize("time", ["unix", "rfc3339"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_csv_in_psi(tmp_path: Path, time: str, end: str) -> None:
    check(run(psi_csv(tmp_path / "r.csv", time, end)))


def test_csv_with_a_byte_order_mark_quotes_and_columns_of_no_interest(tmp_path: Path) -> None:
    lines = [f'"{T0 + i * 0.1:.1f}","a","{i}","x, ""y"""' for i in range(50)]
    path = csv(tmp_path / "r.csv", "\ufefftime,pump,pressure_kpa,remark", lines)
    (block,) = run(path)["a"]
    assert block.pressure_pa.tolist() == [i * 1000.0 for i in range(50)]
    assert not block.counter_fitted


@pytest.mark.parametrize("kind", [pa.timestamp("us", "UTC"), pa.timestamp("ms"), pa.float64()])
def test_parquet_gives_the_same(tmp_path: Path, kind: pa.DataType) -> None:
    ts, psi, strokes = data()
    micro = np.rint(ts * 1e6).astype(np.int64)
    time = pa.array(ts) if kind == pa.float64() else pa.array(micro, pa.timestamp("us")).cast(kind)
    table = pa.table({"time": time, "pump": ["a"] * N, "pressure_psi": psi, "strokes": strokes})
    pq.write_table(table, tmp_path / "r.parquet", row_group_size=300)
    check(run(tmp_path / "r.parquet"))


@pytest.mark.parametrize("form", ["list", "text", "base64"])
def test_json_lines_give_the_same(tmp_path: Path, form: str) -> None:
    ts, psi, strokes = data()
    lines = []
    for seq, i in enumerate(range(0, N, 20)):
        t_us = np.rint(ts[i : i + 20] * 1e6).astype(np.int64)
        one = Message(
            "fern",
            "a",
            5,
            seq,
            int(t_us[0]),
            50_000,
            psi[i : i + 20] * PA_PER_PSI,
            stroke_t_us=t_us,
            stroke_total=strokes[i : i + 20].astype(np.int64),
        )
        payload = {
            "list": json.loads(wire.encode_json(one)),
            "text": wire.encode_json(one).decode(),
            "base64": base64.b64encode(wire.encode_cbor(one)).decode(),
        }[form]
        lines.append(json.dumps({"topic": wire.data_topic("fern", "a"), "payload": payload}))
    lines.insert(30, lines[29])  # a message that is there twice
    (tmp_path / "r.jsonl").write_text("\n".join(lines))
    check(run(tmp_path / "r.jsonl"))


def test_demand_and_air_come_along(tmp_path: Path) -> None:
    words = ["1", "0", "true", "FALSE", ""]
    lines = [f"{T0 + i},{i},{words[i % 5]},{4 if i % 2 else ''}" for i in range(50)]
    path = csv(tmp_path / "r.csv", "time,pressure_bar,demand,air_bar", lines)
    (block,) = run(path)["a"]
    assert block.demand is not None
    assert block.air_pa is not None
    np.testing.assert_array_equal(block.demand[:5], [1, 0, 1, 0, np.nan])
    np.testing.assert_array_equal(block.air_pa[:2], [np.nan, 4e5])


def test_pumps_that_take_turns_advance_together(tmp_path: Path) -> None:
    lines = [f"{T0 + i * 0.5},{p},{i}" for i in range(8000) for p in "ab"]
    path = csv(tmp_path / "r.csv", "time,pump,pressure_pa", lines)
    recording = Recording(path, SITE, block_s=600)
    order = []
    for pump, block in recording.blocks():
        order.append((block.t0_ts // 600, pump))
        assert recording.horizon_ts <= block.t0_ts
        assert block.end_ts <= (block.t0_ts // 600 + 1) * 600 + 0.5
    assert order == sorted(order)
    assert len(order) == 2 * len({o[0] for o in order})
    assert recording.share_done == 1.0
    assert recording.horizon_ts > T0


def test_a_file_grouped_by_pump_promises_no_horizon(tmp_path: Path) -> None:
    lines = [f"{T0 + i * 0.5},{p},{i}" for p in "ab" for i in range(8000)]
    recording = Recording(csv(tmp_path / "r.csv", "time,pump,pressure_pa", lines), SITE)
    for _ in recording.blocks():
        assert recording.horizon_ts == -np.inf


def test_unknown_pumps_are_told_and_nothing_else_is_lost(tmp_path: Path) -> None:
    lines = [f"{T0 + i},{p},1" for i in range(10) for p in ("a", "zz")]
    recording = Recording(csv(tmp_path / "r.csv", "time,pump,pressure_pa", lines), SITE)
    assert [pump for pump, _ in recording.blocks()] == ["a"]
    assert recording.notes() == ["r.csv: 10 rows of unknown pump 'zz' were not used"]


def test_a_counter_of_two_strokes_a_pulse_is_scaled(tmp_path: Path) -> None:
    site = Site(id="fern", pumps=(Pump(id="a", sensors=Sensors(strokes_per_pulse=2)),))
    lines = [f"{T0 + i},1,{i // 10}" for i in range(100)]
    (block,) = run(csv(tmp_path / "r.csv", "time,pressure_pa,strokes", lines), site)["a"]
    assert len(block.stroke_ts) == 18


BAD = {
    "no time": ("pump,pressure_pa", ["a,1"], "row 1.*'time'"),
    "no pressure": ("time,pump", [f"{T0},a"], "pressure_pa, pressure_kpa"),
    "two units": ("time,pump,pressure_pa,pressure_psi", [f"{T0},a,1,1"], "keep one"),
    "twice": ("time,pump,pump,pressure_pa", [f"{T0},a,a,1"], "'pump' is there twice"),
    "a word": ("time,pump,pressure_pa", [f"{T0},a,1", f"{T0},a,x"], "row 3.*pressure_pa.*'x'.*num"),
    "a date": ("time,pump,pressure_pa", [f"{T0},a,1", "yesterday,a,1"], "row 3, column 'time'"),
    "no offset": (
        "time,pump,pressure_pa",
        ["2025-01-01T00:00:00Z,a,1", "2025-01-01T00:00:00,a,1"],
        "row 3, column 'time'.*RFC 3339",
    ),
    "short row": ("time,pump,pressure_pa", [f"{T0},a,1", f"{T0},a"], "row 3: 2 values, 3 expected"),
    "odd demand": ("time,pump,pressure_pa,demand", [f"{T0},a,1,maybe"], "row 2.*demand.*'maybe'"),
    "blank time": ("time,pump,pressure_pa", [f"{T0},a,1", ",a,1"], "row 3, column 'time'"),
    "milliseconds": ("time,pump,pressure_pa", [f"{T0}000,a,1"], "row 2, column 'time'.*seconds"),
    "1980": ("time,pump,pressure_pa", ["1980-01-01T00:00:00Z,a,1"], "row 2.*2000 to 2099"),
    "only strangers": ("time,pump,pressure_pa", [f"{T0},zz,1"], "pumps found: zz"),
    "nothing": ("", [], "row 1"),
}


@pytest.mark.parametrize("name", BAD)
def test_a_bad_file_says_where_and_what_was_expected(tmp_path: Path, name: str) -> None:
    header, lines, told = BAD[name]
    path = csv(tmp_path / "bad.csv", header, lines)
    with pytest.raises(BadRecording, match=f"bad.csv.*{told}"):
        run(path, SITE)


@pytest.mark.parametrize(
    "line",
    [
        b"{",
        b"[1]",
        b'{"topic": 1, "payload": []}',
        b'{"topic": "strokewise/1/fern/a/data", "payload": 7}',
        b'{"topic": "strokewise/1/fern/a/data", "payload": "***"}',
        b'{"topic": "strokewise/1/fern/a/data", "payload": []}',
        b'{"topic": "elsewhere", "payload": []}',
        b"\xff\xfe",
    ],
)
def test_a_bad_json_line_is_named(tmp_path: Path, line: bytes) -> None:
    (tmp_path / "bad.jsonl").write_bytes(b"\n" + line + b"\n")
    with pytest.raises(BadRecording, match=r"bad\.jsonl: row 2"):
        run(tmp_path / "bad.jsonl")


@pytest.mark.parametrize("name", ["r.parquet", "r.csv", "r.jsonl", "none.csv"])
def test_no_file_or_not_such_a_file(tmp_path: Path, name: str) -> None:
    if name != "none.csv":
        (tmp_path / name).write_bytes(b"\x00\x01\x02PAR1\xff" * 9)
    with pytest.raises(BadRecording, match=name):
        run(tmp_path / name)
