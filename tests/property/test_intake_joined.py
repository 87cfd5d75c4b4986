"""A backlog in few blocks against the same messages one by one: the same samples and strokes."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from pace import examples

from monitor.intake.blocks import StreamAssembler, in_blocks
from monitor.signals.types import Block
from monitor.site import Sensors
from monitor.wire import NULL_COUNT, Message

T0_US = 1_750_000_000_000_000
STEPS = st.sampled_from(["follows", "follows", "follows", "skips", "late", "boots", "empty"])


@st.composite
def streams(draw: st.DrawFn) -> list[Message]:
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    boot, seq, t_us, total = 1, 0, T0_US, 100
    out: list[Message] = []
    for step in draw(st.lists(STEPS, min_size=1, max_size=30)):
        seq += 1
        if step == "skips":
            seq, t_us = seq + 2, t_us + int(rng.integers(1, 4)) * 1_000_000
        elif step == "boots":
            boot, seq, total = boot + 1, 0, int(rng.integers(0, 50))
        start_us = t_us - 5_000_000 if step == "late" else t_us + int(rng.integers(-900, 900))
        n = 0 if step == "empty" else 20
        floats = rng.random() < 0.1
        counts = rng.integers(1500, 1600, n).astype(np.int16)
        counts[rng.random(n) < 0.05] = NULL_COUNT
        k = int(rng.integers(0, 3))
        at = np.sort(rng.integers(start_us, start_us + 1_000_000, k))
        demand = rng.random() < 0.5
        out.append(
            Message(
                "fern", "p1", boot, seq, start_us, 50_000,
                rng.normal(4e5, 1e3, n) if floats else counts,
                1.0 if floats else float(rng.choice([244.0, 250.0], p=[0.9, 0.1])),
                0.0 if floats else -100.0,
                np.append(at, start_us + 1_000_000),
                np.append(total + np.arange(1, k + 1), total + k),
                np.array([start_us]) if demand else None,
                np.array([bool(k)]) if demand else None,
                4e5 if rng.random() < 0.3 else None,
            )
        )  # fmt: skip
        total += k
        if step != "late":
            t_us += 1_000_000
    return out


def whole(blocks: list[Block], name: str) -> list[float]:
    parts = [(b, getattr(b, name)) for b in blocks]
    full = [np.full(len(b.pressure_pa), -1.0) if x is None else x for b, x in parts]
    return [] if not full else np.nan_to_num(np.concatenate(full), nan=-2.0).tolist()


@given(streams(), st.booleans())
@settings(max_examples=examples(150), deadline=None)
def test_joined_or_one_by_one(messages: list[Message], counter: bool) -> None:  # noqa: FBT001 - drawn
    one, many = (StreamAssembler(Sensors(counter=counter)) for _ in range(2))
    single = [b for m in messages if (b := one.push(m)) is not None]
    joined = [b for _, b in in_blocks(messages, lambda _pump: many)]
    assert len(joined) <= len(single)
    for name in ("pressure_pa", "demand", "air_pa"):
        assert whole(joined, name) == whole(single, name)
    assert (one.late, one.restarts, one.unseen_strokes) == (
        many.late, many.restarts, many.unseen_strokes,
    )  # fmt: skip
    told, known = whole(joined, "stroke_ts"), whole(single, "stroke_ts")
    # Those on a block's border are clipped into it.
    np.testing.assert_allclose(told, known, rtol=0, atol=0.03)
    for block in joined:
        own = block.stroke_ts
        assert ((own >= block.t0_ts - 1e-3) & (own < block.end_ts)).all()


def test_seconds_that_follow_become_one_block_and_a_new_scale_no_other() -> None:
    made = [
        Message("fern", "p1", 1, k, T0_US + k * 1_000_000, 50_000, np.full(20, 1600, np.int16), s)
        for k, s in enumerate((244.0, 244.0, 250.0))
    ]
    (block,) = StreamAssembler().push_all(made)
    assert len(block.pressure_pa) == 60
    assert block.pressure_pa[0] == 1600 * 244.0
    assert block.pressure_pa[-1] == 1600 * 250.0


def test_pumps_stay_apart() -> None:
    made = [
        Message("fern", p, 1, k, T0_US + k * 1_000_000, 50_000, np.full(20, 1600, np.int16), 244.0)
        for p in ("p1", "p2")
        for k in range(3)
    ]
    streams = {"p1": StreamAssembler(), "p2": StreamAssembler()}
    assert [(p, len(b.pressure_pa)) for p, b in in_blocks(made, streams.__getitem__)] == [
        ("p1", 60),
        ("p2", 60),
    ]
