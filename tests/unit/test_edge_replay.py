"""Recordings played back: units, gaps, failed reads, bad rows, speed, messages."""

import base64
import json
from pathlib import Path

import numpy as np
import pytest

from edge.errors import SourceError
from edge.sources.replay import Recording, Replay, open_source
from monitor.wire import Message, data_topic, encode_cbor, encode_json

T0 = 1_764_000_000


def csv(path: Path, lines: list[str]) -> Path:
    path.write_text("\r\n".join(lines) + "\r\n")
    return path


def source(path: Path, **more: object) -> Recording:
    return open_source(Replay.model_validate({"file": path, "pumps": ["foam"], **more}))


def play(recording: Recording, seconds: int = 200) -> list[tuple[int, list[float]]]:
    out = []
    for tick in range(seconds * 4):
        for reading in recording.read(tick * 250_000).values():
            assert reading.pressure_pa is not None
            out.append((reading.t0_us, reading.pressure_pa.tolist()))
        if recording.finished:
            break
    return out


def test_psi_rows_of_one_pump_with_strokes_demand_and_air(tmp_path: Path) -> None:
    lines = ["time,pump,pressure_psi,strokes,demand,air_psi"]
    lines += [f"{T0 + i / 10},foam,{50 + i},{i // 5},{int(i > 4)},60" for i in range(10)]
    lines += [f"{T0},wax,10,0,0,60"]
    recording = source(
        csv(tmp_path / "a.csv", sorted(lines, key=lambda x: x.split(",")[0][:1] != "t"))
    )
    readings = [r for tick in range(10) for r in recording.read(tick * 250_000).values()]
    pressure = np.concatenate([r.pressure_pa for r in readings if r.pressure_pa is not None])
    assert pressure / 6894.757293168 == pytest.approx(np.arange(50.0, 60.0))
    assert [total for r in readings for _, total in r.strokes] == [0, 1]
    assert [on for r in readings for _, on in r.demand] == [False, True]
    assert readings[0].air_pa == pytest.approx(60 * 6894.757293168)
    assert recording.finished


def test_missing_rows_and_empty_cells_are_failed_reads(tmp_path: Path) -> None:
    rows = [f"{T0 + i / 10},foam,{'' if i == 3 else 100 * i}" for i in range(10) if i != 6]
    played = play(source(csv(tmp_path / "a.csv", ["time,pump,pressure_pa", *rows])))
    values = [v for _, block in played for v in block]
    assert values == pytest.approx(
        [0, 100, 200, np.nan, 400, 500, np.nan, 700, 800, 900], nan_ok=True
    )


def test_a_long_gap_stays_a_gap(tmp_path: Path) -> None:
    rows = [f"{T0 + i},foam,1" for i in (*range(5), *range(1000, 1005))]
    played = play(source(csv(tmp_path / "a.csv", ["time,pump,pressure_pa", *rows]), speed=50))
    assert sum(len(block) for _, block in played) == 10
    assert (T0 + 1000) * 1_000_000 in [t0 for t0, _ in played]


def test_rows_that_cannot_be_read_are_skipped_and_named(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    rows = [f"{T0},foam,1", f"{T0 + 1},foam,high", "yesterday,foam,1", f"{T0 + 2},foam,3"]
    played = play(source(csv(tmp_path / "a.csv", ["time,pump,pressure_bar", *rows])))
    assert [v for _, block in played for v in block][-1] == pytest.approx(3e5)
    assert [r.getMessage().split(" reason")[0].split("row=")[1] for r in caplog.records] == [
        "3",
        "4",
    ]


def test_rfc_3339_times_and_a_new_start(tmp_path: Path) -> None:
    rows = [f"1996-12-19T16:39:5{i}-08:00,foam,1" for i in range(5)]
    path = csv(tmp_path / "a.csv", ["time,pump,pressure_kpa", *rows])
    assert play(source(path))[0][0] == 851_042_390_000_000
    assert play(source(path, start="2026-01-01T00:00:00Z"))[0][0] == 1_767_225_600_000_000


def test_json_lines_of_messages(tmp_path: Path) -> None:
    lines = []
    for seq in range(4):
        message = Message(
            site="pine-hollow",
            pump="foam",
            boot=1,
            seq=seq,
            t0_us=(T0 + seq) * 1_000_000,
            dt_us=50_000,
            samples=np.full(20, seq, np.int16),
            stroke_t_us=np.array([(T0 + seq) * 1_000_000]),
            stroke_total=np.array([seq]),
        )
        payload: object = json.loads(encode_json(message))
        if seq == 1:
            payload = base64.b64encode(encode_cbor(message)).decode()
        if seq == 2:
            payload = encode_json(message).decode()
        lines.append(json.dumps({"topic": data_topic("pine-hollow", "foam"), "payload": payload}))
    path = tmp_path / "a.jsonl"
    path.write_text("\n".join([*lines, "{", '{"topic":"x/status","payload":[]}']) + "\n")
    played = play(source(path))
    assert [(t0 // 1_000_000 - T0, block[0]) for t0, block in played] == [(i, i) for i in range(4)]


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("a.csv", "time,pump,pressure\n", "pressure_pa"),
        ("a.csv", "time,pump,pressure_pa\n1764000000,wax,1\n", "nothing of foam"),
        ("a.txt", "", "ends in"),
    ],
)
def test_what_cannot_be_played_is_said_at_the_start(
    tmp_path: Path, name: str, text: str, words: str
) -> None:
    (tmp_path / name).write_text(text)
    with pytest.raises(SourceError, match=words):
        source(tmp_path / name)


def test_no_such_file(tmp_path: Path) -> None:
    with pytest.raises(SourceError, match="no such recording"):
        source(tmp_path / "none.csv")
