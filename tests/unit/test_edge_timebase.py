"""Unix time from a steady clock: steps, jitter, a clock that was never set."""

from edge.pace import Pace, unix_us
from edge.timebase import Timebase, is_synchronised

WALL = 1_764_000_000_000_000


def test_jitter_does_not_move_the_grid_and_drift_does() -> None:
    base = Timebase()
    base.follow(WALL, 0)
    base.follow(WALL + 1_000_000 + 300, 1_000_000)
    assert base.offset_us == WALL
    base.follow(WALL + 2_000_000 + 6_000, 2_000_000)
    assert (base.offset_us, base.steps) == (WALL + 6_000, 0)


def test_steps_forward_and_back_are_followed_and_counted() -> None:
    base = Timebase()
    base.follow(WALL, 0)
    base.follow(WALL + 3_600_000_000, 1_000)
    base.follow(WALL, 2_000)
    assert base.steps == 2
    assert abs(base.offset_us - WALL) < 5_000


def test_a_clock_in_1970_is_not_set() -> None:
    base = Timebase()
    assert not base.is_set(0)
    base.follow(60_000_000, 1_000_000)
    assert not base.is_set(1_000_000)
    base.follow(WALL, 2_000_000)
    assert base.is_set(2_000_000)


def test_the_kernel_is_asked_and_answers() -> None:
    assert is_synchronised() in (True, False)


def test_simulated_time_runs_at_its_speed_and_never_leaps() -> None:
    pace = Pace(WALL, 60.0)
    assert pace.step(5_000_000) == WALL
    assert pace.step(5_500_000) == WALL + 30_000_000
    assert pace.step(99_000_000) == WALL + 90_000_000, "60 s at most"
    assert pace.step(98_000_000) == WALL + 90_000_000, "never back"


def test_rfc_3339_times() -> None:
    """Example of RFC 3339 section 5.8."""
    assert unix_us("1996-12-19T16:39:57-08:00") == 851_042_397_000_000
