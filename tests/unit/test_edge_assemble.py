"""Readings of any size become even seconds that the wire takes."""

from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pace import examples

from edge.assemble import Assembler, Form, averaged, to_counts
from edge.sources.source import Reading
from monitor.wire import NULL_COUNT, Message, data_topic, decode, encode_cbor

T0 = 1_764_000_000_000_000
FORM = Form(publish_hz=25, scale_pa=40.0)


def assembler(form: Form = FORM) -> Assembler:
    return Assembler("pine-hollow", "foam", 7, form)


def reading(start_us: int, count: int, step_us: int = 4000, **more: object) -> Reading:
    pressure = np.full(count, 400_000.0)
    return Reading(t0_us=T0 + start_us, step_us=step_us, pressure_pa=pressure, **more)  # type: ignore[arg-type]  # keywords of Reading


def feed(one: Assembler, *readings: Reading) -> list[Message]:
    return [message for reading in readings for message in one.feed(reading)]


def test_250_samples_become_25_means_at_the_middle_of_their_groups() -> None:
    one = assembler()
    pressure = np.repeat(np.arange(25) * 4000.0, 10)
    (message,) = feed(one, Reading(t0_us=T0, step_us=4000, pressure_pa=pressure))
    assert message.t0_us == T0 + 18_000
    assert message.dt_us == 40_000
    assert message.samples.tolist() == (np.arange(25) * 100).tolist()


def test_slow_sources_are_sent_as_they_are() -> None:
    (message,) = feed(assembler(), reading(0, 10, step_us=100_000))
    assert (message.dt_us, len(message.samples), message.t0_us) == (100_000, 10, T0)


def test_sequence_boot_and_grid_go_on_without_a_seam() -> None:
    messages = feed(assembler(), *[reading(i * 52_000, 13) for i in range(100)])
    assert [m.seq for m in messages] == [0, 1, 2, 3, 4]
    assert {m.boot for m in messages} == {7}
    assert all(b.t0_us == a.end_us for a, b in pairwise(messages))


def test_a_break_in_time_ends_the_message() -> None:
    messages = feed(assembler(), reading(0, 125), reading(5_000_000, 250))
    assert [(len(m.samples), m.t0_us - T0) for m in messages] == [(12, 18_000), (25, 5_018_000)]


def test_failed_reads_are_null_only_where_a_whole_group_failed() -> None:
    pressure = np.full(250, 400_000.0)
    pressure[:10] = np.nan
    pressure[12] = np.nan
    (message,) = feed(
        assembler(), Reading(t0_us=T0, step_us=4000, pressure_pa=pressure, failed_reads=11)
    )
    assert message.samples[:3].tolist() == [NULL_COUNT, 10_000, 10_000]
    assert message.failed_reads == 11


def test_strokes_at_each_change_and_at_the_end() -> None:
    strokes = [(T0 + 100_000, 5), (T0 + 1_500_000, 6)]
    first, second = feed(assembler(), reading(0, 500, strokes=strokes))
    assert first.stroke_total.tolist() == [5, 5]
    assert first.stroke_t_us.tolist() == [T0 + 100_000, first.end_us]
    assert second.stroke_total.tolist() == [6, 6]


def test_a_total_that_falls_goes_on_growing() -> None:
    strokes = [(T0 + i * 100_000, total) for i, total in enumerate([50, 51, 2, 3])]
    (message,) = feed(assembler(), reading(0, 250, strokes=strokes))
    assert message.stroke_total.tolist() == [50, 51, 53, 54, 54]


def test_a_stroke_told_late_is_kept_and_stamped_as_late_as_the_wire_takes() -> None:
    one = assembler()
    feed(one, reading(0, 1250))
    (message,) = feed(one, reading(5_000_000, 250, strokes=[(T0 + 1_000_000, 1)]))
    assert message.stroke_t_us[0] == message.t0_us - 900_000
    decode(data_topic("pine-hollow", "foam"), encode_cbor(message))


def test_demand_begins_each_message_with_its_state() -> None:
    events = [(T0, True), (T0 + 1_400_000, False)]
    messages = feed(assembler(), reading(0, 750, demand=events))
    assert [m.demand_on.tolist() for m in messages if m.demand_on is not None] == [
        [True],
        [True, False],
        [False],
    ]


def test_air_is_sent_when_read_and_absent_when_not() -> None:
    messages = feed(assembler(), reading(0, 250, air_pa=410_000.0), reading(1_000_000, 250))
    assert [m.air_pa for m in messages] == [410_000.0, None]


def test_strokes_from_ripple() -> None:
    t = np.arange(0, 10, 0.004)
    pressure = np.full(len(t), 4e5)
    for at in (2.0, 4.0, 6.0):
        pressure -= 1e5 * np.exp(-0.5 * ((t - at) / 0.03) ** 2)
    pressure += np.random.default_rng(1).normal(0, 300, len(t))
    one = assembler(Form(publish_hz=25, scale_pa=40.0, from_ripple=True))
    blocks = [
        Reading(t0_us=T0 + i * 4000, step_us=4000, pressure_pa=pressure[i : i + 62])
        for i in range(0, len(t), 62)
    ]
    messages = feed(one, *blocks)
    totals = np.concatenate([m.stroke_total for m in messages])
    assert totals[0] == 0
    assert totals[-1] == 3
    assert np.all(np.diff(totals) >= 0)


def test_a_dead_counter_is_noticed_against_the_ripple() -> None:
    t = np.arange(0, 70, 0.01)
    phase = (t * 1.0) % 1.0
    pressure = 4e5 - 1e5 * np.exp(-0.5 * ((phase - 0.5) / 0.03) ** 2)
    pressure += np.random.default_rng(1).normal(0, 300, len(t))
    one = assembler()
    for i in range(0, len(t), 25):
        block = pressure[i : i + 25]
        at_us = T0 + i * 10_000
        feed(
            one,
            Reading(t0_us=at_us, step_us=10_000, pressure_pa=block, strokes=[(at_us, 9)]),
        )
    assert "dead" in one.word


def test_counts_never_wrap() -> None:
    pascal = np.array([0.0, 40.0, -60.0, 1e9, -1e9, np.nan, 32767 * 40.0])
    assert to_counts(pascal, 40.0).tolist() == [0, 1, -2, *[NULL_COUNT] * 3, 32767]


def test_mean_of_groups() -> None:
    samples = np.array([1.0, 3.0, np.nan, 5.0, np.nan, np.nan])
    assert averaged(samples, 2) == pytest.approx([2.0, 5.0, np.nan], nan_ok=True)


@given(
    st.lists(
        st.tuples(
            st.integers(1, 400),
            st.integers(0, 3) | st.just(2_000_000),
            st.lists(st.integers(0, 2_000_000), max_size=3),
        ),
        min_size=1,
        max_size=12,
    )
)
@settings(max_examples=examples(60), deadline=None)
def test_whatever_comes_every_message_passes_the_wire(
    blocks: list[tuple[int, int, list[int]]],
) -> None:
    one, at_us, total = assembler(), 0, 0
    for count, gap_us, stroke_offsets in blocks:
        at_us += gap_us
        strokes = []
        for offset in sorted(stroke_offsets):
            total = 0 if offset % 7 == 0 else total + 1
            strokes.append((T0 + at_us + offset, total))
        for message in one.feed(
            reading(at_us, count, strokes=strokes, demand=[(T0 + at_us, True)])
        ):
            back = decode(data_topic("pine-hollow", "foam"), encode_cbor(message))
            assert back.seq == message.seq
        at_us += count * 4000
