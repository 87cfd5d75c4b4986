"""Backup beside a running store, verify, restore to the same answers; export and read again."""

import io
import json
import shutil
import tarfile
import threading
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest

from monitor.errors import StrokewiseError
from monitor.intake.recording import Recording
from monitor.site import Pump, Site
from monitor.store import work_log
from monitor.store.backup import BadBackup, backup, manifest, restore, verify
from monitor.store.embedded import EmbeddedStore
from monitor.store.export import Wish, everything, samples, summaries
from monitor.store.interface import Level, Receipt
from monitor.store.work_log import Entry, Work, WorkLog
from monitor.wire import Message

T0_S = 20_000 * 86_400 + 84_960
SPAN = (float(T0_S), T0_S + 4000.0)
SITE = Site(id="fern", pumps=(Pump(id="a"), Pump(id="b")))


Filled = Callable[[Path], EmbeddedStore]


def message(seq: int, pump: str = "a") -> Message:
    rng = np.random.default_rng(seq)
    t0 = (T0_S + seq) * 1_000_000
    return Message(
        "fern",
        pump,
        1,
        seq,
        t0,
        50_000,
        rng.integers(0, 4000, 20).astype(np.int16),
        244.140625,
        -7.25,
        np.array([t0 + 400_000, t0 + 1_000_000]),
        np.array([seq + 1, seq + 1]),
        np.array([t0]),
        np.array([seq % 60 < 20]),
        413_000.5,
    )


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A filled store, closed; each test opens a copy of its own."""
    folder = tmp_path_factory.mktemp("template") / "store"
    store = EmbeddedStore(folder, [work_log.SCHEMA])
    for k in range(0, 3000, 100):
        store.append([message(seq, pump) for seq in range(k, k + 100) for pump in "ab"])
        store.tend(T0_S + k + 100.0)
    log = WorkLog(store.core)
    log.add(Entry("fern", "a", T0_S, Work.SEALS, "tech", 'new "FKM" seals, both', {"hours": 1.0}))
    store.close()
    return folder


@pytest.fixture
def filled(template: Path) -> Filled:
    def copied(folder: Path) -> EmbeddedStore:
        shutil.copytree(template, folder)
        return EmbeddedStore(folder, [work_log.SCHEMA])

    return copied


def same_answers(a: EmbeddedStore, b: EmbeddedStore) -> None:
    for pump in "ab":
        for level in Level:
            x = a.read("fern", pump, SPAN, level=level)
            y = b.read("fern", pump, SPAN, level=level)
            for name in ("ts", "low_pa", "mean_pa", "high_pa", "strokes", "demand_s", "air_pa"):
                np.testing.assert_array_equal(getattr(x, name), getattr(y, name), err_msg=name)
        assert a.watermark("fern", pump, 1) == b.watermark("fern", pump, 1)
    assert a.latest_ts() == b.latest_ts()
    assert WorkLog(a.core).list("fern") == WorkLog(b.core).list("fern")


def test_a_restored_backup_gives_the_same_answers(filled: Filled, tmp_path: Path) -> None:
    store = filled(tmp_path / "store")
    (tmp_path / "store" / "ack.key").write_bytes(b"k" * 32)
    shares: list[float] = []
    members = backup(tmp_path / "store", tmp_path / "b" / "all.tar", T0_S + 3000.0, shares.append)
    assert [m.name for m in members] == [
        "core.db",
        "raw-20000.db",
        "raw-20001.db",
        "ack.key",
    ]
    assert shares[-1] == 1.0
    assert verify(tmp_path / "b" / "all.tar") == []
    restore(tmp_path / "b" / "all.tar", tmp_path / "again")
    key = tmp_path / "again" / "ack.key"
    assert key.read_bytes() == b"k" * 32
    assert key.stat().st_mode & 0o077 == 0
    assert (tmp_path / "b" / "all.tar").stat().st_mode & 0o077 == 0
    again = EmbeddedStore(tmp_path / "again", [work_log.SCHEMA])
    same_answers(store, again)
    assert again.append([message(2999)]) == [Receipt.DUPLICATE]
    again.close()
    store.close()


def test_a_backup_made_while_messages_come_in_is_consistent(filled: Filled, tmp_path: Path) -> None:
    store = filled(tmp_path / "store")
    stop = threading.Event()
    sent = [3000]

    def work() -> None:
        while not stop.is_set():
            store.append([message(sent[0], pump) for pump in "ab"])
            sent[0] += 1
            store.tend(T0_S + sent[0] * 1.0)

    thread = threading.Thread(target=work)
    thread.start()
    try:
        for k in range(3):
            backup(tmp_path / "store", tmp_path / f"{k}.tar", T0_S + 3000.0)
    finally:
        stop.set()
        thread.join()
    store.close()
    for k in range(3):
        restore(tmp_path / f"{k}.tar", tmp_path / f"again{k}")
        again = EmbeddedStore(tmp_path / f"again{k}", [work_log.SCHEMA])
        hi, missing = again.watermark("fern", "a", 1)
        assert hi >= 2999
        assert missing == []
        found = again.messages("fern", "a", T0_S, T0_S + 1e5)
        assert [m.seq for m in found] == list(range(hi + 1))
        minutes = again.read("fern", "a", SPAN, level=Level.MINUTE)
        assert minutes.strokes.sum() == hi
        assert again.verify() == []
        again.close()


def test_a_lost_core_is_rebuilt_from_the_day_files(filled: Filled, tmp_path: Path) -> None:
    store = filled(tmp_path / "store")
    store.fold_all()
    lost = tmp_path / "lost"
    lost.mkdir()
    store.close()
    for path in (tmp_path / "store").glob("raw-*.db"):
        shutil.copy(path, lost)
    again = EmbeddedStore(lost, [work_log.SCHEMA])
    assert again.rebuild(0) == 2 * 50
    whole = EmbeddedStore(tmp_path / "store", [work_log.SCHEMA])
    WorkLog(again.core).add(replace(WorkLog(whole.core).list("fern")[0], id=0))
    same_answers(whole, again)
    again.close()
    whole.close()


def test_a_spoilt_backup_is_found_and_not_restored(filled: Filled, tmp_path: Path) -> None:
    filled(tmp_path / "store").close()
    target = tmp_path / "all.tar"
    backup(tmp_path / "store", target, T0_S + 0.0)
    body = bytearray(target.read_bytes())
    body[len(body) // 2] ^= 255
    target.write_bytes(bytes(body))
    assert any("checksum" in fault for fault in verify(target))
    with pytest.raises(BadBackup, match="checksum"):
        restore(target, tmp_path / "again")
    assert not (tmp_path / "again" / "core.db").exists()
    target.write_bytes(bytes(body[: len(body) // 3]))
    with pytest.raises(BadBackup, match="no whole backup"):
        manifest(target)


def test_a_backup_with_a_stranger_in_it_is_refused(tmp_path: Path) -> None:
    told = {"format": 1, "made_ts": 0, "members": [["../evil", 1, "x"]]}
    body = json.dumps(told).encode()
    with tarfile.open(tmp_path / "bad.tar", "w") as tar:
        info = tarfile.TarInfo("manifest.json")
        info.size = len(body)
        tar.addfile(info, io.BytesIO(body))
    with pytest.raises(BadBackup, match="no name of ours"):
        restore(tmp_path / "bad.tar", tmp_path / "again")


def test_places_that_make_no_sense_are_told(filled: Filled, tmp_path: Path) -> None:
    with pytest.raises(BadBackup, match=r"no core\.db"):
        backup(tmp_path, tmp_path / "x.tar", 0.0)
    filled(tmp_path / "store").close()
    backup(tmp_path / "store", tmp_path / "x.tar", 0.0)
    with pytest.raises(BadBackup, match="already holds a store"):
        restore(tmp_path / "x.tar", tmp_path / "store")


@pytest.mark.parametrize("form", [".csv", ".parquet", ".jsonl"])
def test_exported_samples_read_back_the_same(filled: Filled, tmp_path: Path, form: str) -> None:
    store = filled(tmp_path / "store")
    wish = Wish("fern", "a", (T0_S + 1000.0, T0_S + 2500.0))
    target = tmp_path / f"out{form}"
    assert samples(store, wish, target) == 1500 * 20
    blocks = [b for _, b in Recording(target, SITE).blocks()]
    pressure = np.concatenate([b.pressure_pa for b in blocks])
    raw = store.read("fern", "a", wish.span, level=Level.RAW)
    np.testing.assert_array_equal(pressure, raw.mean_pa)
    strokes = np.concatenate([b.stroke_ts for b in blocks])
    assert len(strokes) == 1499
    assert np.concatenate([b.air_pa for b in blocks])[0] == 413_000.5
    demand = np.concatenate([b.demand for b in blocks])
    np.testing.assert_array_equal(demand == 1.0, raw.demand_s == 1.0)
    if form == ".csv":
        lines = target.read_bytes().split(b"\r\n")
        assert lines[0] == b"time,pump,pressure_pa,strokes,demand,air_pa"
        assert lines[1].startswith(b"2024-10-04T23:52:40.000000Z,a,")
    store.close()


def test_everything_an_owner_may_want(filled: Filled, tmp_path: Path) -> None:
    store = filled(tmp_path / "store")
    made = everything(store, store.core, tmp_path / "out")
    names = {str(p.relative_to(tmp_path / "out")) for p in made}
    assert {"fern/a-samples.parquet", "fern/b-hours.csv", "records/work.csv"} <= names
    assert pq.read_metadata(tmp_path / "out/fern/b-samples.parquet").num_rows == 60_000
    minutes = (tmp_path / "out/fern/a-minutes.csv").read_text().splitlines()
    assert len(minutes) == 1 + 50
    work = (tmp_path / "out/records/work.csv").read_text()
    assert '"new ""FKM"" seals, both"' in work
    assert not (tmp_path / "out/records/journal.csv").exists()
    store.close()


def test_an_ending_nobody_knows_is_refused(filled: Filled, tmp_path: Path) -> None:
    store = filled(tmp_path / "store")
    with pytest.raises(StrokewiseError, match=r"\.csv, \.parquet, \.jsonl"):
        summaries(store, Wish("fern", "a", SPAN), Level.MINUTE, tmp_path / "x.xyz")
    store.close()
