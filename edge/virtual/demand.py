"""When bays draw: by hour of day and weekday for three kinds of wash, seeded.

Shapes are chosen (common practice, no published source): a self-serve bay is used all day and a
little at night, an in-bay automatic from early to late, a tunnel only in opening hours with a car
a minute or two; Saturday is the busiest day. Draws last 3 to 90 s.
"""

from dataclasses import dataclass

import numpy as np

from edge.virtual.spec import Draw

DAY_S = 86_400.0


@dataclass(frozen=True, slots=True)
class Pattern:
    """Cars an hour and bay at the busiest hour, the share by hour, and how one car draws."""

    busiest_per_h: float
    by_hour: tuple[float, ...]
    by_weekday: tuple[float, ...]
    draws_per_car: tuple[int, int]
    draw_s: tuple[float, float]
    gap_s: tuple[float, float]


_SELF = (
    0.02,
    0.01,
    0.01,
    0.01,
    0.02,
    0.05,
    0.15,
    0.3,
    0.45,
    0.6,
    0.75,
    0.85,
    0.95,
    1.0,
    1.0,
    0.95,
    0.9,
    0.85,
    0.75,
    0.6,
    0.4,
    0.25,
    0.12,
    0.05,
)
_INBAY = (
    0.0,
    0.0,
    0.0,
    0.0,
    0.0,
    0.02,
    0.2,
    0.5,
    0.6,
    0.6,
    0.7,
    0.8,
    0.9,
    0.9,
    0.9,
    1.0,
    1.0,
    1.0,
    0.8,
    0.6,
    0.4,
    0.2,
    0.05,
    0.0,
)
_TUNNEL = (
    0.0,
    0.0,
    0.0,
    0.0,
    0.0,
    0.0,
    0.0,
    0.2,
    0.5,
    0.7,
    0.8,
    0.9,
    1.0,
    1.0,
    1.0,
    1.0,
    0.9,
    0.8,
    0.5,
    0.1,
    0.0,
    0.0,
    0.0,
    0.0,
)
_WEEK = (0.6, 0.55, 0.6, 0.7, 0.9, 1.6, 1.2)

PATTERNS: dict[str, Pattern] = {
    "self-serve": Pattern(4.0, _SELF, _WEEK, (1, 5), (3.0, 60.0), (4.0, 90.0)),
    "in-bay": Pattern(6.0, _INBAY, _WEEK, (1, 2), (8.0, 45.0), (10.0, 60.0)),
    "tunnel": Pattern(40.0, _TUNNEL, _WEEK, (1, 1), (4.0, 15.0), (2.0, 5.0)),
    "rare": Pattern(0.15, _SELF, _WEEK, (1, 2), (5.0, 40.0), (5.0, 60.0)),
    "demo": Pattern(0.0, (1.0,) * 24, (1.0,) * 7, (1, 1), (5.0, 12.0), (10.0, 24.0)),
    "demo-quiet": Pattern(0.0, (1.0,) * 24, (1.0,) * 7, (1, 1), (8.0, 15.0), (130.0, 200.0)),
}


def _car(rng: np.random.Generator, pattern: Pattern, start_ts: float, bay: str) -> list[Draw]:
    """The draws of one car, one after the other."""
    out = []
    ts = start_ts
    low, high = pattern.draws_per_car
    for _ in range(int(rng.integers(low, high + 1))):
        length_s = float(np.exp(rng.uniform(*np.log(pattern.draw_s))))
        length_s = float(np.clip(length_s, 3.0, 90.0))
        out.append(Draw(ts, ts + length_s, None, bay))
        ts += length_s + float(rng.uniform(*pattern.gap_s))
    return out


def _rate_per_s(pattern: Pattern, local_ts: float) -> float:
    """Cars a second and bay at a local wall-clock time."""
    weekday = int(local_ts // DAY_S + 3) % 7
    hour = int(local_ts % DAY_S // 3600.0)
    return pattern.busiest_per_h * pattern.by_hour[hour] * pattern.by_weekday[weekday] / 3600.0


def _bay(
    pattern: Pattern,
    bay: str,
    rng: np.random.Generator,
    span: tuple[float, float],
    utc_offset_s: float,
) -> list[Draw]:
    """One bay by thinning a Poisson stream; a car waits until the one before is done."""
    start_ts, end_ts = span
    peak = pattern.busiest_per_h * max(pattern.by_weekday) / 3600.0
    out: list[Draw] = []
    ts = start_ts
    while True:
        ts += float(rng.exponential(1.0 / peak))
        if ts >= end_ts:
            return out
        if rng.random() * peak > _rate_per_s(pattern, ts + utc_offset_s):
            continue
        out += _car(rng, pattern, ts, bay)
        ts = out[-1].end_ts + float(rng.uniform(*pattern.gap_s))


def _steady(
    pattern: Pattern, bay: str, rng: np.random.Generator, span: tuple[float, float]
) -> list[Draw]:
    """One draw after the other, day and night, for a demonstration."""
    out: list[Draw] = []
    ts = span[0] + float(rng.uniform(2.0, 10.0))
    while ts < span[1]:
        out += _car(rng, pattern, ts, bay)
        ts = out[-1].end_ts + float(rng.uniform(*pattern.gap_s))
    return out


def draws(
    pattern: str,
    bays: tuple[str, ...],
    span: tuple[float, float],
    seed: int,
    utc_offset_s: float = 0.0,
) -> list[Draw]:
    """All draws on one pump in span = (start_ts, end_ts), by start; raises KeyError for a
    pattern not in PATTERNS.
    """
    chosen = PATTERNS[pattern]
    out: list[Draw] = []
    for number, bay in enumerate(bays):
        rng = np.random.default_rng([seed, 77, number])
        if chosen.busiest_per_h > 0.0:
            out += _bay(chosen, bay, rng, span, utc_offset_s)
        else:
            out += _steady(chosen, bay, rng, span)
    return sorted((d for d in out if d.end_ts <= span[1]), key=lambda d: d.start_ts)
