"""Scenarios as text: what a pump does, second by second, and what must be told of it.

One line each: `pump key=value ...` (site entry), `rest S PSI`, `draw S PSI RATE [dip PSI] [to PSI]`
(pressure, strokes a second, depth of the reversal dips; `to` lets the pressure drift),
`alternate S PSI RATE SHARE` (long and short strokes), `race S PSI RATE` (no dips),
`fall S PSI PSI` (no strokes), `times N` before a line repeats it and the next one.
`expect KIND` must be among the findings, `expect none` allows no finding at all,
`clear KIND` asks that the last word on it is no.
"""

from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest

from monitor.detectors.finding import Finding, Presence
from monitor.detectors.watch import SiteWatch
from monitor.signals.types import Block
from monitor.site import Pump, Sensors, Site
from monitor.units import PA_PER_PSI

HERE = Path(__file__).parent / "detectors"
T0 = 1_750_000_000.0
RATE = 20.0


@dataclass
class Story:
    pump: dict[str, float] = field(default_factory=dict)
    p: list[np.ndarray] = field(default_factory=list)
    demand: list[np.ndarray] = field(default_factory=list)
    strokes: list[float] = field(default_factory=list)
    now_s: float = 0.0
    left: float = 0.0
    expect: list[str] = field(default_factory=list)
    clear: list[str] = field(default_factory=list)

    def add(self, seconds: float, start: float, end: float, on: float) -> tuple[float, np.ndarray]:
        n = round(seconds * RATE)
        ts = self.now_s + np.arange(n) / RATE
        self.p.append(np.linspace(start, end, n) * PA_PER_PSI)
        self.demand.append(np.full(n, on))
        begin, self.now_s = self.now_s, self.now_s + n / RATE
        return begin, ts

    def stroke(self, begin: float, ts: np.ndarray, intervals: np.ndarray, dip: float) -> None:
        at = begin + np.cumsum(intervals)
        at = at[at < self.now_s - 0.05]
        self.strokes += at.tolist()
        for one in at:
            self.p[-1][(ts >= one) & (ts < one + 0.15)] -= dip * PA_PER_PSI


def tell(text: str) -> Story:
    story = Story()
    lines = [w for line in text.splitlines() if (w := line.split("#")[0].split())]
    todo: list[list[str]] = []
    i = 0
    while i < len(lines):
        if lines[i][0] == "times":
            todo += (lines[i + 1 : i + 3]) * int(lines[i][1])
            i += 3
        else:
            todo.append(lines[i])
            i += 1
    for words in todo:
        line(story, words)
    return story


def line(story: Story, words: list[str]) -> None:
    what, rest = words[0], words[1:]
    if what == "pump":
        story.pump |= {k: float(v) for k, v in (w.split("=") for w in rest)}
    elif what in ("expect", "clear"):
        getattr(story, what).append(" ".join(rest))
    elif what == "rest":
        story.add(float(rest[0]), float(rest[1]), float(rest[1]), 0.0)
    elif what == "fall":
        story.add(float(rest[0]), float(rest[1]), float(rest[2]), 1.0)
    elif what == "race":
        begin, ts = story.add(float(rest[0]), float(rest[1]), float(rest[1]), 0.0)
        n = int(float(rest[0]) * float(rest[2])) + 1
        story.stroke(begin, ts, np.full(n, 1 / float(rest[2])), 0.0)
    elif what == "alternate":
        seconds, psi, rate, share = map(float, rest[:4])
        begin, ts = story.add(seconds, psi, psi, 1.0)
        n = int(seconds * rate) + 2
        t = np.where(np.arange(n) % 2, 1 + share, 1 - share) / rate
        story.stroke(begin, ts, t, 12.0)
    elif what == "draw":
        options = dict(zip(rest[3::2], map(float, rest[4::2]), strict=True))
        seconds, psi, rate = map(float, rest[:3])
        begin, ts = story.add(seconds, psi, options.get("to", psi), 1.0)
        n = int(seconds * rate) + 1
        story.stroke(begin, ts, np.full(n, 1 / rate), options.get("dip", 12.0))
    else:
        raise ValueError(f"unknown word {what!r} in a scenario")


def told(story: Story, *, fitted: bool) -> list[Finding]:
    rng = np.random.default_rng(7)
    p = np.concatenate(story.p)
    p = p + rng.normal(0, 0.05 * PA_PER_PSI, len(p))
    pump = Pump(
        id="p1",
        displacement_ml=story.pump.get("displacement", 60.0),
        air_set_pa=story.pump.get("air", 60.0) * PA_PER_PSI,
        lift_m=story.pump.get("lift", 0.0),
        sensors=Sensors(demand=fitted),
    )
    watch = SiteWatch(Site(id="s", pumps=(pump,)))
    demand = np.concatenate(story.demand) if fitted else None
    jitter = 1.0 + rng.normal(0, 0.002, len(story.strokes))
    strokes = T0 + np.sort(np.array(story.strokes) + 0.01 * (jitter - 1.0))
    block = Block(T0, 1 / RATE, p, strokes, demand)
    return [*watch.push("p1", block).findings, *watch.finish("p1").findings]


FILES = sorted(HERE.glob("*.txt"))


def test_there_are_scenarios() -> None:
    assert len(FILES) >= 20


@pytest.mark.parametrize("path", FILES, ids=lambda p: p.stem)
def test_what_must_be_told_is_told(path: Path) -> None:
    story = tell(path.read_text())
    assert story.expect, "a scenario says what it expects"
    found = told(story, fitted=bool(story.pump.get("demand", 0.0)))
    yes = {str(f.kind) for f in found if f.presence is Presence.YES}
    if story.expect == ["none"]:
        assert yes == set()
    else:
        assert set(story.expect) <= yes
    for kind in story.clear:
        last = [f.presence for f in found if f.kind == kind]
        assert last
        assert last[-1] is Presence.NO


def test_an_unknown_word_is_refused() -> None:
    with pytest.raises(ValueError, match="unknown word 'wobble'"):
        tell("wobble 3 4")


LIMITED = {
    # One stroke of 60 mL every 45 s.
    "leak_single_strokes": ("leak", 80.0),
    # q = 2 f V A / (1 - A^2) by volume balance: 0.52 strokes of 60 mL a second, A = 0.12.
    "leaking_check_ball": ("leak back", 455.8),
}


@pytest.mark.parametrize("name", LIMITED)
def test_what_is_told_in_numbers_comes_with_limits_that_hold_the_truth(name: str) -> None:
    what, truth = LIMITED[name]
    found = told(tell((HERE / f"{name}.txt").read_text()), fitted=False)
    said = [e for f in found if f.presence is Presence.YES for e in f.evidence if e.name == what]
    assert said
    for e in said:
        assert e.value is not None
        assert e.low is not None
        assert e.high is not None
        assert 0.0 <= e.low < e.value < e.high
        assert e.low <= truth <= e.high
        assert e.high - e.low < e.value
