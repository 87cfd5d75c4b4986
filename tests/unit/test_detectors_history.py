"""A restart: stored episodes and work entries bring back what was usual, each at its time."""

import numpy as np

from monitor.detectors.watch import PumpWatch, SiteWatch
from monitor.signals.types import Episode
from monitor.site import Pump, Site
from monitor.units import PA_PER_PSI

SITE = Site(id="fern", pumps=(Pump(id="p1"),))


def draws(first, count, stall_psi, seed=1):
    rng = np.random.default_rng(seed)
    found = []
    for i in range(first, first + count):
        at = 1e9 + i * 1800.0
        features = {
            "stall_after_pa": stall_psi * PA_PER_PSI * (1 + 0.003 * rng.normal()),
            "demand_pa": 0.85 * stall_psi * PA_PER_PSI * (1 + 0.01 * rng.normal()),
            "rate_hz": 0.6 + 0.02 * rng.normal(), "sqrt_demand": 590.0, "dry_start_strokes": 0.0,
        }  # fmt: skip
        found.append(Episode("p1", "draw", at, at + 30, False, 15, features))
    return found


def test_work_in_the_middle_of_history_forgets_only_what_was_before():
    before, after = draws(0, 80, 60.0), draws(80, 60, 60.0, seed=2)
    watch = SiteWatch(SITE)
    watch.history("p1", [*before, *after], [(after[0].start_ts - 1, "pump changed")])
    learned = watch.pumps["p1"].baseline.learned["stall_after_pa"]
    assert 40 <= learned.count <= 60
    assert watch.pumps["p1"].context.usual["stall_after_pa"].known


def test_work_after_the_last_episode_forgets_all_and_none_forgets_nothing():
    episodes = draws(0, 80, 60.0)
    watch = SiteWatch(SITE)
    watch.history("p1", episodes, [(episodes[-1].end_ts + 9, "pump changed")])
    assert watch.pumps["p1"].baseline.usual("stall_after_pa") is None
    plain = PumpWatch(SITE, SITE.pumps[0])
    plain.relive(episodes)
    low, high = plain.baseline.usual("stall_after_pa")
    assert 59 * PA_PER_PSI < low < high < 61 * PA_PER_PSI
    assert plain.last_event is episodes[-1]
