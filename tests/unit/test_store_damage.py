"""Damaged files are found, named and survived; a full file holds; versions are checked."""

from pathlib import Path

import numpy as np
import pytest

from monitor.errors import StoreFull, StoreUnavailable, StrokewiseError
from monitor.store import codec
from monitor.store.core import Core, Schema
from monitor.store.embedded import EmbeddedStore
from monitor.store.interface import Level, Receipt
from monitor.wire import Message

DAY = 20_000
T0_S = DAY * 86_400


def message(seq: int, pump: str = "a") -> Message:
    counts = np.random.default_rng(seq).integers(0, 4000, 20).astype(np.int16)
    return Message("fern", pump, 1, seq, (T0_S + seq) * 1_000_000, 50_000, counts, 244.0, 0.0)


def filled(folder: Path, seconds: int = 600) -> EmbeddedStore:
    store = EmbeddedStore(folder)
    store.append([message(seq) for seq in range(seconds)])
    store.fold_all()
    return store


def spoil(path: Path, at: int, length: int) -> None:
    body = bytearray(path.read_bytes())
    body[at : at + length] = bytes(255 - b for b in body[at : at + length])
    path.write_bytes(bytes(body))


def test_a_flipped_chunk_costs_its_minute_and_is_named(tmp_path: Path) -> None:
    filled(tmp_path).close()
    path = tmp_path / f"raw-{DAY}.db"
    at = path.read_bytes().rfind(b"\x78\x9c")  # a zlib header inside some chunk
    spoil(path, at + 100, 20)
    store = EmbeddedStore(tmp_path)
    found = store.messages("fern", "a", T0_S, T0_S + 600)
    assert len(found) == 540
    (damage,) = store.verify()
    assert damage.file == path.name
    assert "series 1" in damage.place
    assert store.stats()["damaged_places"] == 1
    series = store.read("fern", "a", (T0_S, T0_S + 600.0), level=Level.RAW)
    assert len(series.gaps) == 1
    store.close()


def test_a_day_file_of_garbage_is_set_aside_and_storing_goes_on(tmp_path: Path) -> None:
    filled(tmp_path).close()
    path = tmp_path / f"raw-{DAY}.db"
    spoil(path, 0, 8192)
    store = EmbeddedStore(tmp_path)
    assert store.messages("fern", "a", T0_S, T0_S + 600) == []
    assert store.append([message(700)]) == [Receipt.STORED]
    store.fold_all()
    assert [m.seq for m in store.messages("fern", "a", T0_S, T0_S + 900)] == [700]
    assert (tmp_path / f"raw-{DAY}.db.damaged-1").exists()
    assert any("set aside" in d.problem for d in store.damage())
    store.close()


def test_an_empty_day_file_left_by_a_power_cut_is_no_trouble(tmp_path: Path) -> None:
    (tmp_path / f"raw-{DAY}.db").touch()
    store = filled(tmp_path)
    assert len(store.messages("fern", "a", T0_S, T0_S + 600)) == 600
    store.close()


def test_a_damaged_core_says_so_and_what_to_do(tmp_path: Path) -> None:
    filled(tmp_path).close()
    spoil(tmp_path / "core.db", 0, 4096)
    with pytest.raises(StrokewiseError, match=r"core\.db.*damaged.*backup"):
        EmbeddedStore(tmp_path)


def test_a_damaged_page_of_the_core_is_found_and_told(tmp_path: Path) -> None:
    store = filled(tmp_path, 3000)
    store.append([message(seq) for seq in range(3000, 9000)])
    with store.core.write() as db:
        db.execute("CREATE TABLE room(id INTEGER PRIMARY KEY, note TEXT)")
        db.executemany("INSERT INTO room(note) VALUES(?)", [("x" * 500,)] * 2000)
    root = store.core.rows("SELECT rootpage FROM sqlite_master WHERE name='room'")[0][0]
    store.close()
    spoil(tmp_path / "core.db", (root - 1) * 4096, 4096)
    store = EmbeddedStore(tmp_path)
    assert any(d.file == "core.db" for d in store.verify())
    with pytest.raises(StoreUnavailable, match=r"core\.db is damaged.*backup"):
        store.core.rows("SELECT note FROM room")
    with pytest.raises(StoreUnavailable, match="is damaged"), store.core.write() as db:
        db.execute("INSERT INTO room(note) VALUES('y')")
    # What the page did not hold is still there.
    assert len(store.messages("fern", "a", T0_S, T0_S + 9000)) == 9000
    store.close()


def test_a_full_file_holds_everything_back_and_resumes(tmp_path: Path) -> None:
    store = filled(tmp_path)
    pages = store.core.rows("PRAGMA page_count")[0][0]
    store.core._writer.execute(f"PRAGMA max_page_count={pages + 1}")
    batch = [message(seq, "b") for seq in range(3000)]
    with pytest.raises(StoreFull):
        store.append(batch)
    assert store.messages("fern", "b", T0_S, T0_S + 3000) == []
    assert store.watermark("fern", "b", 1) == (-1, [])
    store.core._writer.execute("PRAGMA max_page_count=1000000")
    assert store.append(batch) == [Receipt.STORED] * 3000
    store.close()


def test_a_fold_that_fails_keeps_the_journal_and_tells(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    store = EmbeddedStore(tmp_path)
    store.append([message(seq) for seq in range(60)])

    def away(_chunks: object) -> None:
        raise StoreUnavailable("the disk is gone")

    with monkeypatch.context() as patch:
        patch.setattr(store._days, "put", away)
        store.tend(T0_S + 300.0)
    assert store.trouble == "the disk is gone"
    assert "housekeeping failed" in caplog.text
    assert len(store.messages("fern", "a", T0_S, T0_S + 60)) == 60
    store.tend(T0_S + 360.0)
    assert store.trouble == ""
    assert store.stats()["journal_messages"] == 0
    store.close()


def test_a_crash_between_chunk_and_journal_end_doubles_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store = EmbeddedStore(tmp_path)
    store.append([message(seq) for seq in range(60)])

    def crash(*_: object) -> None:
        raise StoreUnavailable("cut here")

    with monkeypatch.context() as patch:
        patch.setattr(store._fold, "_settle", crash)
        store.tend(T0_S + 300.0)
    # Both the journal and the day file have them now.
    assert len(store.messages("fern", "a", T0_S, T0_S + 60)) == 60
    raw = store.read("fern", "a", (T0_S, T0_S + 60.0), level=Level.RAW)
    assert len(raw.ts) == 1200
    store.tend(T0_S + 400.0)
    assert len(store.messages("fern", "a", T0_S, T0_S + 60)) == 60
    minute = store.read("fern", "a", (T0_S, T0_S + 60.0), level=Level.MINUTE)
    assert minute.mean_pa[0] == pytest.approx(raw.mean_pa.mean())
    store.close()


def test_bytes_that_are_no_chunk_are_refused(tmp_path: Path) -> None:
    columns = codec.from_messages([message(0)], [1])
    whole = codec.pack(columns)
    assert codec.unpack(whole).head.tobytes() == columns.head.tobytes()
    for bad in (b"", bytes(64), whole[:-1], whole[:20] + b"x" + whole[21:]):
        with pytest.raises(codec.DamagedChunk):
            codec.unpack(bad)
    del tmp_path


def test_migrations_run_once_and_newer_files_are_refused(tmp_path: Path) -> None:
    first = Schema("room", ("CREATE TABLE thing(id INTEGER PRIMARY KEY)",))
    both = Schema("room", (*first.steps, "ALTER TABLE thing ADD COLUMN note TEXT DEFAULT 'x'"))
    Core(tmp_path, [first]).close()
    core = Core(tmp_path, [both])
    with core.write() as db:
        db.execute("INSERT INTO thing(id) VALUES(1)")
    assert core.rows("SELECT * FROM thing") == [(1, "x")]
    core.close()
    Core(tmp_path, [both]).close()
    with pytest.raises(StrokewiseError, match="newer Strokewise"):
        Core(tmp_path, [first])
    with pytest.raises(Exception, match="syntax"):
        Core(tmp_path, [Schema("room", (*both.steps, "NONSENSE"))])
    core = Core(tmp_path, [both])
    assert core.rows("SELECT version FROM room_schema WHERE name='room'") == [(2,)]
    core.close()


def test_an_old_sqlite_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("apsw.sqlite_lib_version", lambda: "3.40.1")
    with pytest.raises(StrokewiseError, match=r"3\.40\.1 can corrupt"):
        Core(tmp_path, [])
