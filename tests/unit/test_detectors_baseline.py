"""The learnt baseline: budget kept on any shape of numbers, moves told, real life re-learnt."""

import csv
from datetime import datetime
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from monitor.advice.kinds import Kind
from monitor.detectors import baseline as module
from monitor.detectors.baseline import FEATURES, Baseline, Feature
from monitor.detectors.finding import Presence
from monitor.detectors.joint import Joint
from monitor.detectors.kept import numbers
from monitor.detectors.learned import Learned, Learning, rank_score, settle
from monitor.errors import BadSettings
from monitor.signals.types import Episode
from monitor.store.work_log import Work
from monitor.units import PA_PER_PSI

DAY_S = 86_400.0


def autocorrelated(rng, n, phi):
    x = np.zeros(n)
    for i in range(1, n):
        x[i] = phi * x[i - 1] + rng.normal()
    return x


SHAPES = {
    "normal": lambda rng, n: rng.normal(size=n),
    "two functions": lambda rng, n: np.where(rng.random(n) < 0.8, 0, 10) + rng.normal(size=n),
    "skewed": lambda rng, n: rng.exponential(size=n),
    "heavy tails": lambda rng, n: rng.standard_t(4, size=n),
    "small counts": lambda rng, n: rng.poisson(3, size=n).astype(float),
    "autocorrelated": lambda rng, n: autocorrelated(rng, n, 0.5),
    "cold mornings": lambda rng, n: 2 * np.sin(np.arange(n) * 2 * np.pi / 100) + rng.normal(size=n),
}


def alarms(values, learned, per_day=100):
    count, before = 0, None
    for i, value in enumerate(values):
        move = learned.update(i * DAY_S / per_day, float(value))
        count += move is not None and before is None
        before = move
    return count


@pytest.mark.slow
@pytest.mark.parametrize("shape", SHAPES)
def test_false_alarms_stay_within_the_budget_whatever_the_shape(shape):
    # Eight pump-months at 100 draws a day; the budget here is one a month and test, two tests.
    rng = np.random.default_rng(12)
    count = 0
    for _ in range(8):
        learned = Learned("x", 1e-3, 2, learning=Learning(alarms_per_month=2.0))
        count += alarms(SHAPES[shape](rng, 3000), learned)
    # Garwood's exact lower limit of the rate must not lie above the budget.
    lowest = stats.chi2.ppf(0.025, 2 * count) / 2 if count else 0.0
    assert lowest <= 16


@pytest.mark.slow
@pytest.mark.parametrize(("sigmas", "within"), [(1.5, 25), (2, 15), (3, 9), (5, 6), (-3, 9)])
def test_a_lasting_shift_is_told_in_a_few_draws_at_the_fleet_budget(sigmas, within):
    rng = np.random.default_rng(5)
    late = 0
    for _ in range(20):
        learned = Learned("x", 1e-3, 22)
        alarms(rng.normal(size=400), learned)
        learned.calm()
        for k in range(1, within + 1):
            move = learned.update(400 * 864.0 + k * 864.0, rng.normal(sigmas))
            if move is not None:
                break
        late += move is None
        if move is not None:
            assert move.direction == np.sign(sigmas)
            assert 400 * 864.0 - 30 * 864 <= move.since_ts <= 400 * 864.0 + k * 864.0
            assert move.recent == pytest.approx(sigmas, abs=2)
    assert late <= 2


def test_one_odd_draw_decides_nothing():
    rng = np.random.default_rng(1)
    learned = Learned("x", 1e-3, 22)
    alarms(rng.normal(size=100), learned)
    assert learned.update(1e6, 1e9) is None
    assert learned.update(1e6 + 1, 0.0) is None


def test_nothing_is_said_before_the_start_and_bad_first_draws_do_no_harm():
    learned = Learned("x", 0.01, 10)
    for i in range(19):
        assert learned.update(i * 100.0, 1000.0 if i % 4 == 0 else 5.0 + i / 100) is None
        assert learned.usual() is None
        assert learned.robust_z(5.0) is None
        assert not learned.ready
    learned.update(1900.0, 5.0)
    assert learned.ready
    assert learned.level.median == pytest.approx(5.1, abs=0.1)  # five of twenty were absurd


def test_a_constant_number_moves_only_by_what_matters():
    learned = Learned("strokes_to_stall", 0.5, 22)
    for i in range(200):
        assert learned.update(i * 864.0, 5.0) is None
    assert learned.usual() == (5.0, 5.0)
    same = Learned("demand_pa", 100.0, 22, floor_share=0.02)
    for i in range(200):
        same.update(i * 864.0, 300_000.0)
    for i in range(200, 240):
        assert same.update(i * 864.0, 301_000.0) is None  # a third of a percent
    for i in range(240, 260):
        move = same.update(i * 864.0, 330_000.0)
    assert move is not None


def test_learning_stops_while_a_finding_stands():
    rng = np.random.default_rng(2)
    learned = Learned("x", 1e-3, 22)
    alarms(rng.normal(size=200), learned)
    before = learned.level
    for i in range(200, 900):
        learned.update(i * 864.0, rng.normal(1.0), learn=False)
    assert learned.level == before
    assert learned.move is not None
    learned.restart()
    assert learned.move is None
    assert learned.usual() is None


def test_a_move_that_ends_by_itself_is_over_soon_after():
    rng = np.random.default_rng(3)
    learned = Learned("x", 1e-3, 22)
    alarms(rng.normal(size=200), learned)
    for i in range(200, 400):
        learned.update(i * 864.0, rng.normal(4.0))
    assert learned.move is not None
    over = next(i for i in range(400, 500) if learned.update(i * 864.0, rng.normal()) is None)
    assert over - 400 <= 45


@pytest.mark.slow
def test_a_season_is_followed_without_an_alarm():
    # Five sigma up and down over a year, 20 draws a day.
    rng = np.random.default_rng(4)
    year = 365 * 20
    values = 5 * np.sin(np.arange(year) * 2 * np.pi / year) + rng.normal(size=year)
    assert alarms(values, Learned("x", 1e-3, 22), per_day=20) == 0


@pytest.mark.slow
def test_memory_is_bounded_over_many_draws():
    rng = np.random.default_rng(6)
    learned = Learned("x", 1e-3, 22, learning=Learning(window_draws=50, least_draws=50))
    for i, value in enumerate(rng.normal(size=20_000)):
        learned.update(i * 60.0, float(value))
    assert learned.count == 50
    assert learned._kept.waiting <= 31


def test_what_is_kept_moves_up_in_order_and_never_grows():
    kept, want, waits = numbers(5, 3), [], []
    rng = np.random.default_rng(1)
    for i in range(400):
        if rng.random() < 0.1:
            kept.drop()
            waits = []
        kept.append((i, float(i)))
        waits = [*waits, i][-(8 - len(want)) :]
        if rng.random() < 0.6:
            keep = int(rng.integers(0, 3))
            cut = max(len(waits) - keep, 0)
            assert kept.admit(keep) == cut
            want, waits = (want + waits[:cut])[-5:], waits[cut:]
        assert kept.learnt["x"].tolist() == want
        assert kept.waiting == len(waits)


def test_ranks_give_normal_scores_and_grow_beyond_what_is_known():
    known = np.arange(1.0, 100.0)
    assert rank_score(50.0, known, 1e-9, 28.0) == pytest.approx(0.0, abs=0.01)
    assert rank_score(97.5, known, 1e-9, 28.0) == pytest.approx(stats.norm.ppf(0.975), abs=0.01)
    top = rank_score(99.0, known, 1e-9, 28.0)
    assert rank_score(99.0 + 28.0, known, 1e-9, 28.0) == pytest.approx(top + 1, abs=0.25)
    assert rank_score(1.0, known, 1e-9, 28.0) == pytest.approx(-top)


def test_a_level_of_two_values_is_still_a_level():
    level = settle(np.array([3.0, 3.0]), 0.1, 4.0)
    assert (level.mean, level.sigma) == (3.0, 0.1)


# river 0.26 (BSD-3), datasets/water-flow.csv: flow of a water main, hourly; its package speaks of
# three low stretches, at these times by our own reading of the series (UTC).
LOWS = [
    ("2022-03-24T08:00", "2022-03-25T00:00"),
    ("2022-03-29T07:00", "2022-03-29T16:00"),
    ("2022-04-27T13:00", "2022-04-28T03:00"),
]


def test_the_trailing_level_finds_every_low_stretch_of_a_water_main_and_nothing_else():
    path = Path(find_spec("river").origin).parent / "datasets" / "water-flow.csv"
    rows = list(csv.reader(path.read_text("utf-8").splitlines()))[1:]
    times = [datetime.fromisoformat(t).timestamp() for t, _ in rows]
    spans = [
        tuple(datetime.fromisoformat(x + "+00:00").timestamp() for x in stretch) for stretch in LOWS
    ]
    learned = Learned(
        "flow", 1e-3, 1,
        learning=Learning(start_draws=48, least_draws=50, window_draws=168, window_s=168 * 3600.0),
    )  # fmt: skip
    hits = []
    for ts, (_, value) in zip(times, rows, strict=True):
        z = learned.robust_z(float(value))
        if z is not None and abs(z) > 10:
            hits.append(ts)
        learned.learn(ts, float(value))
    hour = 3600.0
    false = [t for t in hits if not any(a - hour <= t <= b + hour for a, b in spans)]
    found = [any(a - hour <= t <= b + hour for t in hits) for a, b in spans]
    assert found == [True, True, True]
    assert false == []


def test_a_strange_mixture_is_told_though_every_number_is_usual():
    rng = np.random.default_rng(8)
    joint = Joint(3, 50_000.0)
    root = np.linalg.cholesky([[1, 0.95, 0], [0.95, 1, 0], [0, 0, 1]])
    for row in rng.normal(size=(600, 3)) @ root.T:
        assert not joint.update(row)
    # Each number within 1.7 sigma, but the two that always go together part.
    for k in range(12):  # noqa: B007 - the count is judged below
        if joint.update(np.array([1.7, -1.7, 0.0]) + 0.1 * rng.normal(size=3)):
            break
    assert k < 8
    assert {i for i, _ in joint.moved()[:2]} == {0, 1}
    assert sum(joint.review().answer) >= 0
    joint.calm()  # a drum was changed: the next strange draws stand by themselves
    assert joint.moved() == []
    for _ in range(12):
        joint.update(np.array([1.7, -1.7, 0.0]) + 0.1 * rng.normal(size=3))
    assert joint.strange
    assert {i for i, _ in joint.moved()[:2]} == {0, 1}
    joint.restart()
    assert joint.moved() == []
    assert joint.review().answer == ()


def test_the_forest_sees_draws_from_elsewhere_and_not_the_pumps_own():
    rng = np.random.default_rng(9)
    joint = Joint(4, 50_000.0)
    for row in rng.normal(size=(300, 4)):
        joint.update(row)
    assert sum(joint.review().answer) <= 2
    for _ in range(8):
        joint.update(np.full(4, 3.5), learn=False)
    assert sum(joint.review().answer) == 8


def test_missing_scores_are_left_out_and_too_many_cannot_tell():
    rng = np.random.default_rng(10)
    joint = Joint(4, 50_000.0)
    for row in rng.normal(size=(300, 4)):
        row[3] = np.nan
        joint.update(row)
    assert list(joint.model.columns) == [0, 1, 2]
    before = len(joint.latest), list(joint.hits)
    joint.update(np.array([np.nan, np.nan, 1.0, 1.0]))
    assert list(joint.hits) == before[1]


# ---------------------------------------------------------------------- the pump as a whole


def draw(rng, ts, **changed):
    """An honest draw of a 60 psi pump; factors in `changed` multiply a feature."""
    scale = {
        name: changed.get(name, 1.0) for name in (*(f.name for f in FEATURES), "recovery_s", "set")
    }
    air = 60 * PA_PER_PSI * scale["set"]
    size = rng.choice([0.8, 1.2])  # two bay functions
    demand = air * (0.9 - 0.1 * size) * (1 + 0.01 * rng.normal()) * scale["demand_pa"]
    rate = 1.6e-3 * size * np.sqrt(demand) * (1 + 0.02 * rng.normal()) * scale["rate_hz"]
    features = {
        "stall_after_pa": air * (1 + 0.005 * rng.normal()) * scale["stall_after_pa"],
        "demand_pa": demand,
        "sqrt_demand": np.sqrt(demand),
        "rate_hz": rate,
        "dip_pa": 0.1 * air * (1 + 0.05 * rng.normal()) * scale["dip_pa"],
        "dip_s": 0.12 * (1 + 0.05 * rng.normal()) * scale["dip_s"],
        "asymmetry": abs(0.01 * rng.normal()) * scale["asymmetry"],
        "ragged": abs(0.03 + 0.005 * rng.normal()) * scale["ragged"],
        "recovery_s": (1.5 + 0.1 * rng.normal()) * scale["recovery_s"],
        "strokes_to_stall": float(rng.integers(1, 4)) * scale["strokes_to_stall"],
        "gas_ml": 30 * (1 + 0.1 * rng.normal()) * scale["gas_ml"],
        "dry_start_strokes": 0.0,
    }
    return Episode("P1", "draw", ts, ts + 20.0, False, 20, features)


def live(baseline, rng, days, start=0.0, per_day=40, **changed):
    """Days of draws from `start`; the findings."""
    return [
        baseline.update(draw(rng, start + i * DAY_S / per_day, **changed))
        for i in range(int(days * per_day))
    ]


def test_three_days_of_honest_draws_are_quiet():
    rng = np.random.default_rng(23)
    baseline = Baseline("P1")
    assert Presence.YES not in {f.presence for f in live(baseline, rng, 3)}
    assert baseline.ready


@pytest.mark.slow
def test_two_weeks_of_honest_draws_is_quiet_and_has_a_usual_range():
    rng = np.random.default_rng(11)
    baseline = Baseline("P1")
    assert not baseline.ready
    found = live(baseline, rng, 15)
    assert all(f.presence is Presence.CANNOT_TELL for f in found[:20])
    assert {f.presence for f in found[20:]} == {Presence.NO}
    low, high = baseline.usual("stall_after_pa")
    assert 57 * PA_PER_PSI < low < 60 * PA_PER_PSI < high < 63 * PA_PER_PSI
    assert baseline.usual("no such") is None
    assert abs(baseline.robust_z("stall_after_pa", 60 * PA_PER_PSI)) < 1
    assert baseline.robust_z("no such", 1.0) is None


def test_a_slow_recovery_is_unusual_with_low_weight_and_named():
    rng = np.random.default_rng(12)
    baseline = Baseline("P1")
    live(baseline, rng, 4)
    found = live(baseline, rng, 0.25, 4 * DAY_S, recovery_s=5.0)
    last = found[-1]
    assert last.presence is Presence.YES
    assert last.kind is Kind.UNUSUAL
    assert last.confidence <= 0.5
    assert last.severity <= 0.3
    assert "time back to stall higher" in last.sentence
    named = {e.name: e for e in last.evidence}["time back to stall"]
    assert named.value > named.usual_high
    assert named.unit == "stroke times"
    assert 4 * DAY_S - 3 * 2160 <= last.since_ts <= last.ts


def test_a_new_air_set_point_is_learnt_without_an_alarm():
    rng = np.random.default_rng(13)
    baseline = Baseline("P1")
    live(baseline, rng, 4)
    found = live(baseline, rng, 5, 4 * DAY_S, set=1.3)
    assert Presence.YES not in {f.presence for f in found}
    low, high = baseline.usual("stall_after_pa")
    assert low < 78 * PA_PER_PSI < high


def test_a_pressure_that_wanders_is_no_new_set_point():
    rng = np.random.default_rng(14)
    baseline = Baseline("P1")
    live(baseline, rng, 4)
    found = []
    for i in range(40):
        found += live(baseline, rng, 1 / 40, 4 * DAY_S + i * 2160, set=0.8 - 0.3 * (i % 4) / 4)
    assert found[-1].presence is Presence.YES
    assert any("stall pressure lower" in f.sentence for f in found)
    # And a level outside what a pump may have is judged at once.
    again = Baseline("P1")
    live(again, rng, 4)
    low = live(again, rng, 0.4, 4 * DAY_S, set=0.25)
    assert low[-1].presence is Presence.YES


def test_while_a_finding_stands_a_step_is_not_learnt():
    rng = np.random.default_rng(15)
    baseline = Baseline("P1")
    live(baseline, rng, 4)
    before = baseline.usual("stall_after_pa")
    for i in range(60):
        baseline.update(draw(rng, 4 * DAY_S + i * 2160, set=0.6), learn=False)
    assert baseline.usual("stall_after_pa") == before


def paired(rng, ts, together=1.0):
    """A draw of two numbers that always go together (or, with -1, against each other)."""
    a = rng.normal()
    b = together * 0.97 * a + 0.24 * rng.normal()
    return Episode("P1", "draw", ts, ts + 9, False, 9, {"a": 10 + a, "b": 20 + b, "c": None})


def test_numbers_that_part_are_unusual_though_each_is_usual_and_are_named():
    rng = np.random.default_rng(19)
    features = tuple(Feature(n, f"number {n}", "s", 0.05, 0.0) for n in "abc")
    baseline = Baseline("P1", features)
    for i in range(400):
        assert baseline.update(paired(rng, i * 2160.0)).presence is not Presence.YES
    found = [baseline.update(paired(rng, (400 + i) * 2160.0, -1.0)) for i in range(12)]
    told = [f for f in found if f.presence is Presence.YES]
    assert told
    assert told[0].confidence == 0.3
    assert told[0].since_ts <= told[0].ts
    assert told[0].sentence.startswith("Unusual for this pump: ")
    # An outlying draw in one direction is then named by its numbers.
    one = Episode("P1", "draw", 1e6, 1e6 + 9, False, 9, {"a": 11.5, "b": 18.5})
    for _ in range(8):
        last = baseline.update(one, learn=False)
    assert last.presence is Presence.YES
    assert {e.name for e in last.evidence} <= {"number a", "number b"}
    assert last.evidence


def test_twins_among_the_features_do_no_harm():
    rng = np.random.default_rng(20)
    joint = Joint(4, 50_000.0)
    for row in rng.normal(size=(300, 2)):
        assert not joint.update(np.array([row[0], row[0], row[1], 0.0]))
    assert list(joint.model.columns) == [0, 1, 2]
    # Nothing that varies, or too little that is known: it cannot tell.
    for rows in (np.zeros((200, 3)), np.full((200, 3), np.nan), rng.normal(size=(200, 1))):
        dumb = Joint(rows.shape[1], 50_000.0)
        for row in rows:
            dumb.update(row)
        assert dumb.model is None
        assert dumb.review().answer == ()


def test_bad_input_costs_itself_and_the_baseline_still_works_afterwards():
    rng = np.random.default_rng(21)
    baseline = Baseline("P1")
    live(baseline, rng, 4)
    same = draw(rng, 4 * DAY_S)
    before = dict(same.features)
    nothing = Episode("P1", "draw", 4 * DAY_S, 4 * DAY_S + 9, False, 9, {})
    for episode in (same, same, draw(rng, 2 * DAY_S), nothing, draw(rng, 4 * DAY_S)):
        assert baseline.update(episode).presence is Presence.NO
    assert same.features == before
    found = live(baseline, rng, 0.5, 5 * DAY_S, gas_ml=3.0)
    assert found[-1].presence is Presence.YES
    assert "gas in the line higher" in found[-1].sentence


def test_a_new_set_point_is_learnt_though_some_numbers_are_missing():
    rng = np.random.default_rng(22)
    baseline = Baseline("P1")
    live(baseline, rng, 4)
    for i in range(30):
        episode = draw(rng, 4 * DAY_S + i * 2160, set=0.7)
        del episode.features["dip_pa"]
        assert baseline.update(episode).presence is not Presence.YES
    assert baseline.usual("dip_pa") is None
    assert baseline.usual("stall_after_pa")[1] < 45 * PA_PER_PSI


@pytest.mark.parametrize(
    ("what", "forgets"),
    [
        ("pump changed", {"stall_after_pa", "recovery_strokes"}),
        ("seals", {"stall_after_pa", "recovery_strokes", "asymmetry"}),
        ("foot valve cleaned", {"dry_start_strokes"}),
        ("set point changed", {"stall_after_pa", "rate_hz"}),
        ("drum changed", set()),
        ("note", set()),
        ("catch test", set()),
    ],
)
def test_work_rebases_what_it_should(what, forgets):
    rng = np.random.default_rng(16)
    baseline = Baseline("P1")
    live(baseline, rng, 3)
    baseline.note(3 * DAY_S, what)
    for name in forgets:
        assert baseline.usual(name) is None
    if what == "set point changed":
        assert baseline.usual("asymmetry") is not None
    if not forgets:
        assert baseline.usual("stall_after_pa") is not None


def test_the_work_words_are_those_of_the_log():
    known = {work.value for work in Work}
    ours = module.RESTART_ALL | module.RESTART_AIR | module.CALM_ONLY
    assert ours - known == {"accepted as usual"}


def test_rebuilding_from_stored_episodes_gives_the_same_usual_and_the_same_verdicts():
    rng = np.random.default_rng(17)
    episodes = [draw(rng, i * 2160.0) for i in range(160)]
    lived, built = Baseline("P1"), Baseline("P1")
    for i, episode in enumerate(episodes):
        if i == 60:
            lived.note(episode.end_ts - 1, "set point changed")
        lived.update(episode, learn=not 100 <= i <= 120)
    held = (episodes[100].end_ts, episodes[120].end_ts)
    built.rebuild(episodes, [(episodes[60].end_ts - 1, "set point changed")], [held])
    for feature in FEATURES:
        ours, theirs = lived.usual(feature.name), built.usual(feature.name)
        assert (ours is None) == (theirs is None)
        if ours is not None:
            assert theirs == pytest.approx(ours, rel=0.05, abs=feature.floor)
    after = [draw(rng, 160 * 2160.0 + i * 2160, recovery_s=5.0) for i in range(10)]
    assert [lived.update(e).presence for e in after] == [built.update(e).presence for e in after]


def test_rebuilding_forgets_what_a_repair_or_an_unlogged_set_point_made_old():
    rng = np.random.default_rng(24)
    old = [draw(rng, i * 2160.0, set=0.6, gas_ml=5.0) for i in range(150)]
    new = [draw(rng, (150 + i) * 2160.0) for i in range(100)]
    built = Baseline("P1")
    built.rebuild([*old, *new])
    assert built.usual("stall_after_pa")[0] > 57 * PA_PER_PSI
    changed = Baseline("P1")
    changed.rebuild([*old, *new], [(150 * 2160.0 - 1, "pump changed")])
    assert changed.usual("gas_ml")[1] < 60
    assert changed.usual("asymmetry") is not None
    calm = Baseline("P1")
    calm.rebuild(new, [(160 * 2160.0, "note")])
    assert calm.usual("stall_after_pa") == changed.usual("stall_after_pa")
    nothing = Baseline("P1")
    nothing.rebuild([])
    assert not nothing.ready


def test_a_move_that_stood_before_a_restart_stands_after_it():
    rng = np.random.default_rng(25)
    episodes = [draw(rng, i * 2160.0) for i in range(150)]
    episodes += [draw(rng, (150 + i) * 2160.0, recovery_s=5.0) for i in range(20)]
    built = Baseline("P1")
    built.rebuild(episodes)
    assert [move.name for move in built.moves()] == ["recovery_strokes"]
    assert built.joint._kept.count > 0


def test_strokes_at_rest_become_a_rate_and_a_leak_shows():
    rng = np.random.default_rng(18)
    baseline = Baseline("P1")

    def night(ts, strokes):
        for k in range(strokes):
            at = ts + 60 * k
            baseline.update(Episode("P1", "idle strokes", at, at + 2, False, 1, {}))
        baseline.update(Episode("P1", "dead-head", ts, ts + 1800, False, 0, {}))
        return baseline.update(draw(rng, ts + 1810))

    for i in range(200):
        assert night(i * 2160.0, 0).presence is not Presence.YES
    found = [night((200 + i) * 2160.0, 4) for i in range(10)]
    assert found[-1].presence is Presence.YES
    assert "strokes at rest higher" in found[-1].sentence


@pytest.mark.parametrize(
    "episode",
    [
        Episode("P1", "draw", 0, 10, True, 9, {"stall_after_pa": 1.0}),
        Episode("P1", "draw", 0, 10, False, 2, {"stall_after_pa": 1.0}),
        Episode("P1", "draw", 0, 10, False, 9, {"stall_after_pa": 1.0, "cut": 1.0}),
        Episode("P1", "prime", 0, 10, False, 9, {"stall_after_pa": 1.0}),
        Episode("P1", "draw", 0, 10, False, 9, {"stall_after_pa": None, "gas_ml": float("nan")}),
    ],
)
def test_what_tells_nothing_cannot_tell_and_is_not_learnt(episode):
    baseline = Baseline("P1")
    assert baseline.update(episode).presence is Presence.CANNOT_TELL
    assert all(one.count == 0 for one in baseline.learned.values())


@pytest.mark.parametrize(
    ("build", "names"),
    [
        (lambda: Baseline("P1", ()), "P1"),
        (lambda: Baseline("P1", (Feature("a", "a", "", 1), Feature("a", "b", "", 1))), "once"),
        (lambda: Learned("gas_ml", 0.0, 3), "gas_ml"),
        (lambda: Learning(start_draws=1), "start_draws"),
        (lambda: Learning(alarms_per_month=0), "alarms_per_month"),
        (lambda: Learning(clip_sigma=1), "clip_sigma"),
    ],
)
def test_bad_settings_are_refused_by_their_name(build, names):
    with pytest.raises(BadSettings, match=names):
        build()
