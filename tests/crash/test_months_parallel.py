"""Months of recordings in parallel processes: the same alarms, resumed, and a worker killed."""

import os
import signal
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import pytest

from monitor.errors import BadRecording, StrokewiseError
from monitor.intake.recording import Recording
from monitor.service import months
from monitor.service.months import Months, Part, by_site, parts
from monitor.service.replay import Replay
from monitor.site import Pump, Site

pytestmark = pytest.mark.crash

T0 = 1_750_000_200.0
STALL_PA = 390e3


def site(name: str = "fern") -> Site:
    pumps = [Pump(id=f"p{i}", air_supply="north" if i < 2 else "south") for i in range(4)]
    return Site(id=name, pumps=tuple(pumps))


def pressure(pump: int, part: int) -> np.ndarray:
    """Half an hour at 20 samples a second; p1's and p3's sensors break in the second half hour."""
    rng = np.random.default_rng([pump, part])
    p = STALL_PA + rng.normal(0, 800, 36_000)
    for start in range(2000, 34_000, 4000):
        p[start : start + 400] -= 90e3
    if part == 1 and pump in (1, 3):
        p[8000:] = -60e3
    return p


def recordings(folder: Path) -> list[Path]:
    folder.mkdir(parents=True, exist_ok=True)
    out = []
    for part in range(2):
        t = T0 + part * 1800 + np.arange(36_000) / 20
        rows = [
            pa.table({"time": t, "pump": [f"p{k}"] * len(t), "pressure_pa": pressure(k, part)})
            for k in range(4)
        ]
        whole = pa.concat_tables(rows).sort_by("time")
        out.append(folder / f"{part}.parquet")
        pq.write_table(whole, out[-1])
    return out


def told(alarms: list) -> list[tuple]:
    return sorted(
        (a.id, a.site, a.subject, a.kind, a.raised_ts, a.cleared_ts, a.state, a.sentence)
        for a in alarms
    )


def serial(one: Site, files: list[Path]) -> list[tuple]:
    run = Replay(one)
    for _ in run.files(files):
        pass
    return told(run.alarms())


def test_parallel_raises_what_serial_raises(tmp_path: Path) -> None:
    files = recordings(tmp_path / "fern")
    expected = serial(site(), files)
    run = Months(jobs=2, keep=tmp_path / "kept")
    todo = parts(site(), files)
    assert [len(p.pumps) for p in todo] == [2, 2]
    shares = list(run.run(todo))
    assert shares[-1] == 1.0
    assert len(expected) >= 2
    assert told(run.alarms(todo)) == expected

    again = Months(jobs=2, keep=tmp_path / "kept")
    assert list(again.run(todo)) == [1.0]  # no worker is started for what is kept
    assert again.resumed == 2
    assert told(again.alarms(todo)) == expected


def test_a_changed_setting_or_file_is_no_finished_part(tmp_path: Path) -> None:
    files = recordings(tmp_path)
    one = parts(site(), files)[0]
    other = site().model_copy(update={"altitude_m": 900.0})
    assert parts(other, files)[0].key() != one.key()
    before = one.key()
    os.utime(files[0], (1.0, 1.0))
    assert one.key() != before


def test_several_sites_find_their_files_by_folder(tmp_path: Path) -> None:
    files = [tmp_path / "fern" / "a.csv", tmp_path / "moss" / "a.csv"]
    found = by_site([site("fern"), site("moss")], files)
    assert [(p.site.id, p.files) for p in found] == [
        ("fern", (files[0],)), ("fern", (files[0],)), ("moss", (files[1],)), ("moss", (files[1],)),
    ]  # fmt: skip
    with pytest.raises(BadRecording, match="folder named by its site"):
        by_site([site("fern"), site("moss")], [tmp_path / "x" / "a.csv"])


def dies_once(part: Part) -> bytes:
    flag = part.files[0].with_suffix(".died")
    if part.pumps[0] == "p0" and not flag.exists():
        flag.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return months._work(part)


def always_dies(_part: Part) -> bytes:
    os.kill(os.getpid(), signal.SIGKILL)
    return b""


def test_a_killed_worker_costs_time_only(tmp_path: Path) -> None:
    files = recordings(tmp_path / "fern")
    todo = parts(site(), files)
    run = Months(jobs=1)
    run.work = dies_once
    list(run.run(todo))
    assert run.restarts == 1
    assert told(run.alarms(todo)) == serial(site(), files)


def test_workers_that_always_die_are_given_up_in_words(tmp_path: Path) -> None:
    run = Months(jobs=1)
    run.work = always_dies
    with pytest.raises(StrokewiseError, match="enough memory"):
        list(run.run(parts(site(), recordings(tmp_path))))


def test_a_file_of_other_pumps_is_not_read_and_nothing_changes(tmp_path: Path) -> None:
    apart = []
    for path in recordings(tmp_path / "whole"):
        table = pq.read_table(path)
        for k in range(4):
            mine = table.filter(pc.equal(table["pump"], f"p{k}"))
            apart.append(tmp_path / f"p{k}-{path.name}")
            pq.write_table(mine, apart[-1])
    assert Recording(apart[0], site()).pumps() == {"p0"}
    assert Recording(tmp_path / "whole" / "0.parquet", site()).pumps() is None
    expected = serial(site(), apart)
    # The same recordings cut by pumps and not by time: the same alarms at the same times.
    assert expected == serial(site(), sorted((tmp_path / "whole").iterdir()))
    assert len(expected) >= 2
    run = Months(jobs=1)
    todo = by_site([site()], apart)
    list(run.run(todo))
    assert told(run.alarms(todo)) == expected


def test_a_file_of_a_pump_nobody_knows_is_told(tmp_path: Path) -> None:
    table = pq.read_table(recordings(tmp_path)[0]).slice(0, 1000)
    odd = tmp_path / "odd.parquet"
    pq.write_table(table.set_column(1, "pump", pa.array(["stranger"] * 1000)), odd)
    assert Recording(odd, site()).pumps() == {"stranger"}
    with pytest.raises(BadRecording, match="stranger"):
        list(Months(jobs=1).run(by_site([site()], [odd])))
