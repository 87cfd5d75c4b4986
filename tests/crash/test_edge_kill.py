"""kill -9 of the node twenty times in mid-stream, and of its broker: nothing lost or doubled."""

import sqlite3
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from edge_kit import Listener, Mosquitto, edge_process, until

from edge.link import WINDOW
from monitor.wire import decode

KILLS = 20
NODE = """
[node]
site = "pine-hollow"
id = "wall-1"
data_dir = "data"
[broker]
url = "mqtt://127.0.0.1:{port}"
[outbox]
back_fill_per_s = 2000
[{kind}]
file = "{file}"
{more}
"""


def committed(folder: Path) -> set[tuple[str, int, int]]:
    """(pump, boot, seq) of all that lies in the outbox of a node that is not running."""
    db = sqlite3.connect(folder / "data" / "outbox.db")
    try:
        return set(db.execute("SELECT pump, boot, seq FROM message"))
    finally:
        db.close()


def waiting(folder: Path) -> int:
    db = sqlite3.connect(folder / "data" / "outbox.db")
    try:
        return int(db.execute("SELECT count(*) FROM message WHERE sent = 0").fetchone()[0])
    finally:
        db.close()


class Boots:
    """How many messages of each boot a listener has got, counted as they come."""

    def __init__(self, listener: Listener) -> None:
        self._listener = listener
        self._looked_at = 0
        self.count: Counter[int] = Counter()

    def new(self, lives: int, least: int) -> bool:
        """the newest life of the node has sent enough"""
        fresh = self._listener.got[self._looked_at :]
        self._looked_at += len(fresh)
        self.count.update(decode(t, p).boot for t, p, _ in fresh if t.endswith("/data"))
        return len(self.count) > lives and list(self.count.values())[-1] >= least


@pytest.fixture
def broker(mosquitto_program: str, tmp_path: Path) -> Iterator[Mosquitto]:
    one = Mosquitto(mosquitto_program, tmp_path).start()
    yield one
    one.kill()


def identities(listener: Listener) -> Counter[tuple[str, int, int]]:
    found = (decode(t, p) for t, p, _ in listener.got if t.endswith("/data"))
    return Counter((m.pump, m.boot, m.seq) for m in found)


@pytest.mark.broker
@pytest.mark.crash
@pytest.mark.slow
def test_twenty_kills_lose_nothing(broker: Mosquitto, tmp_path: Path) -> None:
    """What was committed to the outbox before a kill reaches the listener after it; whatever
    comes twice (a receipt died with the node) has the same identity, so intake drops it."""
    (tmp_path / "site.toml").write_text(
        'site = "pine-hollow"\npattern = "demo"\n[[pump]]\nid = "foam"\n[[pump]]\nid = "wax"\n'
    )
    more = 'speed = 50\nstart = "2026-05-01T08:00:00Z"'
    text = NODE.format(port=broker.port, kind="virtual", file="site.toml", more=more)
    (tmp_path / "node.toml").write_text(text)
    listener = Listener(broker.port).start()
    moment = np.random.default_rng(20)
    kept: set[tuple[str, int, int]] = set()
    boots = Boots(listener)
    for life in range(KILLS):
        process = edge_process("run", str(tmp_path / "node.toml"))
        least = int(moment.integers(1, 120))
        until(lambda: boots.new(life, least))  # noqa: B023  # used at once
        process.kill()
        process.communicate()
        kept |= committed(tmp_path)
    until_sent(tmp_path)
    until(lambda: kept <= set(identities(listener)))
    arrived = identities(listener)
    by_boot: dict[tuple[str, int], list[int]] = {}
    for pump, boot, seq in arrived:
        by_boot.setdefault((pump, boot), []).append(seq)
    assert len({boot for _, boot in by_boot}) == KILLS + 1
    assert all(sorted(seqs) == list(range(len(seqs))) for seqs in by_boot.values()), "no holes"
    twice = sum(count - 1 for count in arrived.values())
    assert twice < KILLS * WINDOW, "only receipts under way at a kill may cause a second copy"
    listener.stop()


def until_sent(folder: Path) -> None:
    """A last run on an empty recording's end: it stops by itself once the outbox is empty."""
    rows = [f"{1_764_000_000 + i},foam,1" for i in range(3)]
    (folder / "end.csv").write_text("\n".join(["time,pump,pressure_pa", *rows]) + "\n")
    text = (folder / "node.toml").read_text()
    head = text[: text.index("[virtual]")]
    (folder / "last.toml").write_text(head + '[replay]\nfile = "end.csv"\npumps = ["foam"]\n')
    process = edge_process("run", str(folder / "last.toml"))
    out, err = process.communicate(timeout=60)
    assert process.returncode == 0, (out, err)
    assert waiting(folder) == 0


@pytest.mark.broker
@pytest.mark.crash
@pytest.mark.slow
def test_a_broker_killed_again_and_again_gets_everything_in_the_end(
    broker: Mosquitto, tmp_path: Path
) -> None:
    """A letter whose receipt came is the broker's; without a session on disk it may die with it.
    So here each life of the broker has a listener, and what was receipted in no life is a loss."""
    rows = [f"{1_764_000_000 + i / 10:.1f},foam,{i % 100}" for i in range(6000)]
    (tmp_path / "tape.csv").write_text("\n".join(["time,pump,pressure_pa", *rows]) + "\n")
    more = 'pumps = ["foam"]\nspeed = 60'
    text = NODE.format(port=broker.port, kind="replay", file="tape.csv", more=more)
    (tmp_path / "node.toml").write_text(text)
    process = edge_process("run", str(tmp_path / "node.toml"))
    arrived: Counter[tuple[str, int, int]] = Counter()
    lives = 0
    while process.poll() is None:
        listener = Listener(broker.port, name=f"life-{lives}").start()
        enough = 60 + 20 * lives
        until(lambda: len(listener.got) >= enough or process.poll() is not None, 60)  # noqa: B023  # used at once
        if lives < 5:
            broker.kill()
        arrived += identities(listener)
        listener.stop()
        if lives < 5:
            broker.start()
        lives += 1
    _, err = process.communicate()
    assert process.returncode == 0, err
    seqs = {seq for _, _, seq in arrived}
    missing = set(range(max(seqs) + 1)) - seqs
    assert lives >= 5
    assert len(missing) <= 5 * 100, "at most a window of letters a life, which `wanted` brings back"
    assert waiting(tmp_path) == 0
