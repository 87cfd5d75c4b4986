"""The learnt baseline through virtual days: ordinary life is quiet, a slow change is told."""

import numpy as np
import pytest

from edge.virtual.life import build, healthy
from monitor.detectors.baseline import Baseline
from monitor.detectors.finding import Presence
from monitor.signals.scales import Scales
from monitor.signals.segment import Segmenter
from monitor.signals.types import Block
from monitor.site import Pump

HOUR_S = 3600.0


def episodes(spec, trace):
    """The finished and running episodes of a virtual recording, fed an hour at a time."""
    pump = Pump(id="p1", displacement_ml=spec.displacement_ml, air_set_pa=spec.set_pa)
    cutter = Segmenter(pump.id, Scales.of(pump))
    step = round(HOUR_S / trace.dt_s)
    for first in range(0, len(trace.pressure_pa), step):
        start = trace.t0_ts + first * trace.dt_s
        part = trace.pressure_pa[first : first + step]
        end = start + len(part) * trace.dt_s
        strokes = trace.stroke_ts[(trace.stroke_ts >= start) & (trace.stroke_ts < end)]
        yield from cutter.push(Block(start, trace.dt_s, part, strokes))


@pytest.mark.slow
@pytest.mark.parametrize(
    ("scene", "seed"),
    [("saturday", 1010), ("set point", 1011), ("cold morning", 1010), ("drum swap", 1011)],
)
def test_ordinary_life_raises_nothing_unusual(scene, seed):
    # Scenes and seeds of the virtual pump; none of them is a fault.
    laid_out, trace = build(scene, seed)
    baseline = Baseline("p1")
    told = [baseline.update(e) for e in episodes(laid_out.spec, trace)]
    assert sum(f.presence is Presence.NO for f in told) > 20
    assert [f.sentence for f in told if f.presence is Presence.YES] == []


@pytest.mark.slow
def test_dips_that_widen_draw_by_draw_are_told_and_named():
    # An honest pump's episodes with one feature altered: what a tiring air valve would do.
    laid_out, trace = healthy(1001, 2.0)
    baseline = Baseline("p1")
    found = []
    begin = trace.t0_ts + 36 * HOUR_S
    for episode in episodes(laid_out.spec, trace):
        width = episode.features.get("dip_s")
        if width is not None and episode.start_ts > begin:
            hours = (episode.start_ts - begin) / HOUR_S
            episode.features["dip_s"] = width * float(np.exp(0.15 * hours))
        finding = baseline.update(episode)
        if finding.presence is Presence.YES:
            found.append(finding)
    assert found
    assert found[0].ts > begin
    assert "width of the reversal dips higher" in found[0].sentence
