"""The same recording as CSV in psi, Parquet and JSON Lines gives the same alarms by command."""

import io
import json
import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet
import pytest

from monitor import wire
from monitor.cli import main as program
from monitor.cli import show
from monitor.wire import Message

PSI = 6894.757293168
T0 = 1_770_000_000
RATE = 20
SITE = """
[site]
id = "fern"
[[pumps]]
id = "p1"
displacement_ml = 60
air_set_psi = 60
lift_m = 0
"""


def recording() -> tuple[np.ndarray, np.ndarray]:
    """Pressure in psi at 20 Hz and strokes: 12 healthy draws, then the air is 18 psi too low."""
    noise = np.random.default_rng(4)
    parts, strokes = [], []
    total = 0
    for draw in range(18):
        stall = 59.0 if draw < 12 else 41.0
        # Through the same tip the rate goes with the root of the pressure, the dips with it.
        period = round(2 * RATE * np.sqrt(56.0 / (stall * 56.0 / 59.0)))
        idle = np.full(45 * RATE, stall)
        flow = np.full(20 * RATE, stall * 56.0 / 59.0)
        for k in range(0, len(flow) - 3, period):
            flow[k : k + 3] = stall * (1.0 - np.array([0.20, 0.34, 0.15]))
        counts = np.full(len(idle), total)
        run = total + np.arange(len(flow)) // period + 1
        total = int(run[-1])
        parts += [idle, flow]
        strokes += [counts, run]
    pressure = np.concatenate(parts)
    return pressure + noise.normal(0, 0.05, len(pressure)), np.concatenate(strokes)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("replay")
    (out / "site.toml").write_text(SITE)
    psi, strokes = recording()
    counts = np.round(psi * PSI / 100.0).astype(np.int16)  # 100 Pa a count, in every file alike
    psi = counts * 100.0 / PSI
    ts = T0 + np.arange(len(psi)) / RATE
    columns = {"time": ts, "pump": ["p1"] * len(ts), "pressure_psi": psi, "strokes": strokes}
    table = pa.table(columns)
    pyarrow.csv.write_csv(table, out / "a.csv")
    pyarrow.parquet.write_table(table, out / "a.parquet")
    with (out / "a.jsonl").open("w") as lines:
        for seq in range(len(psi) // RATE):
            at = slice(seq * RATE, (seq + 1) * RATE)
            t_us = np.round(ts[at] * 1e6).astype(np.int64)
            message = Message(
                "fern", "p1", 1, seq, int(t_us[0]), 50_000, counts[at], 100.0, 0.0,
                t_us, strokes[at].astype(np.int64),
            )  # fmt: skip
            payload = wire.encode_json(message).decode()
            topic = wire.data_topic("fern", "p1")
            lines.write(json.dumps({"topic": topic, "payload": json.loads(payload)}) + "\n")
    return out


@dataclass
class Done:
    """What a command left: exit code, words for programs, words for people."""

    returncode: int
    stdout: str
    stderr: str


@pytest.fixture
def replay(folder: Path, monkeypatch, capsys) -> Callable[..., Done]:
    """The command in this process, so that its libraries are loaded once."""

    def command(*words: str) -> Done:
        monkeypatch.chdir(folder)
        monkeypatch.setattr(sys, "argv", ["strokewise", "replay", *words])
        people, notes = io.StringIO(), io.StringIO()
        monkeypatch.setattr(show.PEOPLE, "file", people)
        monkeypatch.setattr(show.NOTES, "file", notes)
        with pytest.raises(SystemExit) as end:
            program.main()
        out, err = capsys.readouterr()
        return Done(int(end.value.code or 0), out + people.getvalue(), err + notes.getvalue())

    return command


def test_the_program_itself_tells_as_much(folder: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "monitor.cli.main", "replay", "a.csv", "--site", "site.toml"],
        cwd=folder, capture_output=True, text=True, timeout=120, check=False,
    )  # fmt: skip
    assert done.returncode == 1
    assert "low air (air side" in done.stdout


def test_three_formats_one_result(replay: Callable[..., Done]) -> None:
    results = []
    for name in ("a.csv", "a.parquet", "a.jsonl"):
        done = replay(name, "--site", "site.toml", "--json")
        assert done.returncode == 1, done.stderr
        results.append([json.loads(line) for line in done.stdout.splitlines()])
    low_air = results[0][0]
    assert [r["kind"] for r in results[0]] == ["low air"]
    assert low_air["pump"] == "p1"
    assert low_air["side"] == "air"
    assert low_air["cleared"] is None
    assert low_air["evidence"]
    onset_ts = T0 + 12 * 65
    assert onset_ts < low_air["raised_ts"] < onset_ts + 2 * 65 + 20
    for other in results[1:]:
        assert [(r["kind"], r["raised"], r["cleared"]) for r in other] == [
            (r["kind"], r["raised"], r["cleared"]) for r in results[0]
        ]


def test_words_for_people_and_refusals(folder: Path, replay: Callable[..., Done]) -> None:
    done = replay("a.csv", "--site", "site.toml")
    assert "low air (air side" in done.stdout
    bad = folder / "bad.csv"
    bad.write_text("time,pump,pressure_kilo\r\n1,p1,3\r\n")
    done = replay("bad.csv", "--site", "site.toml")
    assert done.returncode == 1
    assert "bad.csv" in done.stderr
    assert "pressure_psi" in done.stderr
    assert replay("a.csv", "--site", "absent.toml").returncode == 2
