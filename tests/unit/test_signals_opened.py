"""A line that somebody opens falls at once; a nozzle or a dip does otherwise."""

import numpy as np
import pytest

from monitor.detectors.watch import SiteWatch
from monitor.signals.types import Block, FloatArray
from monitor.site import Pump, Site
from monitor.units import PA_PER_PSI

T0, DT_S, STALL_PSI = 1_750_000_000.0, 0.05, 58.0
FALLS_AT_S = 40.0


def watched(psi: FloatArray, stroke_s: list[float]) -> dict[str, float | None]:
    """The features of the run that follows forty seconds at stall."""
    noise = np.random.default_rng(1).normal(0.0, 0.1, len(psi))
    block = Block(T0, DT_S, (psi + noise) * PA_PER_PSI, T0 + np.array(stroke_s))
    watch = SiteWatch(Site(id="s", pumps=(Pump(id="p1"),)))
    episodes = [*watch.push("p1", block).episodes, *watch.finish("p1").episodes]
    return next(e for e in episodes if e.what != "dead-head").features


def trace(after: FloatArray) -> FloatArray:
    """Stall, what follows, and stall again."""
    rest = np.full(round(FALLS_AT_S / DT_S), STALL_PSI)
    return np.concatenate((rest, after, np.full(400, STALL_PSI)))


def test_an_opened_line_is_seen_with_the_pressure_it_had() -> None:
    f = watched(trace(np.linspace(1.0, 56.0, 60)), [FALLS_AT_S + 0.2 * k for k in range(1, 12)])
    assert f["opened_s"] == pytest.approx(0.0, abs=1.0 + DT_S)  # a run starts on a whole second
    assert f["opened_from_pa"] == pytest.approx(STALL_PSI * PA_PER_PSI, rel=0.01)


@pytest.mark.parametrize(
    "after",
    [
        np.concatenate((np.full(4, 2.0), np.full(80, 55.0))),
        STALL_PSI * np.exp(-np.arange(100) / 20.0),
        np.full(100, 20.0),
    ],
    ids=["a deep dip of 0.2 s", "a line that empties within some seconds", "an open nozzle"],
)
def test_nothing_else_counts_as_opened(after: FloatArray) -> None:
    f = watched(trace(after), [FALLS_AT_S + 0.1, FALLS_AT_S + 2.0, FALLS_AT_S + 4.0])
    assert f["opened_s"] is None
