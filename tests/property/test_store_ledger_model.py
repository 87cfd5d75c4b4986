"""The ledger against a plain set, and the codec against identity, under anything at all."""

import itertools

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.store import codec, ledger
from monitor.store.ledger import Ledger, Ranges
from monitor.wire import Message

NUMBERS = st.integers(0, 60)
U32 = st.integers(0, 2**32 - 1)


@given(st.lists(st.tuples(NUMBERS, NUMBERS).map(lambda p: (min(p), max(p))), max_size=40))
def test_ranges_are_a_set_of_numbers(pairs: list[tuple[int, int]]) -> None:
    ranges, model = Ranges(), set[int]()
    for first, last in pairs:
        if first == last:
            ranges.add(first)
        else:
            ranges.add_range(first, last)
        model |= set(range(first, last + 1))
    assert {n for n in range(62) if n in ranges} == model
    spans = list(ranges)
    assert all(a[1] + 1 < b[0] for a, b in itertools.pairwise(spans))
    holes = {n for first, last in ranges.holes() for n in range(first, last + 1)}
    assert holes == set(range(max(model, default=-1) + 1)) - model
    assert list(Ranges.from_bytes(ranges.to_bytes())) == spans


OPERATIONS = st.lists(
    st.one_of(
        st.tuples(st.just("store"), NUMBERS),
        st.tuples(st.just("lose"), NUMBERS),
        st.tuples(st.just("restart"), st.just(0)),
        st.tuples(st.just("idle"), st.just(0)),
    ),
    max_size=80,
)


@given(OPERATIONS)
def test_the_ledger_is_two_sets_that_survive_restarts(operations: list[tuple[str, int]]) -> None:
    rows: dict[ledger.Key, tuple[bytes, bytes]] = {}
    book, key = Ledger(rows.get), (1, 2)
    held, lost = set[int](), set[int]()
    for what, number in operations:
        if what == "store":
            assert book.holds(key, number) == (number in held)
            book.add(key, number)
            held.add(number)
        elif what == "lose":
            book.declare_lost(key, number, number + 3)
            lost |= set(range(number, number + 4))
        else:
            for k, a, b in book.changed():
                rows[k] = (a, b)
            book.written([k for k, _, _ in book.changed()], keep_idle=0)
            if what == "restart":
                book = Ledger(rows.get)
        known = held | lost
        high, missing = book.watermark(key)
        expected = next(n for n in range(100) if n not in known) - 1
        assert high == expected
        absent = {n for first, last in missing for n in range(first, last + 1)}
        assert absent == set(range(max(known, default=-1) + 1)) - known


@given(st.lists(NUMBERS, min_size=1, unique=True))
def test_a_stream_with_holes_stays_bounded(numbers: list[int]) -> None:
    limit, ledger.MAX_RANGES = ledger.MAX_RANGES, 4
    try:
        book = Ledger(lambda _key: None)
        for number in numbers:
            book.add((1, 1), number)
            assert len(book.stream((1, 1)).held) <= 4
        assert all(book.holds((1, 1), n) for n in numbers)
    finally:
        ledger.MAX_RANGES = limit


def arrays(dtype: str, values: st.SearchStrategy[int] | st.SearchStrategy[float]):  # type: ignore[no-untyped-def] # the strategy's own type is long
    return st.lists(values, max_size=12).map(lambda v: np.array(v, dtype))


I16 = arrays("int16", st.integers(-32768, 32767))
F64 = arrays("float64", st.floats(allow_nan=True, allow_infinity=True))
TIMES = st.integers(0, 2**53)


@st.composite
def messages(draw: st.DrawFn) -> Message:
    strokes = draw(st.lists(st.tuples(TIMES, st.integers(0, 2**53)), max_size=5))
    demand = draw(st.none() | st.lists(st.tuples(TIMES, st.booleans()), max_size=4))
    return Message(
        "s",
        "p",
        draw(U32),
        draw(U32),
        draw(TIMES),
        draw(st.integers(1, 60_000_000)),
        draw(st.one_of(I16, F64)),
        draw(st.floats(allow_nan=False)),
        draw(st.floats(allow_nan=False)),
        np.array([t for t, _ in strokes], np.int64),
        np.array([n for _, n in strokes], np.int64),
        None if demand is None else np.array([t for t, _ in demand], np.int64),
        None if demand is None else np.array([on for _, on in demand], np.bool_),
        draw(st.none() | st.floats()),
        draw(st.booleans()),
        draw(st.booleans()),
        draw(U32),
    )


def bits(message: Message) -> list[object]:
    out: list[object] = []
    for name in Message.__slots__:
        value = getattr(message, name)
        if isinstance(value, np.ndarray):
            out.append((value.dtype.str, value.tobytes()))
        elif isinstance(value, float):
            out.append(np.float64(value).tobytes())
        else:
            out.append(value)
    return out


@settings(deadline=None)
@given(st.lists(messages(), max_size=6))
def test_packing_is_identity_bit_for_bit(batch: list[Message]) -> None:
    columns = codec.from_messages(batch, [3] * len(batch))
    back = list(codec.to_messages(codec.unpack(codec.pack(columns)), lambda _sid: ("s", "p")))
    assert [bits(m) for m in back] == [bits(m) for m in batch]


@settings(deadline=None)
@given(st.lists(messages(), max_size=6), st.randoms(use_true_random=False))
def test_union_is_a_set_whatever_the_order(batch: list[Message], random: object) -> None:
    doubled = batch + batch
    random.shuffle(doubled)  # type: ignore[attr-defined] # hypothesis gives a random.Random
    union = codec.from_messages(doubled, [1] * len(doubled)).union()
    assert len(union) == len({(m.boot, m.seq) for m in batch})
    again = codec.join([union, union]).union()
    assert codec.pack(again) == codec.pack(union)
