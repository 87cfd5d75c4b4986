"""The node's reading side: time, faults in words, what the outbox cannot take."""

import threading
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

from edge.errors import OutboxError
from edge.node import HELD_BEFORE_CLOCK, Clocks, Inputs, Node, Reader
from edge.outbox import Bounds, Outbox
from edge.settings import Node as Settings
from edge.sources.source import Reading
from monitor.wire import data_topic, decode

WALL_S = 1_764_000_000.0
SETTINGS = Settings(site="pine-hollow", id="wall-1", publish_hz=20)


class Steady:
    """A source of one pump at 20 a second whose grid is the steady clock."""

    def __init__(self) -> None:
        self.next_us = 0
        self.faults: tuple[str, ...] = ()
        self.failed = 0

    def read(self, now_us: int) -> dict[str, Reading]:
        count = max(0, (now_us - self.next_us) // 50_000)
        out = Reading(
            t0_us=self.next_us,
            step_us=50_000,
            pressure_pa=np.full(count, 4e5),
            failed_reads=self.failed,
            faults=self.faults,
        )
        self.next_us += count * 50_000
        return {"foam": out, "not-ours": out}


class Bench:
    """A reader on clocks that the test sets."""

    def __init__(self, wall_s: float = WALL_S) -> None:
        self.wall_s, self.steady_s, self.synced = wall_s, 0.0, True
        self.clocks = Clocks(lambda: self.wall_s, lambda: self.steady_s, lambda: self.synced)
        self.source = Steady()
        self.inputs = Inputs({"fake": self.source}, ("foam",))
        self.reader = Reader(SETTINGS, self.inputs, 7, self.clocks)
        self.reader.look_at_clock(0)

    def pass_s(self, seconds: float) -> list[tuple[int, float, bool]]:
        """(seq, start in s of wall time from WALL_S, clock ok) of the messages then complete."""
        self.steady_s += seconds
        self.wall_s += seconds
        at_us = round(self.steady_s * 1e6)
        self.reader.look_at_clock(at_us)
        return [(m.seq, m.t0_us / 1e6 - WALL_S, m.clock_ok) for m in self.reader.read(at_us)]


def test_messages_get_wall_time() -> None:
    bench = Bench()
    assert bench.pass_s(2.0) == [(0, 0.0, True), (1, 1.0, True)]
    assert bench.pass_s(0.5) == []
    assert bench.pass_s(0.5) == [(2, 2.0, True)]


@pytest.mark.parametrize("jump_s", [3600.0, -3600.0])
def test_a_clock_jump_moves_times_and_neither_loses_nor_repeats(jump_s: float) -> None:
    bench = Bench()
    seen = bench.pass_s(3.0)
    bench.wall_s += jump_s
    seen += bench.pass_s(3.0)
    assert [seq for seq, _, _ in seen] == list(range(6))
    assert seen[-1][1] == pytest.approx(5.0 + jump_s, abs=0.001)
    assert bench.reader.timebase.steps == 1


def test_a_free_running_clock_is_said_in_each_message() -> None:
    bench = Bench()
    bench.synced = False
    assert bench.pass_s(1.0) == [(0, 0.0, False)]


def test_until_the_clock_is_set_messages_wait_in_memory_and_then_get_true_times() -> None:
    bench = Bench(wall_s=100.0)
    assert bench.pass_s(5.0) == []
    bench.wall_s = WALL_S + 5.0
    assert [(seq, round(t, 3)) for seq, t, _ in bench.pass_s(1.0)] == [
        (i, float(i)) for i in range(6)
    ]


def test_what_waits_for_the_clock_is_bounded_and_what_goes_is_counted() -> None:
    bench = Bench(wall_s=100.0)
    bench.pass_s(HELD_BEFORE_CLOCK + 10.0)
    assert bench.reader.dropped == 10


def test_a_fault_is_said_once_when_it_comes_and_once_when_it_goes(
    caplog: pytest.LogCaptureFixture,
) -> None:
    caplog.set_level("INFO")
    bench = Bench()
    bench.source.faults, bench.source.failed = ("pressure: broken wire",), 2
    for _ in range(4):
        bench.pass_s(1.0)
    assert bench.reader.faults == ("foam fake: pressure: broken wire",)
    bench.source.faults = ()
    bench.pass_s(1.0)
    bench.pass_s(1.0)
    said = [r.getMessage().split(" what=")[0] for r in caplog.records if "pump=foam" in r.message]
    assert said == [
        "sensor fault pump=foam source=fake",
        "sensor well pump=foam source=fake",
    ]
    assert bench.reader.faults == ()
    assert bench.reader.failed_reads == 2 * 12, "of both pumps that the source tells of"


def node_of(bench: Bench, folder: Path) -> tuple[Node, Outbox]:
    outbox = Outbox(folder / "outbox.db", Bounds(10**9, 1e9, 100))
    return Node(SETTINGS, bench.inputs, outbox, clocks=bench.clocks), outbox


def test_messages_are_in_the_outbox_as_the_wire_wants_them(tmp_path: Path) -> None:
    bench = Bench()
    node, outbox = node_of(bench, tmp_path)
    bench.steady_s = 2.0
    node.reader.look_at_clock(0)
    node.keep(2_000_000)
    letters = outbox.unsent(10)
    assert [letter.seq for letter in letters] == [0, 1]
    message = decode(data_topic("pine-hollow", "foam"), letters[0].payload)
    assert (message.boot, len(message.samples)) == (node.boot, 20)
    assert message.pressure_pa() == pytest.approx(np.full(20, 4e5), abs=25)
    assert node.status().waiting_messages == 2


def test_a_full_disk_keeps_messages_in_memory_until_it_is_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    bench = Bench()
    node, outbox = node_of(bench, tmp_path)
    node.reader.look_at_clock(0)

    def full(*_: object) -> None:
        raise OutboxError("disk full")

    with monkeypatch.context() as patch:
        patch.setattr(outbox, "add", full)
        node.keep(3_000_000)
        assert outbox.waiting == 0
    assert "disk full" in caplog.text
    node.keep(4_000_000)
    assert [letter.seq for letter in outbox.unsent(10)] == [0, 1, 2, 3]


def test_a_source_with_its_own_time_waits_while_the_outbox_is_full(tmp_path: Path) -> None:
    bench = Bench()
    bench.inputs = Inputs(bench.inputs.sources, ("foam",), own_time=True)
    node, _ = node_of(bench, tmp_path)
    node._outbox = SimpleNamespace(waiting=10_000)  # type: ignore[assignment]  # only asked for that
    node.keep(1_000_000)
    assert bench.source.next_us == 0


def test_two_nodes_cannot_share_an_outbox(tmp_path: Path) -> None:
    first = Outbox(tmp_path / "outbox.db", Bounds(10**9, 1e9, 100))
    failed: list[OutboxError] = []

    def second() -> None:
        try:
            Outbox(tmp_path / "outbox.db", Bounds(10**9, 1e9, 100))
        except OutboxError as problem:
            failed.append(problem)

    thread = threading.Thread(target=second)
    thread.start()
    thread.join()
    assert "no other" in str(failed[0])
    first.close(None)
