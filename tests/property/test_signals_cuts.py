"""Results do not depend on how samples were cut into messages; broken input is survived."""

import itertools

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from pace import examples

from monitor.signals.scales import Scales
from monitor.signals.segment import Segmenter
from monitor.signals.types import Block, Episode
from monitor.units import PA_PER_PSI

T0 = 1_750_000_000.0
STALL = 58.0 * PA_PER_PSI


def trace(seed: int, rate_hz: float, duration_s: int = 240) -> Block:
    """A pump at rest with a few draws: dips of 15 psi at even strokes, noise, some failed reads."""
    rng = np.random.default_rng(seed)
    n = int(duration_s * rate_hz)
    ts = np.arange(n) / rate_hz
    p = STALL + rng.normal(0, 0.1 * PA_PER_PSI, n)
    strokes: list[float] = []
    at = 15.0
    while at < duration_s - 30:
        length = rng.uniform(3, 25)
        f = rng.uniform(0.15, 2.0)
        s = np.arange(at + 0.3, at + length, 1 / f)
        inside = (ts >= at) & (ts < at + length)
        p[inside] -= 2.5 * PA_PER_PSI
        for one in s:
            p[(ts >= one) & (ts < one + 0.15)] -= 15 * PA_PER_PSI
        strokes.extend(s.tolist())
        at += length + rng.uniform(8, 60)
    p[rng.random(n) < 0.005] = np.nan
    return Block(T0 + float(rng.uniform(0, 1)), 1 / rate_hz, p, T0 + 1.0 + np.array(strokes))


def cut(block: Block, edges: list[int]) -> list[Block]:
    """The block in pieces at these sample indices."""
    out = []
    bounds = [0, *edges, len(block.pressure_pa)]
    for lo, hi in itertools.pairwise(bounds):
        start = block.t0_ts + lo * block.dt_s
        end = block.t0_ts + hi * block.dt_s
        s = block.stroke_ts
        out.append(Block(start, block.dt_s, block.pressure_pa[lo:hi], s[(s >= start) & (s < end)]))
    return out


def run(blocks: list[Block]) -> list[Episode]:
    seg = Segmenter("p", Scales())
    out = [e for b in blocks for e in seg.push(b)]
    return out + seg.finish()


def same(a: list[Episode], b: list[Episode]) -> None:
    assert [(e.what, e.start_ts, e.end_ts, e.open_, e.strokes) for e in a] == [
        (e.what, e.start_ts, e.end_ts, e.open_, e.strokes) for e in b
    ]
    for x, y in zip(a, b, strict=True):
        assert x.features.keys() == y.features.keys()
        for name, value in x.features.items():
            other = y.features[name]
            if value is None or other is None:
                assert value is other, name
            else:
                assert np.isclose(value, other, rtol=1e-4, atol=0.1), name


@settings(max_examples=examples(25), deadline=None)
@given(st.integers(0, 10_000), st.sampled_from([10.0, 20.0, 50.0]), st.data())
def test_the_cut_of_messages_changes_nothing(
    seed: int, rate_hz: float, data: st.DataObject
) -> None:
    block = trace(seed, rate_hz)
    n = len(block.pressure_pa)
    edges = sorted(data.draw(st.sets(st.integers(1, n - 1), max_size=30)))
    same(run([block]), run(cut(block, edges)))


def test_one_message_a_second_equals_one_block() -> None:
    block = trace(3, 20.0)
    whole = run([block])
    assert sum(e.what == "draw" for e in whole) >= 3
    same(whole, run(cut(block, list(range(20, len(block.pressure_pa), 20)))))


@settings(max_examples=examples(25), deadline=None)
@given(st.integers(0, 1000), st.lists(st.integers(0, 239), min_size=5, max_size=60))
def test_duplicates_gaps_and_backward_time_are_survived(seed: int, order: list[int]) -> None:
    pieces = cut(trace(seed, 20.0), list(range(20, 4800, 20)))
    seg = Segmenter("p", Scales())
    for k in order:
        seg.push(pieces[k])
    later = trace(seed + 1, 20.0)
    moved = Block(later.t0_ts + 10_000, later.dt_s, later.pressure_pa, later.stroke_ts + 10_000)
    found = seg.push(moved) + seg.finish()
    assert any(e.what == "draw" and not e.open_ for e in found)


def test_a_clock_set_back_for_good_is_followed() -> None:
    pieces = cut(trace(5, 20.0), list(range(20, 4800, 20)))
    seg = Segmenter("p", Scales())
    ahead = Block(T0 + 1e6, 0.05, np.full(20, STALL), np.empty(0))
    seg.push(ahead)
    found = [e for b in pieces for e in seg.push(b)]
    assert any(e.what == "draw" and not e.open_ for e in found)
    assert seg.joiner.dropped > 0


def test_a_hole_in_a_draw_ends_it_with_its_trace() -> None:
    block = trace(3, 20.0)
    first = next(e for e in run([block]) if e.what == "draw" and e.strokes >= 2)
    stop = int((first.start_ts + 4.0 - block.t0_ts) / block.dt_s)
    seg = Segmenter("p", Scales())
    found = [e for b in cut(block, [stop])[:1] for e in seg.push(b)]
    quiet = Block(block.t0_ts + 4000.0, 0.05, np.full(20 * 3600, STALL), np.empty(0))
    found += seg.push(quiet)
    ended = next(e for e in found if e.features.get("cut") == 1.0)
    assert ended.features["null_share"] is not None
    assert ended.features["null_share"] < 0.1
    assert ended.features["low_pa"] is not None
