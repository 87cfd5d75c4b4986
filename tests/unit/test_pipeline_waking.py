"""A start learns pump by pump; who is awake is judged at once, the others once they are."""

import pytest
from test_pipeline_commit import T0_S, FakeDesk, kept, second

from monitor.errors import StoreUnavailable
from monitor.service.pipeline import Pipeline
from monitor.site import Pump, Site
from monitor.wire import Message


class Desk(FakeDesk):
    """A desk with a store: messages by site, a watermark for those that were judged before."""

    def __init__(self, judged: dict[str, float]) -> None:
        super().__init__()
        self.judged, self.stored = judged, list[Message]()
        self.unreadable = False

    def watermark(self, site: str, _pump: str) -> float | None:
        return self.judged.get(site)

    def messages(self, site: str, _pump: str, from_ts: float, to_ts: float) -> list[Message]:
        return [m for m in self.stored if m.site == site and from_ts <= m.t0_us / 1e6 < to_ts]

    def episodes(self, *_asked: object) -> list[object]:
        if self.unreadable:
            raise StoreUnavailable("disk away")
        return []

    def back(self, *_asked: object) -> None:
        return None

    work = first = episodes


@pytest.fixture
def desk() -> Desk:
    return Desk({"fern": T0_S + 10.0})


@pytest.fixture
def pipeline(desk: Desk) -> Pipeline:
    sites = [Site(id=name, pumps=(Pump(id="p"),)) for name in ("fern", "moss")]
    return Pipeline(sites, desk, lambda _site, _changes: None)


def come(pipeline: Pipeline, desk: Desk, first: int, last: int) -> None:
    """Stored, then handed on, as the intake does it."""
    batch = [second(site, k) for site in ("fern", "moss") for k in range(first, last)]
    desk.stored += batch
    pipeline.on_stored(batch, T0_S + last + 1.0)


def test_those_without_a_past_come_first(pipeline: Pipeline) -> None:
    assert pipeline.put_to_sleep() == [("moss", "p"), ("fern", "p")]
    assert pipeline.asleep() == 2
    assert pipeline.asleep("fern") == 1


def test_what_came_meanwhile_is_judged_once_when_its_past_is_learnt(
    pipeline: Pipeline, desk: Desk
) -> None:
    pipeline.put_to_sleep()
    pipeline.wake_pump("moss", "p", T0_S)
    come(pipeline, desk, 0, 160)
    assert {v.site.id for commit in desk.commits for v in commit} == {"moss"}
    assert kept(desk, "moss")
    # The store holds the last second already when its word of it comes after the waking.
    late = [second("fern", 160)]
    desk.stored += late
    pipeline.wake_pump("fern", "p", T0_S + 161.0)
    pipeline.on_stored(late, T0_S + 161.0)
    come(pipeline, desk, 161, 460)
    assert pipeline.asleep() == 0
    whole = [(what, end) for what, _, end in kept(desk, "moss")]
    assert [(what, end) for what, _, end in kept(desk, "fern")] == whole


def test_a_past_that_cannot_be_read_is_asked_for_again(pipeline: Pipeline, desk: Desk) -> None:
    pipeline.put_to_sleep()
    desk.unreadable = True
    with pytest.raises(StoreUnavailable):
        pipeline.wake_pump("fern", "p", T0_S + 20.0)
    assert pipeline.asleep("fern") == 1
    desk.unreadable = False
    pipeline.wake_pump("fern", "p", T0_S + 20.0)
    assert pipeline.asleep("fern") == 0


def test_one_that_is_roused_is_judged_without_its_past(pipeline: Pipeline, desk: Desk) -> None:
    pipeline.put_to_sleep()
    pipeline.rouse("fern", "p")
    come(pipeline, desk, 0, 160)
    assert {v.site.id for commit in desk.commits for v in commit} == {"fern"}
