"""Strokes since a work entry, and how drum and seals appear beside a verdict."""

from typing import Any

from monitor.advice.kinds import Kind
from monitor.detectors.context import Context
from monitor.detectors.drum_empty import DrumEmpty
from monitor.detectors.odometer import Odometer
from monitor.detectors.watch import PumpWatch
from monitor.detectors.worn import Worn
from monitor.signals.types import Episode
from monitor.site import Fluid, Pump, Site

T0 = 1_750_000_000.0


def run(start_ts: float, strokes: int, *, open_: bool = False, **features: float) -> Episode:
    return Episode("p1", "draw", start_ts, start_ts + 10.0, open_, strokes, dict(features))


def context(drum_ml: float | None) -> Context:
    pump = Pump(id="p1", displacement_ml=50.0, fluid=Fluid(drum_ml=drum_ml))
    return PumpWatch(Site(id="s", pumps=(pump,)), pump).context


def test_nothing_is_counted_before_an_entry() -> None:
    odometer = Odometer()
    odometer.count(run(T0, 9), None)
    assert (odometer.since_ts, odometer.strokes) == (None, 0.0)


def test_finished_runs_after_the_entry_count_and_a_new_entry_starts_again() -> None:
    odometer = Odometer()
    for event in (run(T0 - 60, 5), run(T0 + 1, 7, open_=True), run(T0 + 1, 9, dry_strokes=2.0)):
        odometer.count(event, T0)
    assert (odometer.strokes, odometer.wet) == (9.0, 7.0)
    odometer.count(run(T0 + 200, 4), T0 + 100)
    assert odometer.strokes == 4.0


def drum_evidence(detector: DrumEmpty, known: Context) -> dict[str, Any]:
    finding = detector._say(run(T0 + 99, 9), known, 6.0, 3e5, 0.8)
    assert finding.kind is Kind.DRUM_EMPTY
    return {e.name: e for e in finding.evidence}


def test_an_empty_drum_is_told_with_what_was_drawn_from_it() -> None:
    known, detector = context(20_000.0), DrumEmpty()
    known.notes["drum changed"] = T0
    for n in range(40):
        detector.update(run(T0 + 60 * n, 10), known)
    drawn = drum_evidence(detector, known)["drawn since the drum was changed"]
    assert (drawn.value, drawn.unit, drawn.usual_high) == (40 * 10 * 50.0, "mL", 20_000.0)


def test_without_a_size_or_an_entry_nothing_is_said_of_the_drum() -> None:
    for drum_ml, noted in ((None, True), (20_000.0, False)):
        known, detector = context(drum_ml), DrumEmpty()
        if noted:
            known.notes["drum changed"] = T0
        detector.update(run(T0 + 60, 10), known)
        assert "drawn since the drum was changed" not in drum_evidence(detector, known)


def test_worn_tells_what_the_seals_have_done() -> None:
    known, detector = context(None), Worn()
    assert detector._since_seals() == ()
    known.notes["seals"] = T0
    for n in range(1, 4):
        detector.update(run(T0 + 60 * n, 10), known)
    (told,) = detector._since_seals()
    assert (told.value, told.unit) == (30.0, "strokes")
    known.notes["pump changed"] = T0 + 1000.0
    detector.update(run(T0 + 1060, 4), known)
    assert detector._since_seals()[0].value == 4.0
