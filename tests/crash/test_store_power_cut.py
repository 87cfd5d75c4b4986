"""A power cut, simulated: nothing the store acknowledged may be lost, doubled or unreadable.

A preloaded shim logs each write and sync of the store's files in order. The disk is rebuilt as it
could be at random moments, under three models of what an unsynced write becomes: nothing of it
survives; each 4 kB page survives or not; or a prefix of the writes survives and the last is torn.
Directory operations count as durable at once. The file is also the program that is recorded.
"""

import os
import struct
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

from monitor.store.embedded import EmbeddedStore
from monitor.store.retention import Retention
from monitor.wire import Message

pytestmark = pytest.mark.crash

PUMPS = 6
BATCHES = 700
CUTS = 60
PAGE = 4096
T0_S = 20_000 * 86_400 + 86_000
KEEP = Retention(raw_days=3650, second_days=3650, free_share=0.0, free_bytes=0)


def message(pump: int, seq: int) -> Message:
    rng = np.random.default_rng([pump, seq])
    t0 = (T0_S + seq) * 1_000_000
    counts = rng.integers(0, 4000, 20).astype(np.int16)
    return Message("fern", f"p{pump}", 1, seq, t0, 50_000, counts, 244.0, 0.0)


def work(folder: Path) -> None:
    """Store, fold and tell what was acknowledged; a tenth comes late."""
    store = EmbeddedStore(folder / "store", keep=KEEP)
    told = os.open(folder / "told", os.O_WRONLY | os.O_CREAT | os.O_APPEND)
    late: list[Message] = []
    rng = np.random.default_rng(1)
    for seq in range(BATCHES):
        if os.environ.get("SHIM_NORMAL"):
            weaken(store)
        batch = [message(pump, seq) for pump in range(PUMPS)]
        held = [m for m in batch if rng.random() < 0.1]
        batch = [m for m in batch if m not in held]
        if len(late) > 80:
            batch, late = batch + late, []
        late += held
        store.append(batch)
        os.write(told, "".join(f"{m.pump} {m.seq}\n" for m in batch).encode())
        store.tend(T0_S + seq + 1.0)
    os._exit(0)


def weaken(store: EmbeddedStore) -> None:
    """synchronous=NORMAL in every file, to show that this test can fail."""
    for db in [store.core._writer, *store._days._writers.values()]:
        db.execute("PRAGMA synchronous=NORMAL")


@dataclass
class Write:
    """One logged operation."""

    kind: str
    path: str
    offset: int
    data: bytes


def read_log(path: Path) -> Iterator[Write]:
    body = path.read_bytes()
    at = 0
    while at < len(body):
        kind = chr(body[at])
        (size,) = struct.unpack_from("<H", body, at + 1)
        name = body[at + 3 : at + 3 + size].decode()
        offset, n = struct.unpack_from("<qq", body, at + 3 + size)
        at += 19 + size
        yield Write(kind, name, offset, body[at : at + n])
        at += n


@dataclass
class Disk:
    """What is on the platter, and what is only in a cache."""

    durable: dict[str, bytearray] = field(default_factory=dict)
    cached: list[Write] = field(default_factory=list)

    def take(self, write: Write) -> None:
        if write.kind == "o":
            self.durable.setdefault(write.path, bytearray())
        elif write.kind == "u":
            self.durable.pop(write.path, None)
            self.cached = [w for w in self.cached if w.path != write.path]
        elif write.kind == "s":
            for w in self.cached:
                if w.path == write.path:
                    apply(self.durable[w.path], w)
            self.cached = [w for w in self.cached if w.path != write.path]
        else:
            self.cached.append(write)

    def after_cut(self, model: str, rng: np.random.Generator) -> dict[str, bytearray]:
        files = {path: bytearray(content) for path, content in self.durable.items()}
        for w in survivors(self.cached, model, rng):
            apply(files[w.path], w)
        return files


def survivors(cached: list[Write], model: str, rng: np.random.Generator) -> Iterator[Write]:
    if model == "none" or not cached:
        return
    if model == "prefix":
        cut = int(rng.integers(len(cached)))
        yield from cached[:cut]
        last = cached[cut]
        torn = last.data[: int(rng.integers(len(last.data) + 1))]
        yield Write(last.kind, last.path, last.offset, torn)
        return
    for w in cached:
        if w.kind == "t":
            if rng.random() < 0.5:
                yield w
            continue
        at = w.offset
        while at < w.offset + len(w.data):
            end = min((at // PAGE + 1) * PAGE, w.offset + len(w.data))
            if rng.random() < 0.5:
                yield Write("w", w.path, at, w.data[at - w.offset : end - w.offset])
            at = end


def apply(content: bytearray, write: Write) -> None:
    if write.kind == "t":
        if len(content) > write.offset:
            del content[write.offset :]
        return
    end = write.offset + len(write.data)
    if len(content) < end:
        content.extend(bytes(end - len(content)))
    content[write.offset : end] = write.data


def recorded(tmp_path: Path, **more: str) -> list[Write]:
    shim = tmp_path / "shim.so"
    source = Path(__file__).with_name("power_cut_shim.c")
    subprocess.run(["cc", "-shared", "-fPIC", "-O1", "-o", shim, source, "-ldl"], check=True)
    folder = tmp_path / "watched"
    folder.mkdir()
    log = tmp_path / "writes.log"
    env = {"LD_PRELOAD": str(shim), "SHIM_FOLDER": str(folder), "SHIM_LOG": str(log), **more}
    subprocess.run([sys.executable, __file__, str(folder)], check=True, env={**os.environ, **env})
    return list(read_log(log))


def faults(tmp_path: Path, log: list[Write], model: str, cuts: int) -> tuple[int, int, int, int]:
    """(acknowledged, lost, doubled, unreadable) summed over the cuts."""
    rng = np.random.default_rng(len(model))
    points = set(rng.integers(len(log) // 50, len(log), cuts).tolist())
    disk, told = Disk(), ""
    acknowledged = lost = doubled = unreadable = 0
    for number, write in enumerate(log):
        if write.path.endswith("/told"):
            told += write.data.decode()
        elif not write.path.endswith(("-shm", "owner.db")):
            disk.take(write)
        if number not in points:
            continue
        image = tmp_path / f"{model}-{number}"
        image.mkdir()
        for path, content in disk.after_cut(model, rng).items():
            (image / Path(path).name).write_bytes(content)
        taken = {tuple(line.split()) for line in told.splitlines()}
        found, damaged = contents(image)
        acknowledged += len(taken)
        lost += len(taken - set(found))
        doubled += sum(n > 1 for n in found.values())
        unreadable += damaged
    return acknowledged, lost, doubled, unreadable


def contents(image: Path) -> tuple[Counter[tuple[str, ...]], int]:
    store = EmbeddedStore(image, keep=KEEP)
    found: Counter[tuple[str, ...]] = Counter()
    for pump in range(PUMPS):
        for m in store.messages("fern", f"p{pump}", T0_S, T0_S + BATCHES):
            found[m.pump, str(m.seq)] += 1
    damaged = len(store.verify())
    store.close()
    return found, damaged


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> list[Write]:
    return recorded(tmp_path_factory.mktemp("power"))


@pytest.mark.parametrize("model", ["none", "random", "prefix"])
def test_a_power_cut_loses_and_doubles_nothing(
    log: list[Write], tmp_path: Path, model: str
) -> None:
    acknowledged, lost, doubled, unreadable = faults(tmp_path, log, model, CUTS)
    print(  # noqa: T201 - the figures are the point
        f"\n{CUTS} cuts, model {model}: {acknowledged} acknowledged, {lost} lost, "
        f"{doubled} doubled, {unreadable} unreadable"
    )
    assert acknowledged > 1000
    assert (lost, doubled, unreadable) == (0, 0, 0)


def test_with_fewer_syncs_this_very_test_fails(tmp_path: Path) -> None:
    weak = recorded(tmp_path, SHIM_NORMAL="1")
    _, lost, _, _ = faults(tmp_path, weak, "none", 10)
    assert lost > 0


if __name__ == "__main__":
    work(Path(sys.argv[1]))
