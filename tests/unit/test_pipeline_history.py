"""A start reads enough of each pump's past, no more, and none of a fault that stands as usual."""

import pytest

from monitor.advice.kinds import Kind
from monitor.detectors.finding import Finding, Presence
from monitor.service.pipeline import HISTORY_DRAWS, HISTORY_S, Pipeline
from monitor.signals.types import Episode
from monitor.site import Pump, Site
from monitor.store import episodes
from monitor.store.core import Core

NOW_TS = 1_750_000_000.0
EVERY_S = 600.0
DRAWS = 800


class Desk:
    """One pump's draws, ten minutes apart up to now, rests between; an alarm may stand."""

    def __init__(self, core: Core, fault_since_ts: float | None, subject: str) -> None:
        self.book = episodes.EpisodeBook(core)
        self.book.add("fern", *(self._one(k) for k in range(2 * DRAWS)))
        self.fault_since_ts, self.subject = fault_since_ts, subject
        self.asked: dict[str, float] = {}

    @staticmethod
    def _one(k: int) -> Episode:
        at = NOW_TS - k * EVERY_S / 2
        what, strokes = ("draw", 8) if k % 2 else ("dead-head", 0)
        return Episode("p", what, at, at + 20, False, strokes, {"stall_after_pa": 4e5, "x": None})

    def load_alarms(self, _site: str, machine) -> None:
        since = self.fault_since_ts
        if since is not None:
            finding = Finding(self.subject, Kind.LOW_AIR, Presence.YES, since, since, 0.9, 0.9)
            machine.update([finding], since)
            machine.tick(since + 3600.0)

    def back(self, *asked) -> float | None:
        return self.book.back(*asked)

    def first(self, *asked) -> list[Episode]:
        return self.book.first(*asked)

    def episodes(self, site: str, pump: str, from_ts: float, to_ts: float) -> list[Episode]:
        self.asked[pump] = from_ts
        return self.book.load(site, pump, from_ts, to_ts)

    def work(self, *_asked) -> list[object]:
        return []

    def watermark(self, *_asked) -> None:
        return None


@pytest.fixture
def core(tmp_path):
    made = Core(tmp_path, [episodes.SCHEMA])
    yield made
    made.close()


def woken(core: Core, fault_since_ts: float | None = None, subject: str = "p") -> tuple[Desk, int]:
    """The desk, and how many draws were read of pump p."""
    desk = Desk(core, fault_since_ts, subject)
    site = Site(id="fern", pumps=(Pump(id="p"), Pump(id="q")))
    pipeline = Pipeline([site], desk, lambda _site, _changes: None)
    pipeline.load_alarms()
    pipeline.wake(NOW_TS)
    read = desk.book.load("fern", "p", desk.asked["p"], NOW_TS)
    return desk, sum(e.what == "draw" for e in read)


def test_a_busy_pumps_start_reads_a_window_of_draws(core: Core) -> None:
    desk, read = woken(core)
    assert read == HISTORY_DRAWS
    assert desk.asked["q"] == NOW_TS - HISTORY_S  # nothing is known of it


@pytest.mark.parametrize("subject", ["p", "air supply main"])
def test_what_stands_is_read_from_before_it_began(core: Core, subject: str) -> None:
    since_ts = NOW_TS - 300 * EVERY_S
    desk, read = woken(core, since_ts, subject)
    assert read == pytest.approx(HISTORY_DRAWS + 300, abs=1)
    assert desk.asked["p"] < since_ts - (HISTORY_DRAWS - 2) * EVERY_S


def test_a_neighbours_fault_changes_nothing(core: Core) -> None:
    assert woken(core, NOW_TS - 300 * EVERY_S, "q")[1] == HISTORY_DRAWS


def test_features_come_back_as_they_were_kept(core: Core) -> None:
    book = episodes.EpisodeBook(core)
    wild = {"a": 1.5, "b": None, "c": float("inf"), "d": 3}
    book.add("fern", Episode("p", "draw", NOW_TS, NOW_TS + 9, False, 4, wild))
    assert book.load("fern", "p", NOW_TS, NOW_TS + 1)[0].features == wild
    assert book.back("fern", "p", NOW_TS, 1) is None
    assert book.back("fern", "p", NOW_TS + 1, 1) == NOW_TS
