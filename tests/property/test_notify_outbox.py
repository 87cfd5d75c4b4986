"""The outbox against a plain model, under any order of adding, trying, failing and restarting."""

import shutil
import tempfile
from pathlib import Path

from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import Bundle, RuleBasedStateMachine, invariant, rule
from pace import examples

from monitor.notify.message import merged
from monitor.notify.outbox import LONGEST_WAIT_S, SCHEMA, Message, Outbox, wait_s
from monitor.store.core import Core

CHANNELS = ("mail", "hook")


class OutboxModel(RuleBasedStateMachine):
    keys = Bundle("keys")

    def __init__(self):
        super().__init__()
        self.folder = Path(tempfile.mkdtemp())
        self.open()
        self.now = 1000.0
        self.waiting = {channel: set() for channel in CHANNELS}
        self.delivered = {channel: [] for channel in CHANNELS}

    def open(self):
        self.core = Core(self.folder, [SCHEMA])
        self.outbox = Outbox(self.core, merged)

    def teardown(self):
        self.core.close()
        shutil.rmtree(self.folder)

    @rule(target=keys, number=st.integers(0, 30), channel=st.sampled_from(CHANNELS))
    def add(self, number, channel):
        key = f"{number}:{channel}"
        message = Message(key, "harbour", channel, "operator", "raised", f"S{number}", "t", "<b>")
        new = key not in self.waiting[channel] and key not in self.delivered[channel]
        assert self.outbox.add([message], self.now) == int(new)
        if new:
            self.waiting[channel].add(key)
        return key

    @rule(step=st.sampled_from((1.0, 31.0, 600.0, LONGEST_WAIT_S)))
    def wait(self, step):
        self.now += step

    @rule(channel=st.sampled_from(CHANNELS), works=st.booleans())
    def attempt(self, channel, works):
        if ("harbour", channel) not in self.outbox.ready(self.now):
            return
        parcel = self.outbox.take("harbour", channel, self.now)
        rows = self.core.rows(
            f"SELECT key FROM notify_outbox WHERE id IN ({','.join(map(str, parcel.ids))})"  # noqa: S608 - our own numbers
        )
        keys = {key for (key,) in rows}
        assert keys <= self.waiting[channel]
        if works:
            self.outbox.sent(parcel, self.now)
            self.waiting[channel] -= keys
            self.delivered[channel] += sorted(keys)
        else:
            self.outbox.failed(parcel, "no answer", self.now)

    @rule()
    def crash_and_start_again(self):
        self.core.close()
        self.open()

    @invariant()
    def nothing_is_lost_and_nothing_sent_twice(self):
        rows = self.core.rows("SELECT key, channel FROM notify_outbox WHERE sent_ts IS NULL")
        for channel in CHANNELS:
            assert {k for k, c in rows if c == channel} == self.waiting[channel]
            assert len(set(self.delivered[channel])) == len(self.delivered[channel])

    @invariant()
    def whatever_waits_is_tried_again_within_the_longest_wait(self):
        ready = self.outbox.ready(self.now + LONGEST_WAIT_S)
        for channel in CHANNELS:
            assert (("harbour", channel) in ready) == bool(self.waiting[channel])


OutboxModel.TestCase.settings = settings(
    max_examples=examples(10), stateful_step_count=20, deadline=None
)
TestOutboxModel = OutboxModel.TestCase


def test_a_clock_that_ran_ahead_strands_nothing(tmp_path):
    core = Core(tmp_path, [SCHEMA])
    outbox = Outbox(core, merged)
    message = Message("k", "harbour", "mail", "operator", "raised", "S", "t", "<b>")
    outbox.add([message], 4e9)
    outbox.failed(outbox.take("harbour", "mail", 4e9), "no answer", 4e9)
    assert outbox.ready(4e9 + 1) == []
    assert outbox.ready(1.8e9) == [("harbour", "mail")]
    assert outbox.take("harbour", "mail", 1.8e9).message == message
    core.close()


def test_waits_double_up_to_an_hour():
    waits = [wait_s(n) for n in range(1, 12)]
    assert waits[:4] == [30.0, 60.0, 120.0, 240.0]
    assert waits[-1] == LONGEST_WAIT_S == 3600.0
