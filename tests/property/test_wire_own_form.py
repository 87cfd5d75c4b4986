"""The quick reader of our edge's own form against the general one: alike on everything."""

import cbor2
import numpy as np
from hypothesis import example, given, settings
from hypothesis import strategies as st
from pace import examples
from test_wire_identity import fields, messages

from monitor import counts, senml
from monitor.errors import BadMessage
from monitor.wire import Message, _general, data_topic, decode, encode_cbor, parse_topic

ODD = st.one_of(
    st.sampled_from(
        [
            0,
            -1,
            2**32 - 1,
            2**32,
            2**53 + 1,
            0.05,
            1e9,
            -1e9,
            1e300,
            5.0,
            True,
            False,
            None,
            b"",
            "Pa",
        ]
    ),
    st.floats(),
    st.integers(-(2**64), 2**64 - 1),
    st.sampled_from(["count", "s", "hPa", "strokes", "demand", "air", "boot", "samples", "x_"]),
    st.binary(max_size=9),
)
LABELS = st.sampled_from([*senml.CBOR_LABELS, "x_", "later"])


def outcome(topic: str, payload: bytes, *, quick: bool) -> object:
    """The message, or in which words it is refused."""
    try:
        if quick:
            return fields(decode(topic, payload))
        return fields(_general(senml.resolve(payload), parse_topic(topic)))
    except BadMessage as problem:
        return str(problem)


def alike(topic: str, payload: bytes) -> None:
    assert outcome(topic, payload, quick=True) == outcome(topic, payload, quick=False)


@given(messages())
@settings(max_examples=examples(150), deadline=None)
def test_any_message_reads_alike(message: Message) -> None:
    alike(data_topic(message.site, message.pump), encode_cbor(message))


@given(messages())
@settings(max_examples=examples(80), deadline=None)
def test_the_edges_own_form_is_known(message: Message) -> None:
    rows, _ = senml.parse(encode_cbor(message))
    own = message.samples.dtype == np.int16 and message.clock_ok
    own = own and not (message.historical or message.failed_reads)
    read = counts.read(rows, f"{message.site}:{message.pump}:")
    assert (read is not None) == own


@given(messages(), st.data())
@settings(max_examples=examples(200), deadline=None)
def test_damaged_bytes_read_alike(message: Message, data) -> None:  # type: ignore[no-untyped-def]
    payload = bytearray(encode_cbor(message))
    for _ in range(data.draw(st.integers(1, 4))):
        payload[data.draw(st.integers(0, len(payload) - 1))] = data.draw(st.integers(0, 255))
    alike(data_topic(message.site, message.pump), bytes(payload))


def small(**changed: object) -> Message:
    at = np.array([1_750_000_000_400_000, 1_750_000_001_000_000])
    known: dict[str, object] = {"stroke_t_us": at, "stroke_total": np.array([7, 8])}
    known |= {"demand_t_us": at[:1], "demand_on": np.array([True]), "air_pa": 4e5}
    return Message(
        "fern", "p1", 1, 2, 1_750_000_000_000_000, 50_000,
        np.arange(20, dtype=np.int16), 244.0, 0.0, **{**known, **changed},  # type: ignore[arg-type]
    )  # fmt: skip


@given(
    st.lists(st.tuples(st.integers(0, 9), LABELS, ODD | st.none()), min_size=1, max_size=3),
    st.lists(st.tuples(st.integers(0, 9), st.integers(0, 9)), max_size=2),
    st.integers(0, 9),
)
@example([(0, senml.CBOR.v, True)], [], 0)
@example([(2, senml.CBOR.v, float("nan"))], [], 0)
@example([(3, senml.CBOR.v, 0.0)], [], 0)
@example([(6, senml.CBOR.t, 9.0)], [], 0)
@example([(6, senml.CBOR.v, 9)], [], 0)
@settings(max_examples=examples(400), deadline=None)
def test_changed_rows_read_alike(
    changes: list[tuple[int, object, object]], swaps: list[tuple[int, int]], cut: int
) -> None:
    rows: list[dict[object, object]] = cbor2.loads(encode_cbor(small()))
    for row, label, value in changes:
        if value is None:
            rows[row % len(rows)].pop(label, None)
        else:
            rows[row % len(rows)][label] = value
    for a, b in swaps:
        a, b = a % len(rows), b % len(rows)
        rows[a], rows[b] = rows[b], rows[a]
    alike("strokewise/1/fern/p1/data", cbor2.dumps(rows[: len(rows) - cut]))


def test_rows_that_are_no_maps_read_alike() -> None:
    rows = cbor2.loads(encode_cbor(small()))
    for place in range(len(rows)):
        alike("strokewise/1/fern/p1/data", cbor2.dumps([*rows[:place], [1, 2], *rows[place:]]))
    alike("strokewise/1/fern/p2/data", encode_cbor(small()))
