"""Draws of very few strokes: what they can say, and what they must not."""

import numpy as np
import pytest
from draw_kit import (
    DEMAND_PA,
    DIP_PA,
    INTERVAL_S,
    LATER,
    STALL_PA,
    draw,
)
from scipy.stats import binom

from monitor.advice.kinds import Kind
from monitor.detectors.air_in_suction import AirInSuction
from monitor.detectors.air_sag import AirSag
from monitor.detectors.ball_leak import BallLeak
from monitor.detectors.context import Context
from monitor.detectors.curves import sunk
from monitor.detectors.diaphragm import Diaphragm
from monitor.detectors.finding import Finding, Presence
from monitor.detectors.racing import race
from monitor.detectors.rank import rank, settled
from monitor.detectors.restricted_suction import RestrictedSuction
from monitor.detectors.stroke_counter import PRIOR_DIPS, StrokeCounter
from monitor.hydraulics.band import Band
from monitor.signals.strokes import alternation


@pytest.mark.parametrize(
    ("level_pa", "told"),
    [(0.9 * DEMAND_PA, True), (0.999 * DEMAND_PA, False), (STALL_PA, False), (None, False)],
    ids=["sunk", "as ever", "the valve closed with the stroke", "no sample"],
)
def test_a_draw_of_one_stroke_sinks_by_its_level(known: Context, level_pa, told):
    """Restricted suction costs pressure along the outlet's curve from the draw's start."""
    first, second = (draw(LATER + 60.0 * k, [], drawn_pa=level_pa) for k in (0, 1))
    assert (sunk(first, known) is not None) is told
    detector = RestrictedSuction()
    assert detector.update(first, known).presence is not Presence.YES  # one draw is no pattern
    known.learn(first)
    assert (detector.update(second, known).presence is Presence.YES) is told


def test_on_a_pump_of_several_outlets_one_stroke_says_nothing(known: Context):
    for k in range(10):
        known.learn(draw(LATER - 2000.0 + 100.0 * k, [0.6 * INTERVAL_S] * 5))
    assert not known.one_outlet
    assert sunk(draw(LATER, [], drawn_pa=0.9 * DEMAND_PA), known) is None


def test_a_second_bay_within_the_draw_is_no_air_in_the_suction(known: Context):
    """A joint lets air in all through the draw; here the first half is whole."""
    soft = {"dip_pa": 0.6 * DIP_PA, "dip_max_pa": 0.7 * DIP_PA}
    late = [INTERVAL_S] * 3 + [0.7 * INTERVAL_S, 0.55 * INTERVAL_S, 0.72 * INTERVAL_S]
    through = [0.8, 0.65, 0.85, 0.7, 0.6, 0.75]
    said = {}
    for name, strokes in (("late", late), ("through", [x * INTERVAL_S for x in through])):
        detector, found = AirInSuction(), []
        for k in range(3):
            event = draw(LATER + 100.0 * k, strokes, **soft)
            found.append(detector.update(event, known).presence)
        said[name] = Presence.YES in found
    assert said == {"late": False, "through": True}


def test_a_leak_whose_limits_hold_zero_is_not_told(known: Context, monkeypatch):
    alternate = [INTERVAL_S, 0.75 * INTERVAL_S] * 4
    for low, told in ((5.0, True), (0.0, False)):
        detector = BallLeak()
        monkeypatch.setattr(BallLeak, "_told", lambda *_: (30.0, Band(low, 60.0)))  # noqa: B023
        found = [
            detector.update(draw(LATER + 100.0 * k, alternate), known).presence for k in range(3)
        ]
        assert (Presence.YES in found) is told


@pytest.mark.parametrize(("extra", "told"), [(1.0, False), (2.0, True)])
def test_uncounted_dips_are_held_against_chance(known: Context, extra: float, told):
    """The binomial law (scipy.stats as the reference): a sound counter misses one dip in a hundred
    at most, less after a history without a miss. Twice one in three may still be chance, twice two
    in four is none."""
    detector = StrokeCounter()
    dips = 2.0 + extra
    found = [
        detector.update(
            draw(LATER + 100.0 * k, [INTERVAL_S], dips=dips, dips_cv=0.0), known
        ).presence
        for k in range(2)
    ]
    history = sum(known.usual["dip_share"].values) * (known.of("strokes") or 0.0)
    p = 1.0 / (history + PRIOR_DIPS)
    looks = [binom.sf(n * extra - 1, n * dips, p) for n in (1, 2)]
    assert bool(2 * min(looks) < detector.odds) is told
    assert (found[-1] is Presence.YES) is told


def test_a_slow_pump_races_by_its_own_rate(known: Context):
    """Half the nominal exhaust: it never reaches the class's dry rate, but seven times its own."""
    rate = 7.0 / INTERVAL_S
    assert rate < known.race_hz
    event = draw(
        LATER,
        [1.0 / rate] * 12,
        race_strokes=12.0,
        race_rate_hz=rate,
        race_pa=0.95 * STALL_PA,
        race_from_pa=0.98 * STALL_PA,
        race_before_strokes=0.0,
        race_swing_pa=0.0,
        race_s=12.0 / rate,
    )
    found = race(event, known)
    assert found is not None
    assert found.kind is Kind.AIRLOCK


def test_one_draw_does_not_rename_what_several_have_told(known: Context, monkeypatch):
    """A starved suction and a sagging supply are told apart by the draws together."""
    weights = iter([0.2] * 8 + [0.9] * 4)
    monkeypatch.setattr(AirSag, "weigh", lambda *_: next(weights))
    sag, names = AirSag(), []
    for k in range(12):
        event = draw(LATER + 100.0 * k, [1.05 * INTERVAL_S] * 4, demand_pa=0.9 * DEMAND_PA)
        if sag.update(event, known).presence is Presence.YES:
            names.append(k)
    assert names == []
    known.standing[Kind.RESTRICTED_SUCTION] = LATER
    weights = iter([0.65] * 4 + [0.95] * 10)
    for k in range(14):
        event = draw(LATER + 5000.0 + 100.0 * k, [1.05 * INTERVAL_S] * 4, demand_pa=0.9 * DEMAND_PA)
        if sag.update(event, known).presence is Presence.YES:
            names.append(k)
    assert names
    assert names[0] >= 4  # only once the mean of the last ten says so plainly


@pytest.mark.parametrize(
    ("other", "sure", "kept"),
    [(Kind.AIR_IN_SUCTION, 0.85, Kind.AIRLOCK), (Kind.LOST_PRIME, 0.95, Kind.LOST_PRIME)],
)
def test_one_matter_keeps_its_name_unless_another_is_plainly_surer(other, sure, kept):
    both = [
        Finding("p", kind, Presence.YES, LATER, LATER, confidence, causes=((kind, confidence),))
        for kind, confidence in ((Kind.AIRLOCK, 0.8), (other, sure))
    ]
    standing = frozenset({Kind.AIRLOCK})
    out = rank(both, standing)
    newly = [f for f in out if f.kind not in standing]
    assert {f.kind for f in newly} == {kept} - standing
    assert (Kind.AIRLOCK in {f.kind for f in settled(out, standing)}) is (kept is not Kind.AIRLOCK)


def test_a_dry_pump_of_few_strokes_a_run_alternates_as_nobody_can_say(known: Context):
    """Strokes count from run to run since the line was opened; this run has but one interval."""
    opened = draw(
        LATER, [0.4] * 12, opened_s=0.5, opened_from_pa=STALL_PA, demand_pa=0.5 * STALL_PA
    )
    known.learn(opened)
    event = draw(LATER + 40.0, [0.4], demand_pa=0.9 * STALL_PA, dip_pa=0.0)
    now = race(event, known)
    assert now is not None
    assert now.strokes > 10
    assert Diaphragm().update(event, known).presence is Presence.CANNOT_TELL
    assert alternation(np.array([0.4])) == (None, None)
    assert alternation(np.array([])) == (None, None)
