"""Counting a period and comparing bays so that small numbers are not shamed."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from monitor.advice.kinds import Kind, Side
from monitor.reports import bays, drums, table
from monitor.reports.leaks import Prices
from monitor.reports.tally import DELIVERY, Fault, covered_s, tally
from monitor.signals.types import Episode
from monitor.site import Pump
from monitor.units import METRIC, US

UTC_ZONE = ZoneInfo("UTC")
DAY_S = 86_400.0
START = datetime(2026, 3, 2, tzinfo=UTC).timestamp()  # a Monday
MONTH = (START, START + 28 * DAY_S)
BEFORE = (START - 28 * DAY_S, START)


def pump(name="P1", bay=("1",), **more):
    return Pump(id=name, label=f"Soap {name}", bays=bay, displacement_ml=60.0, **more)


def draws(span, per_day=10, strokes=20, spread=0, seed=1):
    rng = np.random.default_rng(seed)
    found = []
    for day in range(int((span[1] - span[0]) / DAY_S)):
        for k in range(per_day):
            at = span[0] + day * DAY_S + 30_000 + k * 600
            n = strokes + (int(rng.integers(-spread, spread + 1)) if spread else 0)
            found.append(Episode("P1", "draw", at, at + 20, False, n, {}))
            found.append(Episode("P1", "dead-head", at + 20, at + 600, False, 0, {}))
    return found


def counted(p=None, span=MONTH, episodes=None, faults=(), gaps=()):
    return tally(
        p or pump(), span, draws(span) if episodes is None else episodes, faults, gaps, UTC_ZONE
    )


def test_a_quiet_month_is_counted():
    t = counted()
    assert (t.draws, t.bad_draws, t.draw_strokes, t.failures) == (280, 0, 5600, 0)
    assert t.observed_s == 28 * DAY_S
    assert t.down_s == 0
    assert len(t.days) == 28
    assert t.days[0].strokes == 200
    assert t.rest_s == 280 * 580


def test_draws_under_a_failure_and_dry_starts_are_served_badly():
    fault = Fault(Kind.MISSED_PRIME, START + DAY_S + 30_500, START + DAY_S + 33_100)
    late = [e for e in draws(MONTH) if e.what == "draw"]
    late[0] = Episode("P1", "prime", late[0].start_ts, late[0].end_ts, False, 20,
                      {"dry_start_strokes": 5.0, "dry_strokes": 5.0})  # fmt: skip
    t = counted(episodes=late, faults=[fault])
    # Five draws of the second day lie under the fault, one more started dry.
    assert t.bad_draws == 5 + 1
    assert t.failures == 1
    assert t.down_s == 2600
    assert t.dry_strokes == 5
    assert t.draw_strokes == 5595
    assert t.faults == {Side.SUCTION: 1}


def test_what_only_wastes_or_hides_is_a_fault_but_no_failure():
    assert Kind.NO_DEMAND not in DELIVERY
    assert Kind.NODE_SILENT not in DELIVERY
    assert {Kind.MISSED_PRIME, Kind.AIRLOCK, Kind.LOW_AIR, Kind.DIAPHRAGM} <= DELIVERY
    t = counted(faults=[Fault(Kind.NODE_SILENT, START + 5, START + 900)])
    assert (t.failures, t.faults) == (0, {Side.SENSOR: 1})


def test_a_leak_is_waste_and_not_a_draw():
    at = START + 80_000
    leak = Episode("P1", "draw", at, at + 600, False, 40, {})
    drip = Episode("P1", "idle strokes", at + 700, at + 702, False, 1, {})
    t = counted(
        episodes=[*draws(MONTH), leak, drip], faults=[Fault(Kind.NO_DEMAND, at - 1, at + 800)]
    )
    assert t.draws == 280
    assert t.waste_strokes == 41
    assert t.rest_strokes == 1
    known = Episode("P1", "draw", at, at + 600, False, 40, {"shut_strokes": 30.0})
    t = counted(episodes=[known], faults=[Fault(Kind.NO_DEMAND, at - 1)])
    assert (t.draws, t.draw_strokes, t.waste_strokes) == (1, 10, 30)


def test_gaps_are_not_watched_time_and_overlaps_count_once():
    assert covered_s([(0, 10), (5, 20), (30, 40)], (8, 35)) == 12 + 5
    t = counted(gaps=[(START, START + 2 * DAY_S)])
    assert t.observed_s == 26 * DAY_S
    assert [d.strokes for d in t.days[:3]] == [None, None, 200]


def test_a_day_has_25_hours_when_the_clock_goes_back():
    zone = ZoneInfo("America/Chicago")
    start = datetime(2026, 10, 31, tzinfo=zone).timestamp()
    t = tally(pump(), (start, start + 73 * 3600.0), [], [], [], zone)
    assert [d.day.day for d in t.days] == [31, 1, 2]


def test_an_open_episode_and_one_of_another_period_do_not_count():
    open_ = Episode("P1", "draw", START + 9, START + 20, True, 9, {})
    early = Episode("P1", "draw", START - 9, START + 20, False, 9, {})
    assert counted(episodes=[open_, early]).draws == 0


# ---------------------------------------------------------------------- comparing


def site(*tallies, before=(), **more):
    old = {t.pump.id: t for t in before}
    parts = [bays.Part(t, old.get(t.pump.id), **more) for t in tallies]
    units = bays.by_bay(parts)
    whole = bays.Unit("all", "All bays", tuple(parts))
    return bays.compare("Bay", units, whole)


def fault_at(day, hours=1.0, kind=Kind.AIRLOCK):
    at = START + day * DAY_S + 30_000
    return Fault(kind, at, at + hours * 3600)


def test_one_fault_in_a_bay_that_hardly_runs_is_not_marked():
    busy = [counted(pump(f"P{i}", (str(i),)), episodes=draws(MONTH, 40)) for i in range(1, 6)]
    few = counted(pump("P9", ("9",)), episodes=draws(MONTH, 1), faults=[fault_at(3)])
    got = site(*busy, few)
    last = got.rows[-1]
    assert last.bad_draws == 1
    assert last.bad.high > 0.15  # one of 28: it may be anything up to a sixth
    assert last.failures_place == "as expected"
    assert last.bad_place in ("as expected", "more", "many more")
    # Its one bad draw is far from 0 of 5600 others, but a second quiet month of the same site
    # has one as well, and then it is nothing.
    other = counted(pump("P1", ("1",)), episodes=draws(MONTH, 40), faults=[fault_at(9, 8)])
    got = site(other, *busy[1:], few)
    assert got.rows[-1].bad_place == "as expected"


def test_a_bay_with_many_failures_is_marked_and_its_neighbours_are_not():
    calm = [counted(pump(f"P{i}", (str(i),))) for i in range(1, 6)]
    bad = counted(pump("P9", ("9",)), faults=[fault_at(d) for d in range(12)])
    got = site(*calm, bad)
    assert got.rows[-1].failures_place == "many more"
    assert {r.failures_place for r in got.rows[:-1]} == {"as expected"}
    assert got.rows[-1].mtbf_s.value == pytest.approx((28 * DAY_S - 12 * 3600) / 12)
    assert got.rows[-1].mtbf_s.low < got.rows[-1].mtbf_s.value < got.rows[-1].mtbf_s.high
    assert got.rows[-1].availability.value == pytest.approx(1 - 12 / (28 * 24))
    assert got.total.failures == 12


def test_a_shared_pump_lends_its_record_whole_and_its_amounts_in_parts():
    shared = counted(pump("P1", ("1", "2")), faults=[fault_at(1)])
    own = counted(pump("P2", ("2",)))
    got = site(shared, own)
    first, second = got.rows
    assert first.chemical_ml == pytest.approx(5600 * 60 / 2)
    assert second.chemical_ml == pytest.approx(5600 * 60 * 1.5)
    assert (first.draws, second.draws) == (280, 560)
    assert first.failures == second.failures == 1
    assert got.total.failures == 1
    assert got.total.chemical_ml == pytest.approx(first.chemical_ml + second.chemical_ml)
    assert (first.shared, second.shared) == (("P1",), ("P1",))


def test_change_is_called_only_when_it_is_clear():
    old = counted(span=BEFORE, episodes=draws(BEFORE, spread=6))
    same = site(counted(episodes=draws(MONTH, spread=6, seed=2)), before=[old]).rows[0]
    more = site(counted(episodes=draws(MONTH, strokes=24, spread=6)), before=[old]).rows[0]
    assert same.per_draw_change.low < 0 < same.per_draw_change.high
    assert more.per_draw_change.value == pytest.approx(0.2, abs=0.03)
    assert more.per_draw_change.low > 0.1
    got = site(counted(faults=[fault_at(d) for d in range(10)]), before=[old]).rows[0]
    assert got.failure_change.low is not None
    assert got.failure_change.low > 1
    assert got.bad_change.low > 0


def test_vehicles_give_chemical_per_vehicle():
    t = counted()
    units = bays.by_bay([bays.Part(t)], vehicles={"1": (140, None)})
    row = bays.compare("Bay", units, bays.Unit("all", "All", (bays.Part(t),))).rows[0]
    assert row.per_vehicle_ml == pytest.approx(5600 * 60 / 140)


def test_pumps_and_pumps_without_a_bay_can_be_compared():
    t = counted(pump("P1", ()))
    assert bays.by_bay([bays.Part(t)])[0].label == "no bay"
    assert bays.by_pump([bays.Part(t)])[0].label == "Soap P1"


def test_an_empty_period_divides_by_nothing():
    nothing = counted(episodes=[], gaps=[MONTH])
    got = site(nothing)
    row = got.rows[0]
    assert row.bad.value is None
    assert row.per_draw_ml is None
    assert row.availability.value is None
    told = table.table(got, US, UTC_ZONE, MONTH[1])
    assert all(len(r) == len(told.headings) for r in told.rows)
    assert any("Nothing was watched in this period yet" in note for note in told.notes)
    assert {cell.text for row in told.rows for cell in row[1:]} <= {table.DASH}


def test_the_table_says_it_in_the_sites_units_and_leaves_empty_columns_out():
    leak = [Episode("P1", "idle strokes", START + k * 7200, START + k * 7200 + 2, False, 1, {})
            for k in range(24)]  # fmt: skip
    t = counted(episodes=draws(MONTH) + leak, faults=[fault_at(2)])
    forecast = drums.forecast(
        drums.Drum(START, 800_000.0, 5600), drums.stroke(60, known=True), t.days,
        datetime.fromtimestamp(MONTH[1], UTC).date(),
    )  # fmt: skip
    part = bays.Part(t, None, drum=forecast, prices=Prices("EUR", 2.0, 0.2))
    got = bays.compare("Bay", bays.by_bay([part]), bays.Unit("all", "All bays", (part,)))
    told = table.table(got, US, UTC_ZONE, MONTH[1], "EUR")
    cells = dict(zip(told.headings, told.rows[0], strict=True))
    assert "Per vehicle" not in told.headings
    assert cells["Bay"].text == "Bay 1"
    assert cells["Chemical"].text == "88.8 US gal"
    assert cells["Chemical per draw"].text == "0.317 US gal"
    assert cells["Draws served badly"].text == "2.5 %"
    assert cells["Draws served badly"].note.startswith("7 of 280; 1.2 % to 5.1 %")
    assert cells["Faults by side"].text == "discharge: 1"
    assert cells["Availability"].text == "99.85 %"
    assert cells["Down"].text == "60 min"
    assert cells["Ran away"].note.startswith("at rest ")
    assert cells["Cost of it"].text.startswith("EUR ")
    assert cells["First drum to end"].text.startswith("P1: ")
    assert told.rows[-1][0].text == "All bays"
    assert told.period == "2 Mar 2026 to 29 Mar 2026"
    metric = table.table(got, METRIC, UTC_ZONE, MONTH[1])
    assert dict(zip(metric.headings, metric.rows[0], strict=True))["Chemical"].text == "336 L"
    lines = table.as_lines(told)
    assert lines[1].startswith("Bay 1: Draws: 280")
    assert table.texts(told.rows)[0][0] == "Bay 1"
    # One scale for every small plot.
    assert told.top == max(v for _, days in told.plots for v in days if v is not None)


def test_no_failure_says_at_least_and_an_overdrawn_drum_says_empty():
    t = counted(pump(displacement_known=True))
    over = drums.forecast(
        drums.Drum(START, 100_000.0, 5600), drums.stroke(60, known=True), t.days,
        datetime.fromtimestamp(MONTH[1], UTC).date(),
    )  # fmt: skip
    part = bays.Part(t, counted(span=BEFORE), drum=over)
    got = bays.compare("Bay", bays.by_bay([part]), bays.Unit("all", "All bays", (part,)))
    told = table.table(got, US, UTC_ZONE, MONTH[1])
    cells = dict(zip(told.headings, told.rows[0], strict=True))
    assert cells["Time between failures"].text == "over 12 days"
    assert cells["Time between failures"].note == "no failure seen"
    assert cells["First drum to end"].text == "P1: may be empty now"
    assert cells["Draws served badly"].note.endswith("no clear change")
    assert not any("assumed displacement" in note for note in told.notes)


def test_short_periods_and_guessed_displacements_are_said():
    week = (START, START + 3 * DAY_S)
    got = site(counted(span=week, episodes=draws(week)))
    assert any("Under a week" in note for note in got.notes)
    assert any("catch test" in note for note in got.notes)
    assert any("period before" in note for note in got.notes)


def test_changes_against_the_period_before_are_told_in_words():
    old = counted(
        span=BEFORE, episodes=draws(BEFORE, spread=6),
        faults=[Fault(Kind.AIRLOCK, BEFORE[0] + (d + 1) * DAY_S + 30_000,
                      BEFORE[0] + (d + 1) * DAY_S + 36_000) for d in range(14)],
    )  # fmt: skip
    better = counted(episodes=draws(MONTH, strokes=16, spread=6))
    told = table.table(site(better, before=[old]), US, UTC_ZONE, MONTH[1])
    cells = dict(zip(told.headings, told.rows[0], strict=True))
    assert cells["Failures"].note == "fewer than before"
    assert cells["Draws served badly"].note.endswith("fewer than before")
    assert cells["Chemical per draw"].note.startswith("down 2")
    assert " %)" in cells["Chemical per draw"].note
    worse = counted(episodes=draws(MONTH, strokes=24, spread=6),
                    faults=[fault_at(d, 2) for d in range(20)])  # fmt: skip
    calm = counted(span=BEFORE, episodes=draws(BEFORE, spread=6))
    told = table.table(site(worse, before=[calm]), US, UTC_ZONE, MONTH[1])
    cells = dict(zip(told.headings, told.rows[0], strict=True))
    assert cells["Failures"].note.startswith("more than before")
    assert cells["Draws served badly"].note.endswith("more than before")
    assert cells["Chemical per draw"].note.startswith("up 2")


def test_shared_pumps_are_named_and_vehicles_shown_where_known():
    parts = [bays.Part(counted(pump("P1", ("1", "2"))))]
    units = bays.by_bay(parts, vehicles={"1": (100, 90)})
    got = bays.compare("Bay", units, bays.Unit("all", "All", tuple(parts)))
    told = table.table(got, US, UTC_ZONE, MONTH[1])
    cells = dict(zip(told.headings, told.rows[0], strict=True))
    assert cells["Bay"].note == "shared: P1"
    assert cells["Per vehicle"].text == "0.444 US gal"
    assert dict(zip(told.headings, told.rows[1], strict=True))["Per vehicle"].text == "–"


def test_what_is_neither_draw_nor_rest_does_not_count():
    odd = Episode("P1", "something new", START + 9, START + 20, False, 9, {})
    assert counted(episodes=[odd]).draws == 0


def test_a_long_leak_costs_air_even_without_prices():
    leak = [Episode("P1", "idle strokes", START + k, START + k + 1, False, 1, {})
            for k in range(0, 90_000, 9)]  # fmt: skip
    part = bays.Part(counted(episodes=leak))
    got = bays.compare("Bay", bays.by_bay([part]), bays.Unit("all", "All", (part,)))
    cells = dict(zip(*(lambda t: (t.headings, t.rows[0]))(
        table.table(got, US, UTC_ZONE, MONTH[1])), strict=True))  # fmt: skip
    assert cells["Cost of it"].text.endswith("kWh of air")
    assert cells["Ran away"].text.endswith("US gal")
    assert cells["Chemical"].text.startswith("0")


def test_failures_that_come_ever_faster_are_said_to():
    at = [27 * (k / 12) ** 0.3 for k in range(1, 13)]
    faster = site(counted(faults=[fault_at(d, 0.2) for d in at])).rows[0]
    slower = site(counted(faults=[fault_at(27 - d, 0.2) for d in at])).rows[0]
    even = site(counted(faults=[fault_at(2 * k + 1, 0.2) for k in range(12)])).rows[0]
    assert faster.failure_trend == "coming faster"
    assert slower.failure_trend == "coming slower"
    assert even.failure_trend == ""
    told = table.table(site(counted(faults=[fault_at(d, 0.2) for d in at])), US, UTC_ZONE, MONTH[1])
    assert dict(zip(told.headings, told.rows[0], strict=True))["Failures"].note == "coming faster"
