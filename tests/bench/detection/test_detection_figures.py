"""The benchmark's own arithmetic, on cases made by hand: a wrong table would be believed."""

from dataclasses import replace

import numpy as np
import pytest
from cases import Case, every_second
from life import monthly
from quantities import Told
from rates import pairs
from score import Score, raises
from sites import SCENES, Wash, draws_of
from table import Report, Result, wilson
from trust import Statement, calibration_error, count, show, statements

from monitor.advice.kinds import SIDE, Kind
from monitor.detectors.finding import Finding, Presence
from monitor.signals.types import Block

T0 = 1_750_000_000.0


def said(kind: Kind, ts: float, sure: float = 0.9) -> Finding:
    return Finding("p1", kind, Presence.YES, ts, ts, sure)


def score(case: Case, *yes: Finding, onset_ts: float = T0) -> Score:
    first = next((f for f in yes if f.ts > onset_ts), None)
    told = any(f.kind == case.kind for f in yes)
    side = str(SIDE[first.kind]) if first else "-"
    return Score(case, False, told, 1.0, 1, side, "-", (), (), onset_ts, yes)


def test_poisson_limits_are_the_tabled_ones() -> None:
    # Garwood's exact limits, as tabled in epidemiology handbooks: 0 -> 3.689, 3 -> 0.619 to 8.767.
    assert monthly(0, 30.0) == pytest.approx((0.0, 0.0, 3.689), abs=1e-3)
    assert monthly(3, 30.0) == pytest.approx((3.0, 0.619, 8.767), abs=1e-3)
    assert monthly(3, 60.0)[0] == 1.5


def test_wilson_limits_are_the_published_ones() -> None:
    # R. G. Newcombe, Statistics in Medicine 17 (1998), table I: 81/263 and 0/20.
    assert wilson(81, 263) == pytest.approx((0.2553, 0.3662), abs=1e-3)
    assert wilson(0, 20) == pytest.approx((0.0, 0.1611), abs=1e-3)


def test_half_the_rate_is_every_second_sample() -> None:
    block = Block(T0, 0.05, np.arange(7.0), np.array([T0 + 0.1]), np.arange(7.0), None)
    half = every_second(block)
    assert half.pressure_pa.tolist() == [0.0, 2.0, 4.0, 6.0]
    assert half.dt_s == 0.1
    assert half.demand is not None
    assert half.air_pa is None


def test_a_verdict_lost_at_another_rate_is_named() -> None:
    at_20 = [Case(Kind.LOW_AIR, s) for s in range(8)]
    base = [score(c, said(Kind.LOW_AIR, T0 + 1)) for c in at_20]
    other = [score(replace(c, rate_hz=10.0)) for c in at_20]
    (found,) = pairs([Result(s) for s in (*base, *other)], (10.0,))
    assert (found.n, found.told, found.base, len(found.lost)) == (8, 0, 8, 8)
    assert found.chance == pytest.approx(2 * 0.5**8)
    assert found.lost[0] == "low air/-/0/10 -> nothing"


def test_a_statement_before_the_onset_or_of_another_kind_is_wrong() -> None:
    yes = (
        said(Kind.LOW_AIR, T0 - 9.0, 0.7),
        said(Kind.LOW_AIR, T0 + 9.0, 0.9),
        said(Kind.AIR_SAG, T0 + 9.0),
        said(Kind.UNUSUAL, T0 + 9.0, 0.5),
    )
    case = score(Case(Kind.LOW_AIR, 1), *yes)
    assert [(s.kind, s.right, s.right_side) for s in statements([case])] == [
        (Kind.LOW_AIR, False, False),
        (Kind.AIR_SAG, False, True),
    ]
    counts = count(statements([case], by_band=True))
    assert counts[Kind.LOW_AIR] == ((0, 0), (0, 1), (1, 1))
    assert counts[Kind.AIR_SAG] == ((0, 0), (0, 0), (0, 1))
    assert counts[Kind.WORN] == ((0, 0), (0, 0), (0, 0))


def test_calibration_error_is_nothing_where_stated_and_seen_agree() -> None:
    sure = np.full(100, 0.75)
    right = np.arange(100) < 75
    assert calibration_error(sure, right.astype(float)) == pytest.approx(0.0)
    assert calibration_error(sure, np.zeros(100)) == pytest.approx(0.75)


def test_the_reliability_table_gives_the_brier_score() -> None:
    # Brier (1950): mean squared distance of the stated probability and 0 or 1.
    told = [Statement(i, Kind.WORN, 0.8, i % 4 != 0, True) for i in range(40)]
    report = Report()
    got = show(told, report)
    assert got["brier"] == pytest.approx(0.75 * 0.04 + 0.25 * 0.64)
    assert got["right"] == 0.75
    assert any(line.startswith("0.80-0.90") for line in report.text)


def test_what_would_call_nobody_is_not_counted_as_told() -> None:
    assert raises(said(Kind.WORN, T0, 0.5))
    assert not raises(said(Kind.WORN, T0, 0.4))


def test_an_interval_with_an_open_end_holds_what_lies_beyond() -> None:
    assert Told(9.0, 5.0, 4.0, None).inside
    assert not Told(3.0, 5.0, 4.0, None).inside


def test_at_a_conveyor_all_pumps_draw_together_else_each_for_itself() -> None:
    together, alone = Wash("main sags", 3001), Wash("main is wet", 3001)
    starts = [np.array([d.start_ts for d in draws_of(together, pump)]) for pump in (1, 3)]
    gap = starts[1] - starts[0]
    assert np.ptp(gap) < 1e-3
    assert draws_of(alone, 1) != draws_of(alone, 2)
    assert len({s.name for s in SCENES}) == len(SCENES)
