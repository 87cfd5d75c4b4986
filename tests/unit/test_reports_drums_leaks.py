"""Drums that end when said, leaks and their cost."""

from datetime import date, timedelta

import numpy as np
import pytest

from monitor.reports import drums, leaks
from monitor.reports.figures import Interval

TODAY = date(2026, 6, 1)  # a Monday


def ago(day):
    return (TODAY - day).days


def days(strokes, n=56):
    dates = [TODAY - timedelta(days=k) for k in range(n, 0, -1)]
    return [drums.Day(d, strokes(d) if callable(strokes) else strokes) for d in dates]


def test_an_even_drum_ends_after_volume_over_daily_use():
    # 200 L, 60 mL, 500 strokes a day of which 1000 are done: 140 L left, 30 L a day: 4.67 days.
    drum = drums.Drum(0.0, 200_000.0, 1000)
    got = drums.forecast(drum, drums.Stroke(60, 60, 60), days(500.0), TODAY)
    assert got.left_ml.value == pytest.approx(140_000)
    assert got.per_day_ml == pytest.approx(30_000)
    assert got.days.value == pytest.approx(140 / 30)
    assert got.days.low == pytest.approx(130 / 30)  # the dip tube leaves 10 L
    assert got.days.high == pytest.approx(140 / 30)
    assert not got.empty_now


def test_a_busy_saturday_is_foreseen():
    # Nothing but Saturdays: a drum for two of them lasts until the second Saturday.
    only = days(lambda d: 700.0 if d.weekday() == 5 else 0.0)
    drum = drums.Drum(0.0, 84_000.0 * 0.9, 0)
    got = drums.forecast(drum, drums.Stroke(60, 60, 60), only, TODAY)
    # Monday to the end of Saturday week is 13 days; the prior spreads a little over the week.
    assert 11 < got.days.value < 13


def test_the_interval_holds_as_often_as_it_says():
    # 300 pumps with days that differ and a displacement that is off by up to 3 %: the true end
    # lies inside the limits at least nine times in ten.
    rng = np.random.default_rng(3)
    inside = 0
    for _ in range(300):
        week = rng.uniform(50, 400, 7)
        history = days(lambda d, week=week: max(rng.normal(week[d.weekday()], 40), 0))
        true_ml = 60 * rng.uniform(0.97, 1.03)
        volume, done = 60_000.0, rng.uniform(0, 300)
        got = drums.forecast(
            drums.Drum(0.0, volume, done), drums.stroke(60, known=True), history, TODAY
        )
        left = volume * rng.uniform(0.95, 1.0) - done * true_ml
        day = TODAY
        end = 0.0
        while True:
            use = max(rng.normal(week[day.weekday()], 40), 0) * true_ml
            if use >= left:
                end += left / use
                break
            left, end, day = left - use, end + 1, day + timedelta(days=1)
        inside += got.days.low <= end <= (got.days.high or 1e9)
    assert inside >= 0.88 * 300


def test_a_guessed_displacement_widens_the_interval():
    drum = drums.Drum(0.0, 200_000.0, 1000)
    history = days(lambda d: 500.0 + 20 * (ago(d) % 3))
    sure = drums.forecast(drum, drums.stroke(60, known=True), history, TODAY)
    guess = drums.forecast(drum, drums.stroke(60, known=False), history, TODAY)
    assert guess.days.high - guess.days.low > 2 * (sure.days.high - sure.days.low)
    assert "56 days" in sure.basis


def test_an_idle_pump_never_ends_its_drum_and_an_overdrawn_one_is_empty():
    drum = drums.Drum(0.0, 200_000.0, 0)
    idle = drums.forecast(drum, drums.stroke(60, known=True), days(0.0), TODAY)
    assert idle.days == Interval(None, None, None)
    over = drums.forecast(
        drums.Drum(0.0, 200_000.0, 5000), drums.stroke(60, known=True),
        days(10.0), TODAY,
    )  # fmt: skip
    assert over.empty_now
    assert over.days.value == over.days.low == 0.0


def test_too_few_days_give_no_forecast_and_unwatched_days_do_not_count():
    drum = drums.Drum(0.0, 200_000.0, 0)
    few = days(lambda d: 500.0 if ago(d) <= 6 else None)
    assert drums.forecast(drum, drums.stroke(60, known=True), few, TODAY) is None
    seven = days(lambda d: 500.0 if ago(d) <= 7 else None)
    assert drums.forecast(drum, drums.stroke(60, known=True), seven, TODAY) is not None


def test_drums_run_empty_tell_the_displacement():
    got = drums.stroke_from_drums([(200_000, 3300), (200_000, 3350), (60_000, 1000)])
    assert got.ml == pytest.approx(460_000 / 7650 * 0.975)
    assert got.low_ml < 60_000 / 1000 * 0.975 < got.high_ml * 1.01
    assert drums.stroke_from_drums([(1000, 20)]).high_ml == pytest.approx(50 * 0.975 * 1.025)
    assert drums.stroke_from_drums([(0, 10)]) is None
    day = 86_400.0
    changes = [drums.Drum(0, 100, 9), drums.Drum(10 * day, 200, 8), drums.Drum(20 * day, 300, 7)]
    assert drums.cycles(changes, [19.5 * day]) == [(200, 8)]


def test_a_leak_of_one_stroke_an_hour():
    # 60 mL a stroke: one stroke an hour is 1 mL/min, 1.44 L a day (arithmetic).
    got = leaks.leak_ml_min(8, 8 * 3600.0, 60.0)
    assert got.value == pytest.approx(1.0)
    assert leaks.per_day_ml(got).value == pytest.approx(1440.0)
    assert got.low == pytest.approx((8 - 1.96 / 6**0.5) / 8)
    assert leaks.leak_ml_min(0, 3600.0, 60.0) == Interval(0.0, 0.0, 1.0)
    assert leaks.leak_ml_min(3, 0.0, 60.0).value is None


def test_the_limits_of_a_leak_hold_for_steady_leaks_begun_anywhere():
    rng = np.random.default_rng(1)
    inside = 0
    for _ in range(4000):
        rate = rng.uniform(0.5, 5.0)  # strokes an hour
        count = int(np.floor(8 * rate + rng.uniform()))
        got = leaks.leak_ml_min(count, 8 * 3600.0, 60.0)
        inside += got.low <= rate <= got.high
    assert inside / 4000 > 0.95


def test_leaks_cost_what_air_and_chemical_cost():
    # 1000 US gallons at 60 psig take about 2.7 kWh of compressor energy (computed from 18.7 kW a
    # 100 scfm and the air of a slow stroke).
    strokes = 3_785_411.784 / 60.0
    prices = leaks.Prices("EUR", chemical_per_l=2.0, energy_per_kwh=0.12)
    got = leaks.cost(strokes, 60.0, 60 * 6894.757, prices)
    assert got.energy_kwh == pytest.approx(2.7, rel=0.1)
    assert got.volume_ml == pytest.approx(3_785_411.784)
    assert got.chemical_money == pytest.approx(2 * 3785.411784)
    assert got.air_money == pytest.approx(0.12 * got.energy_kwh)
    assert got.money == got.chemical_money + got.air_money
    # One stroke of 60 mL at 58 psig costs 0.396 standard litres (computed by simulation).
    assert leaks.cost(1, 60.0, 58 * 6894.757, prices).air_l == pytest.approx(0.396, rel=0.06)


def test_without_prices_no_money_is_shown_and_dry_strokes_cost_air_only():
    got = leaks.cost(100, 60.0, 4e5, leaks.Prices())
    assert got.money is None
    dry = leaks.cost(100, 60.0, 4e5, leaks.Prices(energy_per_kwh=0.2, chemical_per_l=3), wet=False)
    assert dry.volume_ml == 0
    assert dry.chemical_money == 0
    assert dry.air_money > 0
    both = leaks.together(got, dry)
    assert both.strokes == 200
    assert both.money == dry.money
    assert leaks.together().money is None
