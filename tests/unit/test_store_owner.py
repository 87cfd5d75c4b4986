"""Who owns a folder: the lock, and the fence against an owner that was frozen and wakes."""

from contextlib import closing
from pathlib import Path

import apsw
import numpy as np
import pytest

from monitor.errors import StoreUnavailable
from monitor.store import core
from monitor.store.embedded import EmbeddedStore
from monitor.store.interface import Receipt
from monitor.store.owner import Claim, Fenced, FolderInUse, Owner, holder
from monitor.wire import Message

T0_US = 1_750_000_000_000_000


def second(seq: int) -> Message:
    return Message(
        "fern", "p", 1, seq, T0_US + seq * 1_000_000, 50_000, np.full(20, seq, np.int16), 244.0
    )


def opened(folder: Path, name: str, gone: tuple[str, ...] = ()) -> EmbeddedStore:
    return EmbeddedStore(folder, claim=Claim(name, lambda who: who in gone))


def seqs(store: EmbeddedStore) -> list[int]:
    return [m.seq for m in store.messages("fern", "p", 0.0, 4e9)]


def test_a_frozen_owner_that_wakes_commits_and_receipts_nothing(tmp_path: Path) -> None:
    ant = opened(tmp_path, "ant")
    assert ant.append([second(0), second(1)]) == [Receipt.STORED] * 2
    bee = opened(tmp_path, "bee", gone=("ant",))
    with pytest.raises(Fenced, match="taken it over"):
        ant.append([second(2)])
    assert ant.core.fenced
    assert not bee.core.fenced
    # What had been committed is known to the new owner, what had not comes again from the broker.
    assert bee.append([second(1), second(2)]) == [Receipt.DUPLICATE, Receipt.STORED]
    ant.close()
    assert seqs(bee) == [0, 1, 2]
    bee.close()
    last = opened(tmp_path, "cat")
    assert seqs(last) == [0, 1, 2]
    last.close()


def test_a_fold_that_was_under_way_harms_nothing(tmp_path: Path) -> None:
    ant = opened(tmp_path, "ant")
    ant.append([second(k) for k in range(5)])
    bee = opened(tmp_path, "bee", gone=("ant",))
    bee.append([second(k) for k in range(5, 9)])
    bee.fold_all()
    with pytest.raises(Fenced):
        ant.fold_all()  # its day file is merged as after a crash, its core is refused
    assert seqs(bee) == list(range(9))
    ant.tend(T0_US / 1e6 + 500.0)
    assert "taken" in ant.trouble
    ant.close()
    bee.close()
    with closing(EmbeddedStore(tmp_path)) as store:
        assert seqs(store) == list(range(9))
        assert store.verify() == []


@pytest.mark.parametrize(
    "claim",
    [
        None,
        Claim("bee", lambda _name: False),  # the holder is present
        Claim("ant", lambda _name: True),  # the same name twice is a mistake of settings
    ],
)
def test_who_is_there_or_unknown_keeps_its_folder(tmp_path: Path, claim: Claim | None) -> None:
    ant = opened(tmp_path, "ant")
    with pytest.raises(FolderInUse):
        EmbeddedStore(tmp_path, claim=claim)
    assert ant.append([second(0)]) == [Receipt.STORED]
    ant.close()


def test_a_folder_without_a_named_owner_is_not_taken(tmp_path: Path) -> None:
    plain = EmbeddedStore(tmp_path)
    assert holder(tmp_path) == ""
    with pytest.raises(FolderInUse):
        opened(tmp_path, "bee", gone=("", "ant"))
    plain.close()
    lonely = tmp_path / "new"
    lock = Owner(lonely)
    with pytest.raises(FolderInUse):
        opened(lonely, "bee", gone=("",))
    lock.close()


def test_the_lock_is_taken_when_the_frozen_process_is_gone(tmp_path: Path) -> None:
    ant = opened(tmp_path, "ant")
    bee = opened(tmp_path, "bee", gone=("ant",))
    bee.tend(T0_US / 1e6)
    ant.close()
    bee.tend(T0_US / 1e6 + 1.0)
    with pytest.raises(FolderInUse):
        Owner(tmp_path)
    bee.close()
    Owner(tmp_path).close()


def test_reading_beside_takes_nothing(tmp_path: Path) -> None:
    ant = opened(tmp_path, "ant")
    beside = EmbeddedStore(tmp_path, read_only=True)
    assert ant.append([second(0)]) == [Receipt.STORED]
    assert holder(tmp_path) == "ant"
    beside.close()
    ant.close()


def test_a_folder_whose_writer_stands_still_is_told_apart_from_a_broken_program(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    opened(tmp_path, "ant").close()
    monkeypatch.setattr(core, "BUSY_MS", 1)
    with closing(apsw.Connection(str(tmp_path / "core.db"))) as frozen:
        frozen.execute("BEGIN IMMEDIATE")
        with pytest.raises(StoreUnavailable, match=r"core\.db: .*locked"):
            opened(tmp_path, "bee", gone=("ant",))
    opened(tmp_path, "bee", gone=("ant",)).close()
