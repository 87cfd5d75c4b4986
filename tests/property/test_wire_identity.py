"""Encode, then decode: the same message, whatever it holds; and no bytes crash the decoder."""

from contextlib import suppress

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from pace import examples

from monitor import senml
from monitor.errors import BadMessage
from monitor.wire import (
    EARLIEST_US,
    LATEST_US,
    Message,
    NodeStatus,
    Wanted,
    data_topic,
    decode,
    decode_status,
    decode_wanted,
    encode_cbor,
    encode_json,
    encode_status,
    encode_wanted,
    status_topic,
    wanted_topic,
)

UINT32 = st.integers(0, 2**32 - 1)
IDS = st.from_regex(r"[A-Za-z0-9][A-Za-z0-9_-]{0,47}", fullmatch=True)
COUNTS = arrays(np.int16, st.integers(1, 60))
PASCALS = arrays(
    np.float64,
    st.integers(1, 60),
    elements=st.one_of(st.floats(-1e6, 1e7), st.just(float("nan"))),
)


@st.composite
def messages(draw: st.DrawFn) -> Message:
    dt_us = draw(st.integers(1_000, 1_000_000))
    samples = draw(st.one_of(COUNTS, PASCALS))
    span_us = len(samples) * dt_us
    t0_us = draw(st.integers(EARLIEST_US, LATEST_US - span_us - 1))
    when = st.integers(t0_us - 900_000, t0_us + span_us + 900_000)
    stroke_t = sorted(draw(st.lists(when, max_size=12)))
    total = draw(st.integers(0, 2**40))
    rises = draw(st.lists(st.integers(0, 3), min_size=len(stroke_t), max_size=len(stroke_t)))
    demand = draw(st.none() | st.lists(st.tuples(when, st.booleans()), min_size=1, max_size=6))
    demand = sorted(demand, key=lambda d: d[0]) if demand else None
    counts = samples.dtype == np.int16
    return Message(
        site=draw(IDS),
        pump=draw(IDS),
        boot=draw(UINT32),
        seq=draw(UINT32),
        t0_us=t0_us,
        dt_us=dt_us,
        samples=samples,
        scale_pa=draw(st.floats(1e-3, 1e4)) if counts else 1.0,
        offset_pa=draw(st.floats(-1e6, 1e6)) if counts else 0.0,
        stroke_t_us=np.array(stroke_t, np.int64),
        stroke_total=np.cumsum([total, *rises])[1:].astype(np.int64),
        demand_t_us=None if demand is None else np.array([t for t, _ in demand], np.int64),
        demand_on=None if demand is None else np.array([on for _, on in demand], np.bool_),
        air_pa=draw(st.none() | st.floats(-1e5, 2e6)),
        clock_ok=draw(st.booleans()),
        historical=draw(st.booleans()),
        failed_reads=draw(UINT32),
    )


def fields(message: Message) -> dict[str, object]:
    out: dict[str, object] = {}
    for name in Message.__slots__:
        value = getattr(message, name)
        if isinstance(value, np.ndarray):
            value = (value.dtype.str, value.tobytes())
        out[name] = value
    return out


@given(messages(), st.sampled_from([encode_json, encode_cbor]))
@settings(max_examples=examples(120), deadline=None)
def test_decode_of_encode_is_identity(message: Message, encode) -> None:  # type: ignore[no-untyped-def]
    back = decode(data_topic(message.site, message.pump), encode(message))
    assert fields(back) == fields(message)


@given(messages())
@settings(max_examples=examples(50), deadline=None)
def test_order_of_records_does_not_matter_once_resolved_by_a_stranger(message: Message) -> None:
    topic = data_topic(message.site, message.pump)
    records = [
        {"n": r.name, "u": r.unit, "t": r.time_us / 1e6, _label(r.value): r.value}
        for r in senml.resolve(encode_json(message))
    ]
    assert fields(decode(topic, senml.to_json(records))) == fields(message)


def _label(value: object) -> str:
    return {bool: "vb", bytes: "vd", str: "vs"}.get(type(value), "v")


@given(st.binary(max_size=400))
@settings(max_examples=examples(120), deadline=None)
def test_arbitrary_bytes_are_refused_in_our_words(payload: bytes) -> None:
    with pytest.raises(BadMessage):
        decode("strokewise/1/a/b/data", payload)


@given(messages(), st.data())
@settings(max_examples=examples(120), deadline=None)
def test_a_damaged_message_is_read_or_refused_in_our_words(message: Message, data) -> None:  # type: ignore[no-untyped-def]
    payload = bytearray(data.draw(st.sampled_from([encode_json, encode_cbor]))(message))
    for _ in range(data.draw(st.integers(1, 4))):
        payload[data.draw(st.integers(0, len(payload) - 1))] = data.draw(st.integers(0, 255))
    with suppress(BadMessage):
        decode(data_topic(message.site, message.pump), bytes(payload))


RANGES = st.lists(
    st.tuples(IDS, UINT32, UINT32, UINT32).map(lambda r: (r[0], r[1], min(r[2:]), max(r[2:]))),
    max_size=5,
).map(tuple)


@given(
    st.builds(
        NodeStatus,
        site=IDS,
        node=IDS,
        online=st.booleans(),
        ts=st.integers(0, 4_000_000_000_000_000).map(lambda us: us / 1e6),
        boot=UINT32,
        pumps=st.lists(IDS, max_size=4).map(tuple),
        dropped_messages=UINT32,
        failed_reads=UINT32,
        waiting_messages=UINT32,
        clock_ok=st.booleans(),
        version=st.text(max_size=10),
        clock_steps=UINT32,
        lost=RANGES,
        refused_messages=UINT32,
        faults=st.lists(st.text(max_size=20), max_size=3).map(tuple),
    )
)
@settings(deadline=None)
def test_status_identity(status: NodeStatus) -> None:
    assert decode_status(status_topic(status.site, status.node), encode_status(status)) == status


@given(st.builds(Wanted, site=IDS, node=IDS, ranges=RANGES))
@settings(deadline=None)
def test_wanted_identity(wanted: Wanted) -> None:
    assert decode_wanted(wanted_topic(wanted.site, wanted.node), encode_wanted(wanted)) == wanted
