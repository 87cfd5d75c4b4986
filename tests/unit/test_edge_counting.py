"""Totals only grow, whatever the counter behind them does."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edge.counting import Growing, LockOut


@pytest.mark.parametrize("bits", [8, 16, 32])
@given(steps=st.lists(st.integers(0, 60), max_size=60), start=st.integers(0, 2**32))
def test_wraps_lose_nothing(bits: int, steps: list[int], start: int) -> None:
    growing, raw = Growing(bits), start % (1 << bits)
    growing.feed(raw)
    for step in steps:
        raw = (raw + step) % (1 << bits)
        growing.feed(raw)
    assert (growing.total, growing.restarts) == (sum(steps), 0)


def test_a_restart_counts_what_came_since() -> None:
    growing = Growing(32)
    for reading in (1000, 1010, 3, 5):
        growing.feed(reading)
    assert (growing.total, growing.restarts) == (15, 1)


def test_bounce_is_locked_out_and_counted() -> None:
    lock_out = LockOut()
    edges = [0.0, 0.001, 0.0149, 0.060, 0.061, 0.120]
    assert [lock_out.passes(t) for t in edges] == [True, False, False, True, False, True]
    assert lock_out.bounces == 3
