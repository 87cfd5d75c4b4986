"""kill -9, twenty times, while storing, folding and sealing: nothing acknowledged lost or doubled.

The file is also the program that gets killed: it sends again what may be lost, sends a tenth
twice and a twentieth late, and writes the identity of every message the store took to a log.
"""

import os
import subprocess
import sys
import threading
from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from monitor.store.embedded import EmbeddedStore
from monitor.store.interface import Level, Receipt
from monitor.store.retention import Retention
from monitor.wire import Message

pytestmark = pytest.mark.crash

KILLS = 20
PUMPS = 8
T0_S = 20_000 * 86_400 + 85_000  # a day border is soon crossed
RESEND_S = 200
KEEP = Retention(raw_days=3650, second_days=3650, floor_days=7, free_share=0.0, free_bytes=0)


def message(pump: int, seq: int) -> Message:
    rng = np.random.default_rng([pump, seq])
    t0 = (T0_S + seq) * 1_000_000 + int(rng.integers(-300, 300))
    counts = rng.integers(0, 4000, 20).astype(np.int16)
    end = np.array([t0 + 1_000_000])
    return Message("fern", f"p{pump}", 1, seq, t0, 50_000, counts, 244.0, 0.0, end, np.array([seq]))


def send_until_killed(folder: Path, log: Path) -> None:
    """From RESEND_S before what the log says, on and on."""
    taken = [line.split() for line in log.read_text().splitlines() if line.endswith(".")]
    newest = max((int(seq) for _, seq, _ in taken), default=0)
    rng = np.random.default_rng(newest)
    store = EmbeddedStore(folder, keep=KEEP)
    out = os.open(log, os.O_WRONLY | os.O_APPEND)
    late: list[Message] = []
    for seq in range(max(newest - RESEND_S, 0), newest + 100_000):
        batch = [message(pump, seq) for pump in range(PUMPS)]
        batch += [m for m in batch if rng.random() < 0.1]
        held = [m for m in batch if rng.random() < 0.05]
        batch = [m for m in batch if m not in held]
        if len(late) > 60:
            batch, late = batch + late, []
        late += held
        receipts = store.append(batch)
        assert Receipt.REJECTED not in receipts
        lines = "".join(f"{m.pump} {m.seq} .\n" for m in batch)
        os.write(out, lines.encode())
        store.tend(T0_S + seq + 1.0)


def levels_agree(store: EmbeddedStore) -> None:
    """The minutes are those of the samples, whatever was cut in between."""
    for pump in range(PUMPS):
        span = (float(T0_S - T0_S % 60), T0_S + 100_000.0)
        minutes = store.read("fern", f"p{pump}", span, level=Level.MINUTE)
        raw = store.read("fern", f"p{pump}", span, level=Level.RAW)
        assert np.nanmin(minutes.low_pa) == np.nanmin(raw.mean_pa)
        assert np.nanmax(minutes.high_pa) == np.nanmax(raw.mean_pa)
        assert minutes.strokes.sum() == pytest.approx(raw.strokes.sum(), abs=1)


def test_twenty_kills_lose_and_double_nothing(tmp_path: Path) -> None:
    folder, log = tmp_path / "store", tmp_path / "taken.log"
    log.touch()
    rng = np.random.default_rng(7)
    for _ in range(KILLS):
        child = subprocess.Popen(
            [sys.executable, __file__, str(folder), str(log)], stderr=subprocess.PIPE
        )
        # A random amount of work after the re-sending, whatever the machine's speed.
        enough = log.stat().st_size + int(rng.integers(14_000, 30_000))
        for _ in range(6000):
            if log.stat().st_size > enough or child.poll() is not None:
                break
            threading.Event().wait(0.005)
        child.kill()
        _, said = child.communicate()
        assert not said, said.decode()
    taken = {tuple(line.split()[:2]) for line in log.read_text().splitlines()}
    store = EmbeddedStore(folder, keep=KEEP)
    found: Counter[tuple[str, str]] = Counter()
    for pump in range(PUMPS):
        for m in store.messages("fern", f"p{pump}", T0_S - 1, T0_S + 200_000):
            found[m.pump, str(m.seq)] += 1
            assert m.samples.tobytes() == message(pump, m.seq).samples.tobytes()
    assert store.verify() == []
    levels_agree(store)
    store.close()
    lost = taken - set(found)
    doubled = [k for k, n in found.items() if n > 1]
    print(  # noqa: T201 - the figures are the point
        f"\n{KILLS} kills: {len(taken)} messages acknowledged, {len(lost)} lost, "
        f"{len(doubled)} doubled, {len(set(found) - taken)} stored but not yet acknowledged"
    )
    assert len(taken) > 1000
    assert not lost
    assert not doubled


if __name__ == "__main__":
    send_until_killed(Path(sys.argv[1]), Path(sys.argv[2]))
