"""Strokes from ripple: made-up pump pressure, and pulse that others recorded.

The recordings are those of the package heartpy (finger pulse, about 100 Hz); a pulse is a rise, so
its sign is turned. 24 beats in data.csv were counted by eye.
"""

from dataclasses import replace
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from edge.dips import PA_PER_PSI, DipRule
from edge.ripple import RippleCounter, Verdict, compare, count_strokes

# Only the package's data are wanted; importing it would draw in a plotting library.
RECORDED = Path(find_spec("heartpy").origin).parent / "data"
PULSE_RULE = DipRule(floor_pa=30.0)  # converter counts in place of Pa


def pump(
    strokes_at_s: list[float],
    *,
    rate_hz: float = 100.0,
    length_s: float = 20.0,
    noise_psi: float = 0.05,
    dip_psi: float = 14.0,
    width_s: float = 0.1,
    draw: tuple[float, float] = (2.0, 18.0),
) -> NDArray[np.float64]:
    """Stall at 58 psi, a draw at 45 psi with a dip at each stroke, stall again; Pa."""
    t = np.arange(0, length_s, 1 / rate_hz)
    plateau = np.where((t > draw[0]) & (t < draw[1]), 45.0, 58.0)
    plateau = np.convolve(np.pad(plateau, 20, mode="edge"), np.ones(20) / 20, "same")[20:-20]
    for at in strokes_at_s:
        plateau = plateau - dip_psi * np.exp(-0.5 * ((t - at) / (width_s / 2.5)) ** 2)
    noise = np.random.default_rng(3).normal(0, noise_psi, len(t))
    return (plateau + noise) * PA_PER_PSI


@pytest.mark.parametrize("rate_hz", [100.0, 128.0, 250.0])
@pytest.mark.parametrize("strokes_per_s", [0.25, 1.0, 3.7, 8.0])
def test_every_stroke_of_a_draw_is_counted_once(rate_hz: float, strokes_per_s: float) -> None:
    at = np.arange(2.5, 17.9, 1 / strokes_per_s).tolist()
    width_s = min(0.1, 0.4 / strokes_per_s)
    times, _ = count_strokes(pump(at, rate_hz=rate_hz, width_s=width_s), 1 / rate_hz)
    assert len(times) == len(at)
    assert np.max(np.abs(np.sort(times) - at)) < 0.03


@pytest.mark.parametrize("noise_psi", [0.02, 0.3])
def test_an_idle_line_counts_nothing_and_says_so(noise_psi: float) -> None:
    idle = pump([], draw=(99.0, 99.0), noise_psi=noise_psi)
    times, verdicts = count_strokes(idle, 0.01)
    assert len(times) == 0
    assert set(verdicts) == {Verdict.SMALL}


def test_dips_softened_by_gas_are_not_countable() -> None:
    times, verdicts = count_strokes(pump([5, 6, 7, 8], dip_psi=0.5), 0.01)
    assert len(times) == 0
    assert verdicts[5:9] == [Verdict.SMALL] * 4


def test_alternating_strokes_of_a_leaking_ball_are_all_counted() -> None:
    gaps = [0.4, 0.9] * 10
    at = (2.5 + np.cumsum(gaps)).tolist()
    times, _ = count_strokes(pump([t for t in at if t < 17.5]), 0.01)
    assert len(times) == len([t for t in at if t < 17.5])


def test_a_change_to_shallow_dips_keeps_counting() -> None:
    deep = pump([4, 4.5, 5, 5.5, 6], dip_psi=30.0)
    shallow = pump([8, 8.5, 9, 9.5, 10], dip_psi=8.0)
    both = np.concatenate([deep[:700], shallow[700:]])
    assert len(count_strokes(both, 0.01)[0]) == 10


def test_slow_sampling_is_refused_in_words() -> None:
    times, verdicts = count_strokes(pump([5, 6], rate_hz=50.0), 0.02)
    assert len(times) == 0
    assert set(verdicts) == {Verdict.SLOW}


def test_failed_reads_are_bridged_or_said() -> None:
    pressure = pump([5, 6, 7])
    pressure[505:508] = np.nan
    pressure[900:1000] = np.nan
    times, verdicts = count_strokes(pressure, 0.01)
    assert len(times) == 3
    assert verdicts[9] is Verdict.MISSING


def test_blocks_of_any_size_give_the_same_strokes() -> None:
    pressure = pump(np.arange(2.5, 17.5, 0.7).tolist())
    whole, _ = count_strokes(pressure, 0.01)
    for size in (25, 40, 130):
        counter = RippleCounter(0.01)
        parts = [
            counter.feed(pressure[i : i + size]).stroke_s for i in range(0, len(pressure), size)
        ]
        assert len(np.concatenate([*parts, counter.finish()])) == len(whole)


def test_a_stroke_is_told_within_a_second() -> None:
    pressure = pump([5.0])
    counter = RippleCounter(0.01)
    for i in range(0, 600, 25):
        if len(counter.feed(pressure[i : i + 25]).stroke_s):
            assert i / 100 + 0.25 < 6.1
            return
    pytest.fail("the stroke was not told")


def test_recorded_pulse_has_24_beats_and_second_humps_do_not_count() -> None:
    pulse = np.loadtxt(RECORDED / "data.csv")
    times, verdicts = count_strokes(-pulse, 0.01, PULSE_RULE)
    assert len(times) == 24
    assert set(verdicts) == {Verdict.OK}


def test_recorded_dead_stretch_is_not_usable() -> None:
    table = np.loadtxt(RECORDED / "data2.csv", delimiter=",", skiprows=1)
    step_s = float(np.diff(table[:, 0]).mean()) / 1000.0
    start, end = round(18.1 / step_s), round(25.1 / step_s)
    counter = RippleCounter(step_s, PULSE_RULE)
    counter.feed(-table[:start, 1])
    block = round(1 / step_s)
    for i in range(start, end - block, block):
        found = counter.feed(-table[i : i + block, 1])
        assert found.verdict is Verdict.FLAT
        assert len(found.stroke_s) <= (i == start), "only a stroke before it may still be told"


@pytest.mark.parametrize(
    ("counter", "ripple", "word"),
    [
        (40, 40, ""),
        (40, 38, ""),
        (0, 40, "dead"),
        (20, 40, "one pulse a cycle"),
        (80, 40, "bounces"),
        (5, 10, ""),
    ],
)
def test_counter_against_ripple(counter: int, ripple: int, word: str) -> None:
    said = compare(counter, ripple)
    assert (word in said) if word else said == ""


def test_ringing_of_the_hose_when_valves_open_and_close_is_not_counted_once_dips_are_known() -> (
    None
):
    pressure = pump(np.arange(3.0, 17.5, 1.5).tolist(), dip_psi=24.0)
    ring = 5 * PA_PER_PSI * np.exp(-np.arange(100) / 20) * np.cos(np.arange(100) / 100 * 50.3)
    again = pressure.copy()
    again[200:300] -= ring
    again[1800:1900] += ring
    times, _ = count_strokes(np.concatenate([pressure, again]), 0.01)
    assert len(times) == 20


def test_single_samples_and_all_failed_blocks_are_survived() -> None:
    counter = RippleCounter(0.01)
    for value in [np.nan, 4e5, np.nan, np.nan, 4.1e5]:
        counter.feed(np.array([value]))
    assert counter.feed(np.full(100, np.nan)).verdict is Verdict.MISSING
    assert len(counter.finish()) == 0


@pytest.mark.parametrize(
    "changes",
    [{}, {"tip_m": 0.001}, {"tip_m": 0.004}, {"set_pa": 30 * PA_PER_PSI}],
    ids=["usual", "small tip", "large tip", "low air"],
)
def test_strokes_of_the_virtual_pump_are_found(changes: dict[str, float]) -> None:
    """The pump model has hammer, ringing, rebound and jitter that this counter did not know of."""
    from edge.virtual.live import LiveSite
    from edge.virtual.spec import PumpSpec, SitePump, SiteSpec

    pump_spec = replace(PumpSpec(), **changes)  # type: ignore[arg-type]  # float fields only
    site = SiteSpec("pine-hollow", (SitePump("foam", pump_spec),), "demo")
    chunk = LiveSite(site, 11, 1.764e9, rate_hz=100.0).advance(1.764e9 + 300)["foam"]
    told = chunk.stroke_ts - chunk.t0_ts
    times, _ = count_strokes(chunk.pressure_pa, chunk.dt_s)
    found = [t for t in told if np.min(np.abs(times - t)) < 0.2]
    assert len(told) > 15
    assert len(found) >= 0.97 * len(told)
    assert len(times) <= 1.12 * len(told)
