"""Laws of counting: days add up to the period, and every count is kept somewhere."""

from datetime import datetime
from zoneinfo import ZoneInfo

from hypothesis import given, settings
from hypothesis import strategies as st
from pace import examples

from monitor.advice.kinds import Kind
from monitor.reports import figures as fg
from monitor.reports.days import days
from monitor.reports.tally import Fault, join, tally
from monitor.signals.types import Episode
from monitor.site import Pump, Site

ZONE = ZoneInfo("America/Chicago")
PUMP = Pump(id="P1")
SITE = Site(id="s", time_zone="America/Chicago", pumps=(PUMP,))
START = datetime(2026, 10, 30, 7, 13, tzinfo=ZONE).timestamp()  # over the autumn clock change
SPAN = (START, START + 4.2 * 86_400)

moments = st.floats(SPAN[0] - 90_000, SPAN[1] + 90_000).map(lambda t: round(t, 3))
episodes = st.builds(
    lambda what, at, length, strokes, dry, shut: Episode(
        "P1", what, at, at + length, False, strokes,
        {"dry_strokes": float(min(dry, strokes)), "dry_start_strokes": float(dry),
         "shut_strokes": None if shut is None else float(shut)},
    ),
    st.sampled_from(["draw", "prime", "idle strokes", "dead-head"]),
    moments, st.floats(1, 4000), st.integers(0, 60), st.integers(0, 9),
    st.none() | st.integers(0, 60),
)  # fmt: skip
faults = st.builds(
    lambda kind, at, length, shared: Fault(
        kind, at, None if length is None else at + length, shared=shared
    ),
    st.sampled_from([Kind.AIRLOCK, Kind.NO_DEMAND, Kind.LOW_AIR, Kind.NODE_SILENT]),
    moments, st.none() | st.floats(1, 200_000), st.booleans(),
)  # fmt: skip
holes = st.tuples(moments, st.floats(1, 90_000)).map(lambda h: (h[0], h[0] + h[1]))


@settings(max_examples=examples(60), deadline=None)
@given(st.lists(episodes, max_size=30), st.lists(faults, max_size=4), st.lists(holes, max_size=3))
def test_the_days_of_a_period_add_up_to_it(found, stood, gaps):
    whole = tally(PUMP, SPAN, found, stood, gaps, ZONE)
    joined = join([tally(PUMP, day, found, stood, gaps, ZONE) for day in days(SPAN, SITE)])
    for name in (
        "draws", "draw_strokes", "waste_strokes", "dry_strokes", "rest_strokes", "failures",
        "faults", "days", "span",
    ):  # fmt: skip
        assert getattr(joined, name) == getattr(whole, name), name
    assert abs(joined.observed_s - whole.observed_s) < 1e-3
    assert abs(joined.rest_s - whole.rest_s) < 1e-3
    # A day's down time cannot pass its watched time; over the period that limit is looser.
    assert joined.down_s <= whole.down_s + 1e-3


@settings(max_examples=examples(60), deadline=None)
@given(st.lists(episodes, max_size=30), st.lists(faults, max_size=4))
def test_no_stroke_is_lost_or_counted_twice(found, stood):
    got = tally(PUMP, SPAN, found, stood, (), ZONE)
    inside = [e for e in found if SPAN[0] <= e.start_ts < SPAN[1] and e.what != "dead-head"]
    total = got.draw_strokes + got.waste_strokes + got.dry_strokes
    assert abs(total - sum(e.strokes for e in inside)) < 1e-9
    assert 0 <= got.bad_draws <= got.draws
    assert 0 <= got.down_s <= got.observed_s


@given(st.integers(0, 400), st.integers(0, 400))
def test_intervals_hold_their_value_and_widen_with_their_level(hits, more):
    n = hits + more
    near, far = fg.wilson(hits, n, 0.8), fg.wilson(hits, n, 0.99)
    assert 0 <= far.low <= near.low <= near.high <= far.high <= 1
    if n:
        assert near.low <= hits / n <= near.high
        exact = fg.clopper_pearson(hits, n)
        assert exact.low <= hits / n <= exact.high
    count = fg.count_limits(hits)
    assert count.low <= hits <= count.high
