"""An invented load for the speed benchmark: one pump's ten minutes, and messages cut from it.

Made for cost, not for truth: stall, draws of every length, a dip at each stroke, noise, and a
counter. Every pump walks through the same ten minutes from a place of its own, so at any time an
eighth of all pumps draw, as on a busy day.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np
from numpy.typing import NDArray

from monitor import wire
from monitor.detectors.watch import SiteWatch
from monitor.intake.desk import Raw
from monitor.signals.types import Block, Episode
from monitor.site import Pump, Site

RATE_HZ = 20
LENGTH_S = 600
SITE_PUMPS = 20
SCALE_PA = 1.0e6 / 4096
T0_S = 1_750_000_200
"""A whole ten minutes, far from any clock change."""
DRAWS = ((40, 12), (200, 40), (420, 25))
"""(start, length) in s: 432 draws a day, as on a busy day that never ends (chosen)."""
STALL_PA, DRAW_PA, DIP_PA, NOISE_PA = 390e3, 300e3, 60e3, 900.0
STROKE_S = 2.4
PAST_H = 15.0
"""270 draws: a baseline's window is full and its models are fitted."""


@dataclass(frozen=True)
class Life:
    """Ten minutes of a pump at 20 samples a second."""

    @cached_property
    def stroke_s(self) -> NDArray[np.float64]:
        """Times of all strokes in s from the start."""
        return np.concatenate([np.arange(a + 0.3, a + n, STROKE_S) for a, n in DRAWS])

    @cached_property
    def pressure_pa(self) -> NDArray[np.float64]:
        """The trace in Pa."""
        t = np.arange(LENGTH_S * RATE_HZ) / RATE_HZ
        p = np.full(len(t), STALL_PA)
        for start, length in DRAWS:
            p[(t >= start) & (t < start + length)] = DRAW_PA
        since = t - self.stroke_s[np.maximum(np.searchsorted(self.stroke_s, t, "right") - 1, 0)]
        p -= DIP_PA * np.exp(-((since - 0.1) ** 2) / 0.005) * (since >= 0)
        return p + np.random.default_rng(1).normal(0.0, NOISE_PA, len(t))

    @cached_property
    def counts(self) -> NDArray[np.int16]:
        """The trace as a 12-bit converter gives it."""
        return np.rint(self.pressure_pa / SCALE_PA).astype(np.int16)


LIFE = Life()


def sites(pumps: int) -> list[Site]:
    """Sites of twenty pumps."""
    return [
        Site(id=f"s{k // SITE_PUMPS}", pumps=tuple(Pump(id=f"p{i}") for i in _numbers(k, pumps)))
        for k in range(0, pumps, SITE_PUMPS)
    ]


def _numbers(first: int, pumps: int) -> range:
    return range(first, min(first + SITE_PUMPS, pumps))


def message(number: int, second: int) -> wire.Message:
    """One second of one pump; second 0 is T0_S."""
    lap, at = divmod(second + 37 * number, LENGTH_S)
    t0_us = (T0_S + second) * 1_000_000
    s = LIFE.stroke_s
    lo, hi = np.searchsorted(s, (at, at + 1))
    total = lap * len(s) + np.array([*range(lo + 1, hi + 1), hi], np.int64)
    t_us = t0_us + np.array([*((s[lo:hi] - at) * 1e6), 1e6]).astype(np.int64)
    samples = LIFE.counts[at * RATE_HZ : (at + 1) * RATE_HZ]
    return wire.Message(
        f"s{number // SITE_PUMPS}", f"p{number}", 1, second, t0_us, 1_000_000 // RATE_HZ,
        samples, SCALE_PA, 0.0, t_us, total,
    )  # fmt: skip


def payloads(pumps: int, second: int) -> list[Raw]:
    """One second of all pumps as it comes from the broker (CBOR)."""
    made = (message(i, second) for i in range(pumps))
    return [Raw(wire.data_topic(m.site, m.pump), wire.encode_cbor(m)) for m in made]


def day(hours: float = 24.0) -> Iterator[Block]:
    """A pump's day in blocks of ten minutes, no two alike."""
    rng = np.random.default_rng(2)
    for lap in range(int(hours * 6)):
        t0 = float(T0_S + lap * LENGTH_S)
        pressure_pa = LIFE.pressure_pa * rng.normal(1.0, 0.01)
        strokes = LIFE.stroke_s + rng.normal(0.0, 0.02, len(LIFE.stroke_s))
        yield Block(t0, 1 / RATE_HZ, pressure_pa, t0 + strokes)


@cache
def _past() -> tuple[Episode, ...]:
    """What a pump's watch found in the hours of `day` before T0_S."""
    watch = SiteWatch(Site(id="s0", pumps=(Pump(id="p0"),)), lambda _job: None)
    found = [e for block in day(PAST_H) for e in watch.push("p0", block).episodes]
    return tuple(found)


def past(number: int, end_ts: float = T0_S) -> list[Episode]:
    """A pump's finished episodes before a time: its own values, in memory of their own.

    They spread by 4 %: hardly varying numbers give no model, more spread means a new set point.
    """
    back_s = end_ts - T0_S - PAST_H * 3600.0
    own = iter(np.random.default_rng(number).normal(1.0, 0.04, 100 * len(_past())).tolist())
    return [
        Episode(
            f"p{number}",
            e.what,
            e.start_ts + back_s,
            e.end_ts + back_s,
            False,
            e.strokes,
            {
                name: None if value is None else value * next(own)
                for name, value in e.features.items()
            },
            e.stroke_ts + back_s,
        )
        for e in _past()
    ]
