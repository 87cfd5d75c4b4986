"""A disk that is full, really: a small tmpfs. Storing holds, reading goes on, all resumes."""

import subprocess
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from monitor.errors import StoreFull
from monitor.store.embedded import EmbeddedStore
from monitor.store.interface import Receipt
from monitor.store.retention import Retention
from monitor.wire import Message

pytestmark = pytest.mark.crash

T0_S = 20_000 * 86_400
KEEP = Retention(free_share=0.0, free_bytes=0)
SIZE_MB = 48


@pytest.fixture
def small_disk(tmp_path: Path) -> Iterator[Path]:
    place = tmp_path / "disk"
    place.mkdir()
    mounted = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={SIZE_MB}m", "tmpfs", place],
        capture_output=True,
        text=True,
        check=False,
    )
    if mounted.returncode:
        pytest.skip(f"a tmpfs cannot be mounted here (needs root): {mounted.stderr.strip()}")
    yield place
    subprocess.run(["umount", "-l", place], check=True)


def message(seq: int) -> Message:
    counts = np.random.default_rng(seq).integers(-30_000, 30_000, 1000).astype(np.int16)
    return Message("fern", "a", 1, seq, (T0_S + seq) * 1_000_000, 1_000, counts, 244.0, 0.0)


def test_a_full_disk_loses_nothing_and_storing_resumes_by_itself(small_disk: Path) -> None:
    store = EmbeddedStore(small_disk / "store", keep=KEEP)
    ballast = small_disk / "ballast"
    ballast.write_bytes(bytes(36 << 20))
    taken, refused, seq = 0, 0, 0
    while refused < 20:
        try:
            assert store.append([message(seq)]) == [Receipt.STORED]
            taken, seq = taken + 1, seq + 1
        except StoreFull:
            refused += 1
        store.tend(T0_S + seq + 1.0)
        assert seq < 20_000
    found = store.messages("fern", "a", T0_S, T0_S + seq)
    assert [m.seq for m in found] == list(range(seq))
    ballast.unlink()
    for k in range(seq, seq + 200):
        assert store.append([message(k)]) == [Receipt.STORED]
    store.tend(T0_S + seq + 300.0)
    assert store.trouble == ""
    found = store.messages("fern", "a", T0_S, T0_S + seq + 200)
    assert [m.seq for m in found] == list(range(seq + 200))
    assert all(m.samples.tobytes() == message(m.seq).samples.tobytes() for m in found)
    assert store.verify() == []
    store.close()
    told = f"\n{SIZE_MB} MB disk: {taken} stored, {refused} refused while full, 0 lost"
    print(told)  # noqa: T201 - the figures are the point


def test_a_disk_that_stays_full_gives_up_old_days_before_new_data(small_disk: Path) -> None:
    keep = Retention(floor_days=1, free_share=0.2, free_bytes=0)
    store = EmbeddedStore(small_disk / "store", keep=keep)
    messages = 14 * 480
    for seq in range(messages):
        t0_us = (T0_S + seq * 180) * 1_000_000
        counts = np.random.default_rng(seq).integers(-30_000, 30_000, 3000).astype(np.int16)
        one = Message("fern", "a", 1, seq, t0_us, 1_000, counts, 244.0, 0.0)
        assert store.append([one]) == [Receipt.STORED]
        store.tend(t0_us * 1e-6 + 1.0)
    stats = store.stats()
    assert stats["dropped_days"] >= 3
    assert stats["stored_messages"] == messages
    store.close()
