"""Messages and recorded rows become blocks: counters, gaps, jitter, duplicates, backward time."""

from dataclasses import replace

import numpy as np
import pytest

from monitor.intake.blocks import StreamAssembler
from monitor.intake.counter import increments, stroke_times
from monitor.intake.grid import Gridder, Rows, cut
from monitor.signals.types import Block
from monitor.site import Sensors
from monitor.wire import Message

T0_US = 1_750_000_000_000_000


def message(seq: int, totals: list[tuple[float, int]], *, boot: int = 1, **more: object) -> Message:
    t0 = T0_US + seq * 1_000_000
    return Message(
        "fern",
        "a",
        boot,
        seq,
        t0,
        50_000,
        np.full(20, 1000 + seq, np.int16),
        100.0,
        0.0,
        np.array([t0 + round(at * 1e6) for at, _ in totals], np.int64),
        np.array([total for _, total in totals], np.int64),
        **more,  # type: ignore[arg-type] # any optional field
    )


def test_strokes_are_differences_with_the_times_of_the_readings() -> None:
    stream = StreamAssembler()
    first = stream.push(message(0, [(0.2, 11), (1.0, 11)]))
    second = stream.push(message(1, [(0.3, 12), (0.7, 13), (1.0, 13)]))
    assert first is not None
    assert second is not None
    # The first reading ever tells nothing new: nobody knows what it was before.
    assert first.stroke_ts.tolist() == []
    np.testing.assert_allclose(second.stroke_ts - T0_US * 1e-6, [1.3, 1.7], atol=1e-6)


def test_a_message_that_is_missing_splits_and_its_strokes_are_not_invented() -> None:
    stream = StreamAssembler()
    blocks = stream.push_all(
        [message(0, [(1.0, 5)]), message(1, [(1.0, 5)]), message(3, [(0.5, 9), (1.0, 10)])]
    )
    assert [len(b.pressure_pa) for b in blocks] == [40, 20]
    assert len(blocks[1].stroke_ts) == 1
    assert stream.unseen_strokes == 4


def test_a_clock_that_jumps_ahead_invents_no_strokes() -> None:
    stream = StreamAssembler()
    stream.push(message(0, [(1.0, 5)]))
    ahead = 86_400_000_000
    one = message(1, [(0.5, 400_000), (1.0, 400_001)])
    moved = replace(one, t0_us=one.t0_us + ahead, stroke_t_us=one.stroke_t_us + ahead)
    block = stream.push(moved)
    assert block is not None
    assert len(block.stroke_ts) == 1


def test_contiguous_messages_become_one_block_like_the_blocks_one_by_one() -> None:
    messages = [message(i, [(0.4, i * 2 + 1), (1.0, i * 2 + 2)], air_pa=5.0) for i in range(50)]
    (whole,) = StreamAssembler().push_all(messages)
    stream = StreamAssembler()
    single = [stream.push(m) for m in messages]
    for name in ("pressure_pa", "stroke_ts", "air_pa"):
        joined = np.concatenate([getattr(b, name) for b in single])
        np.testing.assert_allclose(getattr(whole, name), joined, atol=1e-6)
    assert whole.end_ts == pytest.approx(T0_US * 1e-6 + 50)


def test_a_new_boot_starts_the_counter_again() -> None:
    stream = StreamAssembler()
    stream.push(message(5, [(1.0, 4000)]))
    block = stream.push(message(6, [(0.5, 1), (1.0, 2)], boot=2))
    assert block is not None
    assert len(block.stroke_ts) == 1


def test_a_late_message_is_counted_not_given() -> None:
    stream = StreamAssembler()
    assert stream.push(message(5, []))
    assert stream.push(message(4, [])) is None
    assert stream.late == 1
    assert stream.push(message(6, []))


def test_a_pulse_of_two_strokes_counts_two() -> None:
    stream = StreamAssembler(Sensors(strokes_per_pulse=2))
    stream.push(message(0, [(1.0, 5)]))
    block = stream.push(message(1, [(0.4, 6), (0.8, 7), (1.0, 7)]))
    assert block is not None
    np.testing.assert_allclose(block.stroke_ts - T0_US * 1e-6, [1.2, 1.4, 1.6, 1.8], atol=1e-6)


def test_no_counter_fitted_says_so() -> None:
    block = StreamAssembler(Sensors(counter=False)).push(message(0, [(0.5, 3), (1.0, 9)]))
    assert block is not None
    assert not block.counter_fitted
    assert len(block.stroke_ts) == 0


def test_demand_and_failed_reads_lie_on_the_samples() -> None:
    t0 = T0_US
    one = message(
        0,
        [],
        demand_t_us=np.array([t0, t0 + 500_000]),
        demand_on=np.array([False, True]),
    )
    one.samples[3] = -32768
    block = StreamAssembler().push(one)
    assert block is not None
    assert block.demand is not None
    assert block.demand.tolist() == [0.0] * 10 + [1.0] * 10
    assert np.flatnonzero(np.isnan(block.pressure_pa)).tolist() == [3]
    assert block.pressure_pa[0] == 100_000.0


@pytest.mark.parametrize(
    ("total", "elapsed", "new", "restarts"),
    [
        ([10, 11, 13], [1.0, 1.0], [1, 2], 0),
        ([65_534, 1], [1.0], [3], 0),  # 16-bit register
        ([2**32 - 1, 0], [1.0], [1], 0),  # 32-bit register
        ([500, 2], [1.0], [2], 1),  # power cut: counts from zero
        ([500, 400], [1.0], [0], 1),  # not possible from zero in a second
        ([0, 100_000], [1.0], [0], 1),  # not possible at all
    ],
)
def test_counters_wrap_and_restart(
    total: list[int], elapsed: list[float], new: list[int], restarts: int
) -> None:
    got, flags = increments(np.array(total), np.array(elapsed))
    assert got.tolist() == new
    assert flags.sum() == restarts


def test_strokes_inside_a_reading_are_spread() -> None:
    times = stroke_times(np.array([10.0, 20.0]), np.array([9.0, 10.0]), np.array([4, 2]))
    np.testing.assert_allclose(times, [9.25, 9.5, 9.75, 10.0, 19.0, 20.0])


def rows(ts: np.ndarray, strokes: np.ndarray | None = None) -> Rows:
    return Rows(ts, 1e5 + np.arange(len(ts), dtype=float), strokes, None, None)


def blocks(grid: Gridder, *parts: Rows) -> list[Block]:
    return [b for part in parts for b in grid.blocks(grid.forward(part))]


def test_even_rows_pass_untouched() -> None:
    ts = 1.75e9 + np.arange(1000) * 0.05
    (block,) = blocks(Gridder(), rows(ts, np.floor(np.arange(1000) / 100)))
    assert block.dt_s == pytest.approx(0.05, rel=1e-6)
    assert len(block.pressure_pa) == 1000
    np.testing.assert_allclose(block.stroke_ts, ts[100::100], atol=1e-5)


def test_jitter_and_a_slightly_wrong_rate_open_no_holes() -> None:
    rng = np.random.default_rng(1)
    ts = 1.75e9 + np.arange(20_000) * 0.05003 + rng.normal(0, 0.004, 20_000)
    (block,) = blocks(Gridder(), rows(np.sort(ts)))
    assert len(block.pressure_pa) == 20_000
    assert not np.isnan(block.pressure_pa).any()
    assert block.dt_s == pytest.approx(0.05003, rel=1e-4)


def test_single_missing_samples_are_nan_and_long_holes_split() -> None:
    ts = 1.75e9 + np.delete(np.arange(400), [50, 51, *range(200, 260)]) * 0.05
    grid = Gridder()
    first, second = blocks(grid, rows(ts))
    assert np.flatnonzero(np.isnan(first.pressure_pa)).tolist() == [50, 51]
    assert (len(first.pressure_pa), len(second.pressure_pa)) == (200, 140)
    assert second.t0_ts == pytest.approx(1.75e9 + 13.0)
    assert grid.tally.filled == 2


def test_uneven_times_are_put_on_a_grid() -> None:
    rng = np.random.default_rng(2)
    ts = 1.75e9 + np.cumsum(rng.uniform(0.01, 0.15, 5000))
    grid = Gridder()
    level = Rows(ts, np.sin((ts - ts[0]) / 20), None, None, None)
    (block,) = list(grid.blocks(grid.forward(level)))
    assert grid.tally.resampled == 5000
    even = block.t0_ts + np.arange(len(block.pressure_pa)) * block.dt_s
    np.testing.assert_allclose(block.pressure_pa, np.sin((even - ts[0]) / 20), atol=1e-3)


def test_duplicates_and_backward_rows_are_dropped_and_counted_across_pieces() -> None:
    ts = 1.75e9 + np.arange(100) * 0.05
    grid = Gridder()
    doubled = np.concatenate([ts[:50], ts[49:50], ts[20:30], ts[50:]])
    got = blocks(grid, rows(doubled[:55]), rows(doubled[55:]))
    assert sum(len(b.pressure_pa) for b in got) == 100
    assert (grid.tally.duplicates, grid.tally.backward) == (1, 10)


def test_counting_goes_on_from_piece_to_piece() -> None:
    ts = 1.75e9 + np.arange(1000) * 0.05
    strokes = np.floor(np.arange(1000) / 7.0)
    whole = blocks(Gridder(), rows(ts, strokes))
    grid = Gridder()
    parts = blocks(grid, *(rows(ts[i : i + 90], strokes[i : i + 90]) for i in range(0, 1000, 90)))
    np.testing.assert_allclose(
        np.concatenate([b.stroke_ts for b in parts]), whole[0].stroke_ts, atol=1e-4
    )


def test_blank_counter_readings_lose_no_stroke() -> None:
    ts = 1.75e9 + np.arange(200) * 0.05
    strokes = np.floor(np.arange(200) / 10.0)
    strokes[55:75] = np.nan
    (block,) = blocks(Gridder(), rows(ts, strokes))
    assert len(block.stroke_ts) == 19


def test_cut_keeps_every_sample_and_stroke() -> None:
    block = Block(1000.3, 0.05, np.arange(3000.0), np.arange(1000.3, 1150.0, 3.3))
    parts = list(cut(block, 60.0))
    assert [p.t0_ts // 60 for p in parts] == [16, 17, 18, 19]
    np.testing.assert_array_equal(np.concatenate([p.pressure_pa for p in parts]), block.pressure_pa)
    np.testing.assert_array_equal(np.concatenate([p.stroke_ts for p in parts]), block.stroke_ts)
    for p in parts:
        assert ((p.stroke_ts >= p.t0_ts) & (p.stroke_ts < p.end_ts)).all()
