"""The strokes of the last draws laid end to end: what too few strokes in one draw cannot say.

A draw of a low-flow pump may hold three strokes; three such draws hold six intervals, and since
the two sides of a pump take turns whatever rests lie between, alternation adds up as well.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.detectors.context import Context, once
from monitor.signals.order import median
from monitor.signals.strokes import mad_sigma
from monitor.signals.types import Episode, FloatArray

Places = NDArray[np.intp]
DRAWS = 3
LOOKED_BACK = 12
QUICK = 0.05
"""Strokes of one outlet repeat within 1 % (computed); a twentieth is a change."""
SHORT_REST_S = 45.0
"""A suction line does not run empty within so short a rest (chosen)."""
STEADY = 0.35
"""Spread of the differences between the sides, against their middle, in a true alternation."""
JOIN = 1.5
"""Times the usual interval up to which two runs are one draw; beyond, a valve was shut meanwhile,
which says nothing of the sides."""
LAST_SHARE = 1.25
"""A draw's last interval longer than the others by this ran on after the valve had closed."""


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """Intervals of up to three draws, and what they give together.

    logs: logarithms of interval over the usual one at the draw's pressure, of those draws for
    which it is known. turns: differences of the logarithms of successive intervals, all signed as
    left side over right, so that twice the alternation is their middle; by_draw: each draw's.
    quick: newest draw first, by how much each draw's strokes are quicker than usual and its dips
    against the usual ones; quick_logs: the logs of those that are quicker by QUICK.
    slow_share: time of the slower side's strokes over the usual, None where that is not known.
    jitter: the largest usual spread of a stroke's time, as a share.
    """

    draws: int
    logs: FloatArray
    turns: FloatArray
    by_draw: tuple[float, ...]
    quick: tuple[tuple[float, float], ...]
    quick_logs: FloatArray
    slow_share: float | None
    jitter: float

    @property
    def asymmetry(self) -> float | None:
        """|T_left - T_right| / (T_left + T_right); None with fewer than three turns."""
        if len(self.turns) < 3:
            return None
        return abs(float(np.tanh(np.median(self.turns) / 2.0)))

    @property
    def steady_turns(self) -> bool:
        """Do the sides differ alike all the time, in two draws at least? Valves that close for a
        moment do not."""
        if not len(self.turns):
            return False
        middle = float(np.median(self.turns))
        alike = [x for x in self.by_draw if x * np.sign(middle) > abs(middle) / 2.0]
        against = int((np.sign(self.turns) != np.sign(middle)).sum())
        even = mad_sigma(self.turns) < STEADY * abs(middle)
        others = len(self.by_draw) - len(alike)  # a ball that leaks does so in every draw
        many = len(alike) >= 2 and others <= len(self.by_draw) // 6
        return even and many and against <= len(self.turns) // 6

    @property
    def asymmetry_se(self) -> float:
        """Standard error of it: turns overlap by half, a median has 1.2533 that of a mean."""
        if not len(self.turns):
            return 1.0
        n = max(1.0, len(self.turns) / 2.0)
        return float(1.2533 * mad_sigma(self.turns) / 2.0 / n**0.5)

    @property
    def ragged(self) -> float | None:
        """Spread of a stroke's time, from successive ones (0.6745 = the median of a normal law's
        absolute value), or over the quick draws, whichever is more; None with fewer than three
        successive pairs and fewer than four strokes in these, for a gulp of gas quickens two or
        three."""
        known = len(self.quick_logs) >= 4
        over = float(self.quick_logs.std(ddof=1)) if known else None
        if len(self.turns) < 3:
            return over
        return max(median(np.abs(self.turns)) / (0.6745 * 2**0.5), over or 0.0)

    @property
    def gas_strokes(self) -> float:
        """Gas (strokes of it) that these draws' strokes moved: what their times lack."""
        return float((1.0 - np.exp(self.logs)).sum())

    @property
    def quicker(self) -> float | None:
        """By how much the strokes are quicker than this pump's at like pressure: minus the mean of
        the logarithms; None where a like draw is not known."""
        return -float(self.logs.mean()) if len(self.logs) else None


def even_turns(t: FloatArray) -> bool:
    """Do the sides of one run differ alike from stroke to stroke (one turn in six may not)?"""
    t = _cut(t)
    if len(t) < 2 or t.min() <= 0:
        return len(t) < 2
    turns = np.diff(np.log(t)) * (1.0 - 2.0 * (np.arange(len(t) - 1) % 2))
    against = int((np.sign(turns) != np.sign(np.median(turns))).sum())
    return against <= len(turns) // 6


def before(context: Context, draws: int, left_out: int) -> Strip | None:
    """The strip of the draws before the last ones; None without any."""
    runs = list(context.recent)
    at = [i for i, run in enumerate(runs) if run.strokes >= 3]
    return _strip(runs[: at[-left_out]], context, draws) if len(at) > left_out else None


def strip(event: Episode, context: Context, draws: int = DRAWS) -> Strip:
    """The strip that ends with this closed draw."""
    return _strip([*context.recent, event], context, draws)


def _strip(runs: list[Episode], context: Context, draws: int) -> Strip:
    """The strip of the last so many of the runs that have two strokes and more."""
    done, sides = 0, []
    for run in runs:
        sides.append(done)
        done += run.strokes
    logs: list[FloatArray] = []
    turns: list[FloatArray] = []
    quick: list[tuple[float, float]] = []
    sides_of: list[Places] = []
    used, jitter = 0, 0.0
    for run, first in zip(reversed(runs), reversed(sides), strict=True):
        t = run.intervals_s
        if len(t) and not run.features.get("cut") and run.what != "prime" and t.min() > 0:
            t = _cut(t)
            usual = context.at_pressure("interval_s", run)
            if usual is not None and usual.usual > 0:
                logs.append(np.log(t / usual.usual))
                dip = context.at_pressure("dip_pa", run, 0.01)
                quick.append((-float(logs[-1].mean()), 1.0 if dip is None else dip.ratio))
                jitter = max(jitter, abs((usual.ratio - 1.0) / usual.z) if usual.z else 0.0)
            side = (first + np.arange(len(t))) % 2
            turn = -np.diff(np.log(t)) * (1.0 - 2.0 * side[:-1])
            if usual is not None and usual.usual > 0:
                sides_of.append(side)
                paused = t > JOIN * usual.usual
                turn = turn[~(paused[1:] | paused[:-1])]
            turns.append(turn)
            used += 1
        if used == draws:
            break
    empty = np.empty(0)
    return Strip(
        used,
        np.concatenate(logs) if logs else empty,
        np.concatenate(turns) if turns else empty,
        tuple(float(np.median(x)) for x in turns if len(x)),
        tuple(quick),
        np.concatenate([x for x in logs if -float(x.mean()) > QUICK] or [empty]),
        _slow_share(
            np.concatenate(logs or [empty]),
            np.concatenate(sides_of) if sides_of else np.empty(0, np.intp),
        ),
        jitter,
    )


def _slow_share(logs: FloatArray, side: Places) -> float | None:
    """Time of the slower side's strokes over the usual (medians)."""
    both = [median(logs[side == k]) for k in (0, 1) if (side == k).any()]
    return float(np.exp(max(both))) if both else None


def joined(event: Episode, context: Context) -> FloatArray:
    """Intervals of this run with those of the runs right before it, between which no more time
    passed than a long stroke takes: one draw that the segmenter took for several (s)."""
    usual = context.of("interval_s")
    ts = event.stroke_ts
    for run in list(context.recent)[: -LOOKED_BACK - 1 : -1]:
        if usual is None or not len(run.stroke_ts) or not len(ts):
            break
        if float(ts[0] - run.stroke_ts[-1]) > JOIN * usual:
            break
        ts = np.concatenate((run.stroke_ts, ts))
    return np.asarray(np.diff(ts), np.float64)


@once
def after_short_rest(event: Episode, context: Context) -> list[float]:
    """By how much the strokes of the last draws that followed another one closely are quicker than
    usual, from the first quick draw on. Gas that comes with those as well is not a foot valve's."""
    out: list[float] = []
    begun = False
    for run in [*list(context.recent)[-LOOKED_BACK:], event]:
        rest, like = run.features.get("rest_before_s"), context.at_pressure("interval_s", run)
        if run.strokes < 3 or rest is None or like is None or like.usual <= 0:
            continue
        quicker = -float(np.log(run.intervals_s.mean() / like.usual))
        begun = begun or quicker >= QUICK
        if begun and rest < SHORT_REST_S:
            out.append(quicker)
    return out


def _cut(t: FloatArray) -> FloatArray:
    """Without a last interval that ran on after the valve had closed: longer than that side's one
    before it or, of three, than the others."""
    if len(t) < 3:
        return t
    others = float(t[-3]) if len(t) >= 4 else float(t[:-1].max())
    return t[:-1] if float(t[-1]) > LAST_SHARE * others else t
