"""Whole sites: a common lack of air is one alarm, two pumps' own faults stay two."""

import pytest
from sites import AIR, Wash, watch

pytestmark = pytest.mark.slow

SITE = 3004
"""Of three pumps."""


def test_air_that_all_lack_is_one_alarm_about_the_supply() -> None:
    seen = watch(Wash("main at 35 psi", SITE))
    assert seen.early == ()
    assert {a.subject for a in seen.at_end} == {AIR}
    assert len(seen.at_end) == 1
    assert seen.right_side
    assert seen.delay_s is not None
    assert seen.delay_s < 300.0


def test_low_air_of_two_pumps_at_their_own_regulators_is_not_merged() -> None:
    seen = watch(Wash("low air on two", SITE))
    assert seen.supply is None
    assert {a.subject for a in seen.raised} == {"p1", "p2"}
