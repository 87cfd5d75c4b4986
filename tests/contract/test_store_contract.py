"""One contract for every store: embedded, in memory, and InfluxDB behind the embedded front."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from influx_server import TOKEN, InfluxServerProcess

from monitor.store.embedded import EmbeddedStore
from monitor.store.influx import InfluxRemote, InfluxServer, InfluxStore
from monitor.store.interface import Level, Receipt, Store
from monitor.store.memory import MemoryStore
from monitor.wire import NULL_COUNT, Message

T0_S = 1_750_000_020  # a whole minute
BOOT = 7


def message(pump: str, seq: int, *, boot: int = BOOT, t0_s: float | None = None) -> Message:
    """A second at 20 Hz with three strokes, demand and air, different for each seq."""
    rng = np.random.default_rng([seq, boot])
    t0 = round((T0_S + seq if t0_s is None else t0_s) * 1_000_000)
    at = np.sort(rng.integers(t0, t0 + 1_000_000, 3))
    return Message(
        site="fern",
        pump=pump,
        boot=boot,
        seq=seq,
        t0_us=t0,
        dt_us=50_000,
        samples=np.where(
            rng.random(20) < 0.05, NULL_COUNT, (1800 + rng.normal(0, 3, 20)).astype(np.int16)
        ).astype(np.int16),
        scale_pa=244.140625,
        offset_pa=-100.0,
        stroke_t_us=np.append(at, t0 + 1_000_000),
        stroke_total=np.array([seq * 3 + 1, seq * 3 + 2, seq * 3 + 3, seq * 3 + 3]),
        demand_t_us=np.array([t0, t0 + 500_000]),
        demand_on=np.array([True, False]),
        air_pa=413_000.0 + seq,
        failed_reads=seq % 3,
    )


def same(a: Message, b: Message) -> bool:
    """Bit for bit, absent things included."""
    for name in Message.__slots__:
        x, y = getattr(a, name), getattr(b, name)
        if isinstance(x, np.ndarray) and isinstance(y, np.ndarray):
            if x.dtype != y.dtype or x.tobytes() != y.tobytes():
                return False
        elif x is not y and x != y:
            return False
    return True


@pytest.fixture(scope="session")
def influx(tmp_path_factory: pytest.TempPathFactory) -> Iterator[InfluxServerProcess]:
    started = InfluxServerProcess(tmp_path_factory.mktemp("influx"))
    yield started
    started.stop()


class AllRemote(InfluxStore):
    """Gives up each local day as soon as it is sent, so that reads really ask the server."""

    def tend(self, now_ts: float) -> None:
        super().tend(now_ts)
        assert self.server_problem == ""
        for day in self._days.days():
            if not self.stats()["influx_unsent_minutes"]:
                self._keeper.drop(day, "test", self._view.seconds)


def all_remote(request: pytest.FixtureRequest, folder: Path) -> Store:
    server: InfluxServerProcess = request.getfixturevalue("influx")
    server.make(folder.parent.name)
    known = InfluxServer(server.url, TOKEN, bucket=folder.parent.name)
    return AllRemote(folder, InfluxRemote(known))


@pytest.fixture(params=["embedded", "memory", pytest.param("influx", marks=pytest.mark.influx)])
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Store]:
    make: dict[str, Callable[[], Store]] = {
        "embedded": lambda: EmbeddedStore(tmp_path / "store"),
        "memory": MemoryStore,
        "influx": lambda: all_remote(request, tmp_path / "store"),
    }
    made = make[request.param]()
    yield made
    made.close()


def run(store: Store, batches: Sequence[Sequence[Message]], *, tend: bool = True) -> None:
    for batch in batches:
        assert set(store.append(batch)) == {Receipt.STORED}
        if tend:
            store.tend(batch[-1].end_us * 1e-6)


def test_what_went_in_comes_out_bit_for_bit(store: Store) -> None:
    sent = [message("a", i) for i in range(200)]
    run(store, [[m] for m in sent])
    back = store.messages("fern", "a", T0_S, T0_S + 200)
    assert len(back) == 200
    assert all(same(a, b) for a, b in zip(sent, back, strict=True))


def test_floats_nan_and_absent_channels_come_back_as_sent(store: Store) -> None:
    odd = replace(
        message("a", 0),
        samples=np.array([1.5, np.nan, -123.456789012345, 3e5, 0.1 + 0.2]),
        scale_pa=1.0,
        offset_pa=0.0,
        demand_t_us=None,
        demand_on=None,
        air_pa=None,
        stroke_t_us=np.empty(0, np.int64),
        stroke_total=np.empty(0, np.int64),
        clock_ok=False,
        historical=True,
    )
    run(store, [[odd, message("a", 1)]])
    store.tend(T0_S + 600.0)
    back = store.messages("fern", "a", T0_S, T0_S + 10)
    assert same(back[0], odd)
    assert same(back[1], message("a", 1))


def test_a_message_sent_again_is_stored_once(store: Store) -> None:
    first = message("a", 0)
    again = replace(first, t0_us=first.t0_us + 5_000_000)
    assert store.append([first, first]) == [Receipt.STORED, Receipt.DUPLICATE]
    store.tend(T0_S + 600.0)
    assert store.append([again]) == [Receipt.DUPLICATE]
    assert len(store.messages("fern", "a", T0_S - 100, T0_S + 100)) == 1


def test_late_and_reordered_messages_give_the_same_series(store: Store) -> None:
    order = np.random.default_rng(5).permutation(300)
    run(store, [[message("a", int(i)) for i in order[k : k + 10]] for k in range(0, 300, 10)])
    store.tend(T0_S + 900.0)
    straight = MemoryStore()
    run(straight, [[message("a", i) for i in range(300)]])
    for level in (Level.RAW, Level.SECOND, Level.MINUTE):
        a = store.read("fern", "a", (T0_S, T0_S + 300.0), level=level)
        b = straight.read("fern", "a", (T0_S, T0_S + 300.0), level=level)
        np.testing.assert_array_equal(a.ts, b.ts)
        np.testing.assert_allclose(a.mean_pa, b.mean_pa, atol=5.1)
        np.testing.assert_array_equal(a.strokes, b.strokes)


def test_watermark_names_what_is_missing(store: Store) -> None:
    assert store.watermark("fern", "a", BOOT) == (-1, [])
    run(store, [[message("a", i) for i in (0, 1, 2, 5, 9)]])
    assert store.watermark("fern", "a", BOOT) == (2, [(3, 4), (6, 8)])
    run(store, [[message("a", i) for i in (3, 4)]])
    assert store.watermark("fern", "a", BOOT) == (5, [(6, 8)])


def test_what_is_declared_lost_is_not_asked_again_but_welcome(store: Store) -> None:
    run(store, [[message("a", i) for i in (0, 5)]])
    store.declare_lost("fern", "a", BOOT, 1, 4)
    assert store.watermark("fern", "a", BOOT) == (5, [])
    assert store.append([message("a", 3)]) == [Receipt.STORED]
    assert [m.seq for m in store.messages("fern", "a", T0_S, T0_S + 9)] == [0, 3, 5]


def test_a_new_boot_starts_its_own_numbers(store: Store) -> None:
    run(store, [[message("a", 0)], [message("a", 0, boot=8, t0_s=T0_S + 1)]])
    assert store.watermark("fern", "a", 8) == (0, [])
    series = store.read("fern", "a", (T0_S, T0_S + 2.0), level=Level.SECOND)
    # The counter fell from 3 to 1 with the new boot: two differences seen in each, no more.
    assert series.strokes.tolist() == [2.0, 2.0]


def test_spans_are_half_open(store: Store) -> None:
    run(store, [[message("a", i) for i in range(4)]])
    assert [m.seq for m in store.messages("fern", "a", T0_S + 1, T0_S + 3)] == [1, 2]
    raw = store.read("fern", "a", (T0_S + 1.0, T0_S + 3.0), level=Level.RAW)
    assert raw.ts[0] == T0_S + 1
    assert raw.ts[-1] == pytest.approx(T0_S + 2.95)
    assert len(raw.ts) == 40


def test_a_span_that_begins_inside_a_message_sees_its_rest(store: Store) -> None:
    run(store, [[message("a", 0), message("a", 1)]])
    store.tend(T0_S + 600.0)
    raw = store.read("fern", "a", (T0_S + 0.5, T0_S + 1.0), level=Level.RAW)
    assert len(raw.ts) == 10


def test_gaps_are_told(store: Store) -> None:
    run(store, [[message("a", i) for i in (0, 1, 5)]])
    for level in (Level.RAW, Level.SECOND):
        series = store.read("fern", "a", (float(T0_S), T0_S + 8.0), level=level)
        np.testing.assert_allclose(
            series.gaps, [(T0_S + 2, T0_S + 5), (T0_S + 6, T0_S + 8)], rtol=0, atol=1e-6
        )
    nothing = store.read("fern", "a", (T0_S + 100.0, T0_S + 200.0))
    assert nothing.gaps == ((T0_S + 100.0, T0_S + 200.0),)
    unknown = store.read("fern", "nobody", (0.0, 1.0))
    assert len(unknown.ts) == 0


def test_the_level_follows_the_points_asked_for(store: Store) -> None:
    run(store, [[message("a", i) for i in range(100)]])
    span = (float(T0_S), T0_S + 100.0)
    assert store.read("fern", "a", span, max_points=2000).level is Level.RAW
    assert store.read("fern", "a", span, max_points=1999).level is Level.SECOND
    assert store.read("fern", "a", span, max_points=99).level is Level.MINUTE
    assert store.read("fern", "a", (T0_S, T0_S + 3e7), max_points=4000).level is Level.HOUR


def test_all_levels_count_the_same_strokes_and_extremes(store: Store) -> None:
    run(store, [[message("a", i) for i in range(k, k + 10)] for k in range(0, 3600, 10)])
    begin = T0_S - T0_S % 3600 + 3600
    span = (float(begin), T0_S + 3600.0 - T0_S % 60)
    by = {level: store.read("fern", "a", span, level=level) for level in Level}
    raw = by[Level.RAW]
    for level in (Level.SECOND, Level.MINUTE, Level.HOUR):
        assert np.nansum(by[level].strokes) == pytest.approx(np.nansum(raw.strokes), abs=4)
        # Sealed summaries are kept to 10 Pa.
        assert np.nanmin(by[level].low_pa) == pytest.approx(np.nanmin(raw.low_pa), abs=5.1)
        assert np.nanmax(by[level].high_pa) == pytest.approx(np.nanmax(raw.high_pa), abs=5.1)
    demand = by[Level.SECOND].demand_s
    assert demand is not None
    np.testing.assert_allclose(demand, 0.5)


@pytest.mark.parametrize(
    "change",
    [
        {"t0_us": 315_532_800_000_000},  # 1980
        {"t0_us": 4_102_444_800_000_000},  # 2100
        {"dt_us": 0},
        {"dt_us": 10_000_000},
        {"seq": -1},
        {"boot": 1 << 32},
        {"stroke_total": np.array([1])},
        {"demand_on": None},
    ],
)
def test_the_impossible_is_rejected_and_costs_only_itself(
    store: Store, change: dict[str, object]
) -> None:
    bad = replace(message("a", 1), **change)  # type: ignore[arg-type] # any field may be wrong here
    receipts = store.append([message("a", 0), bad, message("a", 2)])
    assert receipts == [Receipt.STORED, Receipt.REJECTED, Receipt.STORED]
    assert sum(v for k, v in store.stats().items() if k.startswith("refused_messages_")) == 1


def test_latest_is_the_end_of_the_newest(store: Store) -> None:
    run(store, [[message("a", 3)], [message("a", 1)], [message("b", 0)]], tend=False)
    assert store.latest_ts() == {("fern", "a"): T0_S + 4.0, ("fern", "b"): T0_S + 1.0}


def test_a_clock_that_steps_back_costs_no_message_and_no_stroke(store: Store) -> None:
    before = [message("a", seq) for seq in range(10)]
    after = [message("a", seq, t0_s=T0_S + seq - 5.013) for seq in range(10, 20)]
    run(store, [before, after])
    store.tend(T0_S + 600.0)
    found = store.messages("fern", "a", T0_S, T0_S + 60)
    assert sorted(m.seq for m in found) == list(range(20))
    assert [m.t0_us for m in found] == sorted(m.t0_us for m in found)
    raw = store.read("fern", "a", (float(T0_S), T0_S + 60.0), level=Level.RAW)
    assert len(raw.ts) == 400
    assert (np.diff(raw.ts) >= 0).all()
    # 20 messages of 3 strokes; the very first reading has nothing before it.
    assert raw.strokes.sum() == 59
    assert store.watermark("fern", "a", BOOT) == (19, [])


def test_a_clock_that_was_a_day_ahead_costs_nothing_when_it_is_set(store: Store) -> None:
    ahead = [message("a", seq, t0_s=T0_S + 86_400 + seq) for seq in range(5)]
    right = [message("a", seq) for seq in range(5, 10)]
    run(store, [ahead, right], tend=False)
    store.tend(T0_S + 600.0)
    assert len(store.messages("fern", "a", T0_S, T0_S + 20)) == 5
    assert len(store.messages("fern", "a", T0_S + 86_400, T0_S + 86_420)) == 5
    assert store.append(ahead) == [Receipt.DUPLICATE] * 5
