"""The outbox when the disk says no, and the folder is not what it should be."""

from pathlib import Path

import pytest

from edge.errors import OutboxError
from edge.outbox import RECEIPTS_AT_ONCE, Bounds, Outbox

BOUNDS = Bounds(max_bytes=10**9, max_age_s=1e9, max_sent=10**6)


def rows(first: int, count: int, size: int = 200) -> list[tuple[str, int, int, int, bytes]]:
    return [("foam", 7, seq, seq * 1_000_000, bytes(size)) for seq in range(first, first + count)]


def test_a_full_disk_takes_nothing_of_the_batch_and_resumes(tmp_path: Path) -> None:
    box = Outbox(tmp_path / "outbox.db", BOUNDS)
    box.add(rows(0, 50), None)
    box.ack([box.unsent(1)[0].id])
    pages = box._db.execute("PRAGMA page_count").fetchone()[0]
    box._db.execute(f"PRAGMA max_page_count = {pages + 2}")  # SQLite's own disk full
    with pytest.raises(OutboxError, match="full"):
        box.add(rows(50, 500), None)
    assert (box.waiting, box.kept, box.dropped) == (49, 1, 0)
    before = box.size_bytes
    box._db.execute("PRAGMA max_page_count = 1000000")
    next_id = box.next_id
    box.add(rows(50, 500), None)
    assert (box.waiting, box.kept) == (549, 1)
    assert box.size_bytes > before
    assert box.unsent(1, "newest first")[0].id == next_id + 499
    box.close(None)


def test_the_same_message_twice_is_refused_whole(tmp_path: Path) -> None:
    box = Outbox(tmp_path / "outbox.db", BOUNDS)
    box.add(rows(0, 3), None)
    with pytest.raises(OutboxError, match="UNIQUE"):
        box.add(rows(2, 3), None)
    assert [letter.seq for letter in box.unsent(10)] == [0, 1, 2]
    box.close(None)


def test_many_receipts_become_durable_by_themselves(tmp_path: Path) -> None:
    box = Outbox(tmp_path / "outbox.db", BOUNDS)
    box.add(rows(0, RECEIPTS_AT_ONCE + 1, size=1), None)
    box.ack(letter.id for letter in box.unsent(RECEIPTS_AT_ONCE))
    box._db.close()
    again = Outbox(tmp_path / "outbox.db", BOUNDS)
    assert (again.waiting, again.kept) == (1, RECEIPTS_AT_ONCE)
    again.close(None)


def test_nothing_to_do_touches_nothing(tmp_path: Path) -> None:
    box = Outbox(tmp_path / "outbox.db", BOUNDS)
    changes = box._db.total_changes
    box.add((), None)
    box.flush(None)
    assert box._db.total_changes == changes
    box.close(None)


@pytest.mark.parametrize("fault", ["folder is a file", "file is no database"])
def test_a_place_that_cannot_be_used_is_named(tmp_path: Path, fault: str) -> None:
    path = tmp_path / "keep" / "outbox.db"
    if fault == "folder is a file":
        path.parent.write_text("")
    else:
        path.parent.mkdir()
        path.write_bytes(b"not a database" * 100)
    with pytest.raises(OutboxError, match="check the folder's rights"):
        Outbox(path, BOUNDS)
