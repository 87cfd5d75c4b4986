"""What comes over months moves the usual values with it, and is held against the first draws."""

import numpy as np
import pytest

from monitor.advice.kinds import Kind
from monitor.detectors.context import ANCHOR
from monitor.detectors.finding import Presence
from monitor.detectors.watch import PumpWatch
from monitor.signals.types import Episode
from monitor.site import Pump, Site

T0 = 1_750_000_000.0
STALL_PA = 400_000.0
DRAWS = 400


def draw(n: int, *, slip: float = 0.0, starved: float = 0.0) -> Episode:
    """The n-th draw of one outlet, four a day: slip adds strokes, starving takes pressure."""
    rng = np.random.default_rng(n)
    demand = 370_000.0 - starved * STALL_PA + 300.0 * rng.normal()
    rate = 0.5 * (demand / 370_000.0) ** 0.5 * (1.0 + slip) * (1.0 + 0.004 * rng.normal())
    start = T0 + 21_600.0 * n
    at = start + 1.0 + np.arange(12) / rate
    return Episode(
        "p",
        "draw",
        start,
        start + 40.0,
        False,
        12,
        {
            "demand_pa": demand,
            "rate_hz": rate,
            "interval_s": 1.0 / rate,
            "interval_cv": 0.005,
            "conductance": rate / demand**0.5,
            "stall_after_pa": STALL_PA + 300.0 * rng.normal(),
            "dip_pa": 60_000.0 * (1.0 + 0.01 * rng.normal()),
            "dip_s": 0.15,
            "asymmetry": 0.002,
            "asymmetry_se": 0.002,
            "pairs": 5.0,
            "rest_before_s": 500.0,
            "recovery_s": 0.1,
        },
        at,
    )


def lived(**at_the_end: float) -> set[Kind]:
    """What is said over DRAWS draws that change evenly from sound to the end's values."""
    pump = Pump(id="p", displacement_ml=60.0, air_set_pa=STALL_PA + 10_000.0)
    watch = PumpWatch(Site(id="s", pumps=(pump,)), pump)
    said: set[Kind] = set()
    for n in range(DRAWS):
        share = n / (DRAWS - 1)
        event = draw(n, **{name: share * value for name, value in at_the_end.items()})
        found = watch.judge(event)
        said |= {f.kind for f in found if f.presence is Presence.YES}
    assert len(watch.context.anchor) == ANCHOR
    return said - {Kind.UNUSUAL}


def test_a_pump_that_wears_evenly_is_told_as_worn():
    assert lived(slip=0.2) == {Kind.WORN}


def test_a_strainer_that_clogs_evenly_is_told_as_restricted_suction():
    assert Kind.RESTRICTED_SUCTION in lived(starved=0.16)


@pytest.mark.parametrize("change", [{"slip": 0.05}, {"starved": 0.04}, {}])
def test_a_season_is_not_told(change):
    """A few percent over months are a colder chemical's (chosen limits: 9 and 10 %)."""
    assert lived(**change) == set()


def test_a_start_of_the_service_keeps_the_first_draws():
    pump = Pump(id="p", displacement_ml=60.0, air_set_pa=STALL_PA + 10_000.0)
    watch = PumpWatch(Site(id="s", pumps=(pump,)), pump)
    watch.relive([draw(n, slip=0.15) for n in range(300, 360)])
    watch.context.begin([draw(n) for n in range(60)])
    said = {
        f.kind
        for n in range(360, 390)
        for f in watch.judge(draw(n, slip=0.15))
        if f.presence is Presence.YES
    }
    assert Kind.WORN in said
