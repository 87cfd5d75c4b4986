"""Days are sealed, aged, pinned, dropped for space; summaries outlive them; late data fit in."""

import shutil
from pathlib import Path

import numpy as np
import pytest

from monitor.store.embedded import EmbeddedStore
from monitor.store.interface import Level, Receipt, Series
from monitor.store.owner import FolderInUse
from monitor.store.retention import Retention
from monitor.wire import Message

DAY_S = 86_400
D0 = 20_000 * DAY_S
KEEP = Retention(raw_days=5, second_days=20, floor_days=2, free_share=0.0, free_bytes=0)


def message(seq: int, t0_s: float) -> Message:
    t0 = round(t0_s * 1e6)
    pressure = 4e5 + 1000.0 * np.sin(seq + np.arange(20.0))
    ends = np.array([t0 + 1_000_000])
    return Message("fern", "a", 3, seq, t0, 50_000, pressure, 1.0, 0.0, ends, np.array([seq // 4]))


def fill(store: EmbeddedStore, days: range, every_s: int = 3600) -> None:
    """One message an hour, tended as time goes by."""
    for day in days:
        for k in range(DAY_S // every_s):
            t0_s = D0 + day * DAY_S + k * every_s
            seq = day * (DAY_S // every_s) + k
            assert store.append([message(seq, t0_s)]) == [Receipt.STORED]
            store.tend(t0_s + 1.0)
            store.tend(t0_s + 200.0)


def tend_through(store: EmbeddedStore, day: int, hours: int = 6) -> None:
    for k in range(hours * 60):
        store.tend(D0 + day * DAY_S + k * 60.0)


def read(store: EmbeddedStore, day: int, level: Level, days: int = 1) -> Series:
    span = (float(D0 + day * DAY_S), float(D0 + (day + days) * DAY_S))
    return store.read("fern", "a", span, level=level)


@pytest.fixture(scope="module")
def three_days(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store of three days, closed; each test opens a copy of its own."""
    folder = tmp_path_factory.mktemp("template") / "store"
    store = EmbeddedStore(folder, keep=KEEP)
    fill(store, range(3))
    store.close()
    return folder


@pytest.fixture
def filled(three_days: Path, tmp_path: Path) -> EmbeddedStore:
    shutil.copytree(three_days, tmp_path / "store")
    return EmbeddedStore(tmp_path / "store", keep=KEEP)


def test_sealing_changes_no_answer(filled: EmbeddedStore) -> None:
    before = {level: read(filled, 0, level) for level in Level}
    assert filled.core.rows("SELECT count(*) FROM m1_day")[0][0] >= 1
    tend_through(filled, 4)
    assert filled.core.rows("SELECT count(*) FROM m1")[0][0] == 0
    for level, old in before.items():
        new = read(filled, 0, level)
        np.testing.assert_array_equal(new.ts, old.ts)
        np.testing.assert_array_equal(new.strokes, old.strokes)
        np.testing.assert_allclose(new.mean_pa, old.mean_pa, atol=10)
        assert new.gaps == old.gaps
    filled.close()


def test_raw_goes_by_age_and_its_summaries_stay(filled: EmbeddedStore) -> None:
    seconds = read(filled, 0, Level.SECOND)
    tend_through(filled, 9)
    assert filled.stats()["raw_days"] == 0
    assert len(read(filled, 0, Level.RAW).ts) == 0
    kept = read(filled, 0, Level.SECOND)
    np.testing.assert_array_equal(kept.ts, seconds.ts)
    np.testing.assert_allclose(kept.mean_pa, seconds.mean_pa, atol=10)
    tend_through(filled, 40, hours=1)
    assert len(read(filled, 0, Level.SECOND).ts) == 0
    assert len(read(filled, 0, Level.MINUTE).ts) == 24
    assert len(read(filled, 0, Level.HOUR, days=3).ts) == 72
    filled.close()


def test_a_pinned_span_keeps_its_raw_samples(filled: EmbeddedStore) -> None:
    span = (float(D0 + 7200), float(D0 + 18_000))
    whole = filled.messages("fern", "a", *span)
    assert len(whole) == 3
    filled.pin("fern", "a", span, "alarm 7")
    tend_through(filled, 9)
    again = filled.messages("fern", "a", *span)
    assert [m.seq for m in again] == [m.seq for m in whole]
    assert [m.samples.tobytes() for m in again] == [m.samples.tobytes() for m in whole]
    assert filled.messages("fern", "a", D0, D0 + 3000) == []
    filled.close()


def test_late_data_open_a_sealed_day_again(filled: EmbeddedStore) -> None:
    tend_through(filled, 4)
    late = message(9000, D0 + 3630.0)
    assert filled.append([late]) == [Receipt.STORED]
    tend_through(filled, 4, hours=8)
    minutes = read(filled, 0, Level.MINUTE)
    assert len(minutes.ts) == 24
    assert minutes.mean_pa[1] == pytest.approx(
        np.mean([message(1, 0).pressure_pa(), late.pressure_pa()]), abs=10
    )
    assert len(read(filled, 0, Level.SECOND).ts) == 25
    assert filled.core.rows("SELECT count(*) FROM m1")[0][0] == 0
    filled.close()


def test_crumbs_for_a_dropped_day_do_not_replace_whole_minutes(filled: EmbeddedStore) -> None:
    tend_through(filled, 9)
    before = read(filled, 0, Level.MINUTE)
    assert filled.append([message(9000, D0 + 3630.0)]) == [Receipt.STORED]
    tend_through(filled, 9, hours=8)
    np.testing.assert_array_equal(read(filled, 0, Level.MINUTE).mean_pa, before.mean_pa)
    filled.close()


def test_low_space_drops_the_oldest_day_above_the_floor(tmp_path: Path) -> None:
    keep = Retention(raw_days=90, floor_days=2, free_share=1.0)
    store = EmbeddedStore(tmp_path / "store", keep=keep)
    fill(store, range(5), every_s=3600)
    tend_through(store, 5, hours=1)
    stats = store.stats()
    assert stats["low_space"] == 1.0
    assert stats["raw_days"] == 2
    assert stats["dropped_days"] == 3
    assert len(read(store, 0, Level.MINUTE).ts) == 24
    store.close()


def test_a_folder_in_use_is_refused_and_free_after_close(tmp_path: Path) -> None:
    store = EmbeddedStore(tmp_path / "store")
    with pytest.raises(FolderInUse, match="another Strokewise"):
        EmbeddedStore(tmp_path / "store")
    store.close()
    EmbeddedStore(tmp_path / "store").close()


def test_a_second_process_may_read_while_the_service_writes(tmp_path: Path) -> None:
    store = EmbeddedStore(tmp_path / "store")
    fill(store, range(1))
    store.append([message(5000, D0 + DAY_S)])
    reader = EmbeddedStore(tmp_path / "store", read_only=True)
    assert len(reader.messages("fern", "a", D0, D0 + 2 * DAY_S)) == 25
    reader.close()
    store.close()


def test_what_was_in_the_journal_is_there_after_a_restart_without_close(tmp_path: Path) -> None:
    store = EmbeddedStore(tmp_path / "store")
    sent = [message(i, D0 + i) for i in range(10)]
    store.append(sent)
    copy = tmp_path / "copy"
    copy.mkdir()
    for path in (tmp_path / "store").iterdir():
        if not path.name.startswith("owner"):
            (copy / path.name).write_bytes(path.read_bytes())
    store.close()
    again = EmbeddedStore(copy)
    assert again.append(sent) == [Receipt.DUPLICATE] * 10
    assert again.watermark("fern", "a", 3) == (9, [])
    assert again.latest_ts() == {("fern", "a"): D0 + 10.0}
    again.close()
