"""Normal life: recordings in which nothing is wrong and nothing may alarm.

Each builder takes a seed, draws a pump family of its own and lays out one of the things that
happen at every wash. `CASES` names them all; `build` runs one.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from edge.virtual import demand
from edge.virtual.run import Climate, Fitted, simulate
from edge.virtual.spec import PSI, Change, Draw, PumpSpec, draw_family
from edge.virtual.trace import Trace

DAY_S = demand.DAY_S
SATURDAY_TS = 1_772_866_800.0
"""2026-03-07 00:00 at UTC-7; the clocks there go forward on the next day."""
OFFSET_S = -7 * 3600.0
FORWARD_TS = SATURDAY_TS + DAY_S + 2 * 3600.0
MILD = Climate(20.0, 4.0, OFFSET_S)
PLAIN = Fitted()


@dataclass(frozen=True, slots=True)
class Scene:
    """What a builder lays out: the run's ingredients before it is run."""

    spec: PumpSpec
    draws: Sequence[Draw]
    start_ts: float
    duration_s: float
    changes: tuple[Change, ...] = ()
    climate: Climate = MILD
    silence: tuple[tuple[float, float], ...] = ()


def _day(seed: int, pattern: str, start_ts: float, days: float = 1.0) -> Scene:
    """An ordinary stretch of one pump on two bays."""
    span = (start_ts, start_ts + days * DAY_S)
    draws = demand.draws(pattern, ("1", "2"), span, seed, OFFSET_S)
    return Scene(draw_family(seed), draws, start_ts, days * DAY_S)


def _pattern(seed: int) -> str:
    """Each kind of wash in turn."""
    return ("self-serve", "in-bay", "tunnel")[seed % 3]


def saturday(seed: int) -> Scene:
    """Back to back: half as much again as the busiest Saturday, bays overlapping."""
    scene = _day(seed, _pattern(seed), SATURDAY_TS)
    more = demand.draws(
        "in-bay", ("3", "4"), (SATURDAY_TS, SATURDAY_TS + DAY_S), seed + 1, OFFSET_S
    )
    return replace(scene, draws=sorted([*scene.draws, *more], key=lambda d: d.start_ts))


def cold_morning(seed: int) -> Scene:
    """A room that falls to about 3 °C by night: thick chemical, slow suction, cold air."""
    scene = _day(seed, _pattern(seed), SATURDAY_TS - 2 * DAY_S, 2.0)
    return replace(scene, climate=Climate(9.0, 12.0, OFFSET_S))


def set_point(seed: int) -> Scene:
    """Somebody turns the regulator at noon, by 8 psi or more, within 20 to 100 psi."""
    scene = _day(seed, _pattern(seed), SATURDAY_TS - 4 * DAY_S, 2.0)
    rng = np.random.default_rng([seed, 4])
    old_psi = scene.spec.set_pa / PSI
    new_psi = float(rng.uniform(22.0, 98.0))
    while abs(new_psi - old_psi) < 8.0:
        new_psi = float(rng.uniform(22.0, 98.0))
    noon_ts = scene.start_ts + DAY_S / 2
    return replace(scene, changes=(Change("set point", noon_ts, new_psi * PSI),))


def drum_swap(seed: int) -> Scene:
    """Three drums swapped well in two days: a gulp of gas in the hose, then prime again."""
    scene = _day(seed, _pattern(seed), SATURDAY_TS - 4 * DAY_S, 2.0)
    rng = np.random.default_rng([seed, 5])
    at = [scene.start_ts + DAY_S * x for x in (0.4, 0.9, 1.55)]
    gulps_ml = scene.spec.displacement_ml * rng.uniform(0.3, 0.9, 3)
    gulps = tuple(
        Change("drum swap", _next_rest(scene.draws, ts, 60.0), float(gulp_ml))
        for ts, gulp_ml in zip(at, gulps_ml, strict=True)
    )
    return replace(scene, changes=gulps)


def pump_change(seed: int) -> Scene:
    """Air off, line relieved, another pump in, suction and discharge on, a bay's low-pressure
    function started, then air: it primes with the line open.
    """
    scene = _day(seed, _pattern(seed), SATURDAY_TS - 4 * DAY_S, 1.0)
    ts = _next_rest(scene.draws, scene.start_ts + 0.45 * DAY_S, 60.0)
    back_ts = ts + 900.0
    draws = [d for d in scene.draws if d.end_ts < ts or d.start_ts > back_ts + 120.0]
    draws.append(Draw(back_ts - 10.0, back_ts + 80.0, 3.0 * scene.spec.tip_m, "1"))
    changes = (
        Change("air off", ts),
        Change("refit", ts + 400.0),
        Change("counter restart", ts + 500.0),
        Change("air on", back_ts),
    )
    return replace(scene, draws=sorted(draws, key=lambda d: d.start_ts), changes=changes)


def quiet_nights(seed: int) -> Scene:
    """Three days of an in-bay wash that is shut from evening to morning, with a warm-cold swing."""
    scene = _day(seed, "in-bay", SATURDAY_TS - 4 * DAY_S, 3.0)
    return replace(scene, climate=Climate(18.0, 14.0, OFFSET_S))


def chatter(seed: int) -> Scene:
    """Solenoids that buzz: four to ten bounces of 30 to 150 ms as each draw begins and ends."""
    scene = _day(seed, _pattern(seed), SATURDAY_TS - 4 * DAY_S)
    rng = np.random.default_rng([seed, 6])
    draws: list[Draw] = []
    for draw in scene.draws:
        draws += _bounces(rng, draw, draw.start_ts - 2.0)
        draws.append(draw)
        draws += _bounces(rng, draw, draw.end_ts + 0.05)
    return replace(scene, draws=draws)


def network_gaps(seed: int) -> Scene:
    """A dozen gaps of 5 to 120 s in which nothing arrives, and a node that starts again."""
    scene = _day(seed, _pattern(seed), SATURDAY_TS - 3 * DAY_S)
    rng = np.random.default_rng([seed, 7])
    starts = np.sort(rng.uniform(scene.start_ts, scene.start_ts + DAY_S - 200.0, 12))
    gaps = tuple((float(ts), float(ts + rng.uniform(5.0, 120.0))) for ts in starts)
    again_ts = gaps[5][1]
    return replace(scene, silence=gaps, changes=(Change("counter restart", again_ts),))


def clock_change(seed: int) -> Scene:
    """The night the clocks go forward: everything comes an hour earlier by Unix time."""
    pattern = _pattern(seed)
    start_ts = SATURDAY_TS
    before = demand.draws(pattern, ("1", "2"), (start_ts, FORWARD_TS), seed, OFFSET_S)
    span = (FORWARD_TS, start_ts + 2 * DAY_S)
    after = demand.draws(pattern, ("1", "2"), span, seed + 1, OFFSET_S + 3600.0)
    return Scene(draw_family(seed), [*before, *after], start_ts, 2 * DAY_S)


def rare_bay(seed: int) -> Scene:
    """Four days of a pump that serves a car or two a day."""
    scene = _day(seed, "rare", SATURDAY_TS - 4 * DAY_S, 4.0)
    return replace(scene, draws=[d for d in scene.draws if d.bay == "1"])


def second_bay(seed: int) -> Scene:
    """Two days; on the second another bay is put on the pump, with a tip of its own: its draws
    come alone, beside the old bay's, and out of their middle.
    """
    scene = _day(seed, _pattern(seed), SATURDAY_TS - 4 * DAY_S, 2.0)
    rng = np.random.default_rng([seed, 8])
    tip_m = scene.spec.tip_m * float(rng.uniform(0.8, 1.5))
    old = [d for d in scene.draws if d.bay == "1"]
    later = scene.start_ts + 1.3 * DAY_S
    new = [replace(d, tip_m=tip_m) for d in scene.draws if d.bay == "2" and d.start_ts > later]
    return replace(scene, draws=sorted([*old, *new], key=lambda d: d.start_ts))


def high_line(seed: int) -> Scene:
    """A line that stays above air pressure for minutes after a draw: a long column that is stopped
    in a stiff hose, balls that hold what it leaves, and warmth that adds to it.
    """
    scene = _day(seed, _pattern(seed), SATURDAY_TS - 4 * DAY_S)
    rng = np.random.default_rng([seed, 9])
    held = replace(
        scene.spec,
        tip_m=1.4 * scene.spec.tip_m,
        rod_inertance_kg_m4=4e6,
        line_compliance_ml_psi=float(rng.uniform(0.2, 0.5)) * scene.spec.line_compliance_ml_psi,
        line_gas_ml=0.0,
        ring_share=float(rng.uniform(0.3, 0.5)),
        seep_s=float(rng.uniform(300.0, 900.0)),
        thermal_pa_per_k=1.5 * PSI,
    )
    return replace(scene, spec=held, climate=Climate(18.0, 14.0, OFFSET_S))


def _next_rest(draws: Sequence[Draw], ts: float, rest_s: float) -> float:
    """The first time from ts on with rest_s of no draw before and after it."""
    busy = sorted((d.start_ts - rest_s, d.end_ts + rest_s) for d in draws)
    for start_ts, end_ts in busy:
        if start_ts <= ts < end_ts:
            ts = end_ts
    return ts


def _bounces(rng: np.random.Generator, draw: Draw, ts: float) -> list[Draw]:
    """A buzzing solenoid's short openings from ts on."""
    out = []
    for _ in range(int(rng.integers(4, 11))):
        on_s, off_s = rng.uniform(0.03, 0.15, 2)
        out.append(replace(draw, start_ts=ts, end_ts=ts + float(on_s)))
        ts += float(on_s + off_s)
    return out


CASES: dict[str, Callable[[int], Scene]] = {
    "saturday": saturday,
    "cold morning": cold_morning,
    "set point": set_point,
    "drum swap": drum_swap,
    "pump change": pump_change,
    "quiet nights": quiet_nights,
    "chatter": chatter,
    "network gaps": network_gaps,
    "clock change": clock_change,
    "rare bay": rare_bay,
    "second bay": second_bay,
    "high line": high_line,
}


def run(scene: Scene, seed: int, fitted: Fitted = PLAIN, rate_hz: float = 20.0) -> Trace:
    """The recording of a scene."""
    trace = simulate(
        scene.spec,
        scene.draws,
        (),
        t0_ts=scene.start_ts,
        duration_s=scene.duration_s,
        rate_hz=rate_hz,
        seed=seed,
        fitted=fitted,
        climate=scene.climate,
        changes=scene.changes,
    )
    return replace(trace, silence=scene.silence)


def build(name: str, seed: int, fitted: Fitted = PLAIN) -> tuple[Scene, Trace]:
    """The scene and recording of a case of CASES for a seed; KeyError for an unknown name."""
    scene = CASES[name](seed)
    return scene, run(scene, seed, fitted)


def healthy(seed: int, days: float, fitted: Fitted = PLAIN) -> tuple[Scene, Trace]:
    """Plain days from a Monday on of one family: for counting false alarms."""
    monday_ts = SATURDAY_TS - 5 * DAY_S
    scene = _day(seed, _pattern(seed), monday_ts, days)
    return scene, run(scene, seed, fitted)
