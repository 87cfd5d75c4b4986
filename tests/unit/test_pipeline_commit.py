"""Several sites in one batch: one durable commit, and a store that is away costs none its turn."""

import numpy as np
import pytest

from monitor.errors import StoreUnavailable
from monitor.service.desk import Verdict
from monitor.service.pipeline import Pipeline
from monitor.site import Pump, Site
from monitor.wire import Message

T0_S = 1_750_000_000


class FakeDesk:
    """Keeps verdicts in a list; away says that nothing can be kept."""

    def __init__(self) -> None:
        self.commits: list[list[Verdict]] = []
        self.away = False

    def keep_all(self, verdicts) -> None:
        if self.away:
            raise StoreUnavailable("disk full")
        self.commits.append(list(verdicts))


def second(site: str, seq: int) -> Message:
    """Two draws in ten minutes: enough for episodes to end."""
    drawing = 100 <= seq % 300 < 120
    counts = np.full(20, 1200 if drawing else 1600, np.int16)
    at = (T0_S + seq) * 1_000_000
    strokes = 7 + 2 * sum(1 for s in range(seq + 1) if 100 <= s % 300 < 120)
    t_us = np.array([at + 500_000, at + 1_000_000])
    return Message(site, "p", 1, seq, at, 50_000, counts, 244.0, 0.0, t_us, np.array([strokes] * 2))


@pytest.fixture
def desk() -> FakeDesk:
    return FakeDesk()


@pytest.fixture
def pipeline(desk: FakeDesk) -> Pipeline:
    sites = [Site(id=name, pumps=(Pump(id="p"),)) for name in ("fern", "moss")]
    return Pipeline(sites, desk, lambda _site, _changes: None)


def feed(pipeline: Pipeline, first: int, last: int) -> None:
    batch = [second(site, k) for k in range(first, last) for site in ("fern", "moss")]
    pipeline.on_stored(batch, T0_S + last + 1.0)


def kept(desk: FakeDesk, site: str) -> list[tuple[str, float, float]]:
    verdicts = [v for commit in desk.commits for v in commit if v.site.id == site]
    return [(e.what, e.start_ts, e.end_ts) for v in verdicts for e in v.episodes if not e.open_]


def test_both_sites_are_kept_in_one_commit(pipeline: Pipeline, desk: FakeDesk) -> None:
    feed(pipeline, 0, 160)
    assert [[v.site.id for v in commit] for commit in desk.commits] == [["fern", "moss"]]
    assert "draw" in {what for what, *_ in kept(desk, "moss")}


def test_a_store_that_is_away_costs_no_site_its_episodes(
    pipeline: Pipeline, desk: FakeDesk
) -> None:
    desk.away = True
    with pytest.raises(StoreUnavailable):
        feed(pipeline, 0, 160)
    desk.away = False
    feed(pipeline, 160, 460)
    whole = FakeDesk()
    other = Pipeline(
        [pipeline.runs["fern"].site, pipeline.runs["moss"].site], whole, lambda _s, _c: None
    )
    feed(other, 0, 160)
    feed(other, 160, 460)
    for site in ("fern", "moss"):
        assert kept(desk, site) == kept(whole, site)
        assert len(kept(desk, site)) >= 3
