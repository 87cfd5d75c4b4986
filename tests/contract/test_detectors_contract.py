"""What every detector in the panel must keep, whatever its kind."""

import copy
import re
from dataclasses import fields

import numpy as np
import pytest

from monitor.advice.kinds import Kind
from monitor.detectors.base import ALL_EVENTS, Detector
from monitor.detectors.context import Context
from monitor.detectors.finding import Finding, Presence
from monitor.detectors.panel import DETECTORS
from monitor.detectors.watch import SiteWatch
from monitor.signals.scales import Scales
from monitor.signals.types import Block, Episode
from monitor.site import Pump, Site
from monitor.units import PA_PER_PSI

T0 = 1_750_000_000.0
PUMP = Pump(id="p1")
SITE = Site(id="s", pumps=(PUMP,))
ELSEWHERE = {Kind.NODE_SILENT, Kind.UNUSUAL}
"""Judged by the clock and by the baseline, not by an event of the panel."""


def trace(
    seconds: int = 900, rate_hz: float = 20.0, seed: int = 1, stall_psi: float = 57.0
) -> Block:
    """An ordinary pump: draws of 20 s in every minute, strokes of two seconds."""
    rng = np.random.default_rng(seed)
    n = int(seconds * rate_hz)
    ts = np.arange(n) / rate_hz
    p = np.full(n, stall_psi * PA_PER_PSI)
    strokes = []
    for start in np.arange(20.0, seconds - 40.0, 60.0):
        inside = (ts >= start) & (ts < start + 20.0)
        p[inside] -= 2.0 * PA_PER_PSI
        for one in start + 1.0 + np.arange(0.0, 18.0, 2.0) * (1 + 0.005 * rng.normal()):
            p[(ts >= one) & (ts < one + 0.2)] -= 12.0 * PA_PER_PSI
            strokes.append(one)
    p += rng.normal(0, 0.1 * PA_PER_PSI, n)
    return Block(T0, 1 / rate_hz, p, T0 + np.array(strokes))


def episodes(block: Block) -> list[Episode]:
    watch = SiteWatch(SITE).pumps["p1"]
    return watch.push(block) + watch.segmenter.finish()


def wild(rng: np.random.Generator) -> Episode:
    """An episode with arbitrary, partly missing features."""
    base = episodes_once()[int(rng.integers(len(episodes_once())))]
    features: dict[str, float | None] = {}
    for name in base.features:
        pick = rng.random()
        features[name] = None if pick < 0.3 else float(rng.normal(0, 10 ** rng.uniform(-3, 6)))
    n = int(rng.integers(0, 40))
    strokes = T0 + np.sort(rng.uniform(0, 60, n))
    what = str(rng.choice(sorted(ALL_EVENTS)))
    return Episode("p1", what, T0, T0 + 60.0, bool(rng.random() < 0.5), n, features, strokes)


_EPISODES: list[Episode] = []


def episodes_once() -> list[Episode]:
    if not _EPISODES:
        _EPISODES.extend(episodes(trace()))
    return _EPISODES


def judge(detector: Detector, events: list[Episode], context: Context) -> list[Finding]:
    out = []
    for event in events:
        out.append(detector.update(event, context))
        context.learn(event)
    return out


def key(finding: Finding) -> tuple[object, ...]:
    return (finding.kind, finding.presence, finding.ts, finding.confidence, finding.sentence)


def fresh() -> Context:
    return Context(SITE, PUMP, Scales.of(PUMP))


def test_the_panel_lists_every_kind_once() -> None:
    kinds = [d.kind for d in DETECTORS]
    assert len(set(kinds)) == len(kinds)
    assert set(kinds) == set(Kind) - ELSEWHERE


@pytest.mark.parametrize("detector", DETECTORS, ids=lambda d: d.__name__)
class TestContract:
    def test_its_docstring_answers_in_order(self, detector: type[Detector]) -> None:
        text = detector.__doc__ or ""
        wanted = (
            "What it finds:",
            "How it looks:",
            "Needs:",
            "Settings:",
            "Blind:",
            "What to do:",
            "References:",
        )
        at = [text.find(word) for word in wanted]
        assert all(i >= 0 for i in at)
        assert at == sorted(at)

    def test_every_setting_is_explained(self, detector: type[Detector]) -> None:
        text = re.sub(r"\s+", " ", detector.__doc__ or "")
        for one in fields(detector):  # type: ignore[arg-type] # every detector is a dataclass
            if not one.name.startswith("_"):
                assert one.name in text, one.name

    def test_constant_rest_is_quiet(self, detector: type[Detector]) -> None:
        block = Block(T0, 0.05, np.full(20 * 3600, 57.0 * PA_PER_PSI), np.empty(0))
        found = judge(detector(), episodes(block), fresh())
        assert all(f.presence is not Presence.YES for f in found)

    def test_healthy_draws_are_quiet(self, detector: type[Detector]) -> None:
        found = judge(detector(), episodes_once(), fresh())
        assert all(f.presence is not Presence.YES for f in found)

    def test_same_input_same_output_and_input_untouched(self, detector: type[Detector]) -> None:
        rng = np.random.default_rng(3)
        events = [*episodes_once(), *(wild(rng) for _ in range(60))]
        before = [(dict(e.features), e.stroke_ts.copy()) for e in events]
        one = judge(detector(), events, fresh())
        two = judge(detector(), events, fresh())
        assert [key(f) for f in one] == [key(f) for f in two]
        for event, (features, strokes) in zip(events, before, strict=True):
            assert event.features == features
            assert np.array_equal(event.stroke_ts, strokes)

    def test_saved_and_restored_goes_on_alike(self, detector: type[Detector]) -> None:
        rng = np.random.default_rng(4)
        events = [*episodes_once(), *(wild(rng) for _ in range(40))]
        half = len(events) // 2
        whole = judge(detector(), events, context := fresh())
        assert context.recent
        kept, kept_context = detector(), fresh()
        first = judge(kept, events[:half], kept_context)
        again, again_context = copy.deepcopy(kept), copy.deepcopy(kept_context)
        second = judge(again, events[half:], again_context)
        assert [key(f) for f in first + second] == [key(f) for f in whole]

    def test_wild_features_are_survived(self, detector: type[Detector]) -> None:
        rng = np.random.default_rng(5)
        one = detector()
        context = fresh()
        for _ in range(400):
            finding = one.update(wild(rng), context)
            assert finding.kind is detector.kind
            assert 0.0 <= finding.confidence <= 1.0
            assert 0.0 <= finding.severity <= 1.0
            if finding.presence is Presence.YES:
                assert finding.sentence
                assert finding.causes[0][0] is finding.kind
        judged = judge(one, episodes_once(), context)
        assert judged

    def test_memory_is_bounded(self, detector: type[Detector]) -> None:
        rng = np.random.default_rng(6)
        one, context = detector(), fresh()
        events = [wild(rng) for _ in range(50)]
        for _ in range(40):
            for event in events:
                one.update(event, context)
        sizes = [len(v) for v in vars_of(one).values() if hasattr(v, "__len__")]
        assert all(size <= 100 for size in sizes)

    def test_an_event_without_features_is_cannot_tell(self, detector: type[Detector]) -> None:
        empty = Episode("p1", "draw", T0, T0 + 20.0, False, 0, {})
        found = detector().update(empty, fresh())
        assert found.presence is not Presence.YES


def vars_of(detector: Detector) -> dict[str, object]:
    return {f.name: getattr(detector, f.name) for f in fields(detector)}  # type: ignore[arg-type]


@pytest.mark.parametrize("rate_hz", [10.0, 50.0])
def test_the_sample_rate_does_not_change_the_verdict(rate_hz: float) -> None:
    def verdict(block: Block) -> set[str]:
        watch = SiteWatch(SITE)
        found = [*watch.push("p1", block).findings, *watch.finish("p1").findings]
        return {str(f.kind) for f in found if f.presence is Presence.YES}

    assert verdict(trace(900, rate_hz)) == verdict(trace(900, 20.0)) == set()
    assert verdict(trace(900, rate_hz, stall_psi=42.0)) == {"low air"}
    assert verdict(trace(900, 20.0, stall_psi=42.0)) == {"low air"}


@pytest.mark.parametrize(
    ("name", "bad"),
    [
        ("LowAir", {"low_share": 0.05}),
        ("MissedPrime", {"primes": 0.5}),
        ("Airlock", {"race_strokes": 1}),
        ("NoDemand", {"run_s": 0.0}),
        ("HighAir", {"limit_pa": -1.0}),
        ("BallLeak", {"more": 0.0}),
        ("Worn", {"draws": 1}),
    ],
)
def test_bad_settings_are_refused_by_name(name: str, bad: dict[str, float]) -> None:
    detector = next(d for d in DETECTORS if d.__name__ == name)
    with pytest.raises(ValueError, match="detector setting"):
        detector(**bad)
