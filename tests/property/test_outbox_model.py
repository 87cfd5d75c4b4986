"""The outbox against a list, under random add, send, receipt, flush, crash and full quota."""

import shutil
import tempfile
from pathlib import Path

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule
from pace import examples

from edge.outbox import Bounds, Outbox

MAX_SENT = 6
MAX_AGE_S = 50.0
ROW = 160
SIZE = 100
MAX_BYTES = 24 * (ROW + SIZE)
START_US = 1_764_000_000_000_000


class OutboxMachine(RuleBasedStateMachine):
    """The model: letters as (pump, seq, t0_us, sent); durable = what a crash goes back to."""

    def __init__(self) -> None:
        super().__init__()
        self.folder = Path(tempfile.mkdtemp(prefix="outbox"))
        self.box = self.open()
        self.letters: list[tuple[str, int, int, bool]] = []
        self.ids: dict[tuple[str, int], int] = {}
        self.acked: set[tuple[str, int]] = set()
        self.dropped = 0
        self.now_us = START_US
        self.seq = {"a": 0, "b": 0}

    def open(self) -> Outbox:
        return Outbox(self.folder / "outbox.db", Bounds(MAX_BYTES, MAX_AGE_S, MAX_SENT))

    def commit(self, *, aged: bool = True) -> None:
        """What the outbox does at each commit: receipts, then the three bounds."""
        self.letters = [(p, s, t, sent or (p, s) in self.acked) for p, s, t, sent in self.letters]
        self.acked.clear()
        self.drop(lambda letter: letter[3], sum(x[3] for x in self.letters) - MAX_SENT)
        if aged:
            old_us = self.now_us - round(MAX_AGE_S * 1e6)
            old = [x for x in self.letters if x[2] < old_us]
            self.dropped += sum(not x[3] for x in old)
            self.letters = [x for x in self.letters if x[2] >= old_us]
        for sent in (True, False):
            self.drop(lambda letter, sent=sent: letter[3] is sent, len(self.letters) - 24)

    def drop(self, which, count: int) -> None:  # type: ignore[no-untyped-def]
        for letter in [x for x in self.letters if which(x)][: max(0, count)]:
            self.letters.remove(letter)
            self.dropped += not letter[3]

    @rule(pumps=st.lists(st.sampled_from("ab"), min_size=1, max_size=8), clock_ok=st.booleans())
    def add(self, *, pumps: list[str], clock_ok: bool) -> None:
        batch = []
        for pump in pumps:
            self.now_us += 1_000_000
            batch.append((pump, 7, self.seq[pump], self.now_us, bytes(SIZE)))
            self.letters.append((pump, self.seq[pump], self.now_us, False))
            self.seq[pump] += 1
        self.box.add(batch, self.now_us if clock_ok else None)
        self.commit(aged=clock_ok)

    @rule(seconds=st.integers(1, 40))
    def time_passes(self, seconds: int) -> None:
        self.now_us += seconds * 1_000_000

    @rule(limit=st.integers(1, 10), newest=st.booleans())
    def send(self, *, limit: int, newest: bool) -> None:
        got = self.box.unsent(limit, "newest first" if newest else "in order")
        want = [x[:3] for x in self.letters if not x[3] and x[:2] not in self.acked]
        want = (want[::-1] if newest else want)[:limit]
        assert [(x.pump, x.seq, x.t0_us) for x in got] == want
        self.ids |= {(x.pump, x.seq): x.id for x in got}

    @precondition(lambda self: self.ids)
    @rule(data=st.data())
    def receipt(self, data: st.DataObject) -> None:
        key = data.draw(st.sampled_from(sorted(self.ids)))
        self.box.ack([self.ids[key]])
        if any(x[:2] == key and not x[3] for x in self.letters):
            self.acked.add(key)

    @rule()
    def flush(self) -> None:
        self.box.flush(self.now_us)
        if self.acked:
            self.commit()
        assert self.box.kept == sum(x[3] for x in self.letters)

    @rule()
    def crash(self) -> None:
        """A kill: the connection goes without a word, receipts not yet durable are forgotten."""
        copy = self.folder / "copy"
        copy.mkdir()
        for file in self.folder.glob("outbox.db*"):
            shutil.copy(file, copy)
        self.box._db.close()
        for file in copy.iterdir():
            shutil.move(file, self.folder / file.name)
        copy.rmdir()
        self.acked.clear()
        self.box = self.open()

    @rule(first=st.integers(0, 30), count=st.integers(1, 10))
    def find(self, first: int, count: int) -> None:
        got = self.box.find("a", 7, first, first + count - 1, 100)
        want = [x[1] for x in self.letters if x[0] == "a" and first <= x[1] < first + count]
        assert [x.seq for x in got] == want
        assert self.box.find("a", 8, first, first + count - 1, 100) == []

    @invariant()
    def counts_agree(self) -> None:
        assert self.box.dropped == self.dropped
        assert self.box.waiting == sum(not x[3] and x[:2] not in self.acked for x in self.letters)
        assert self.box.size_bytes == len(self.letters) * (ROW + SIZE) <= MAX_BYTES

    def teardown(self) -> None:
        self.box.close(self.now_us)
        shutil.rmtree(self.folder)


TestOutbox = OutboxMachine.TestCase
TestOutbox.settings = settings(max_examples=examples(40), stateful_step_count=40, deadline=None)
