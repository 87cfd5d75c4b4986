"""The features of one run: what the trace and the strokes say, in SI, None where they do not."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from monitor.signals import dips, saw
from monitor.signals.order import deviation, mean, median, quantiles
from monitor.signals.scales import Scales
from monitor.signals.strokes import Features, change, mad_sigma, rhythm
from monitor.signals.types import Block, Episode, FloatArray
from monitor.units import PA_PER_PSI, STANDARD_ATMOSPHERE_PA

BoolArray = NDArray[np.bool_]

DROP_PA = 2.0 * PA_PER_PSI
RACE_SHARE = 0.35
"""An interval counts as racing when its rate is over this share of the dry rate: ordinary chemical
flows run at 4 to 10 % of it (computed), and the class's exhaust paths spread over 1 : 2 about the
nominal one, so that a slow pump's dry rate is half the expected one."""
DRY_PRESSURE_SHARE = 0.35
"""A racing stroke is dry when pressure is under this share of the stall pressure (computed)."""
DIP_NOISE = 8.0
"""A swing under eight times the noise is not counted as dips (four sigma either way)."""
FELL_SHARE = 0.2
BACK_SHARE = 0.5
FELL_S = 0.15
DIP_OVER_S = 0.5
"""A line falls open within two or three samples, under this share (a stroke may have begun to fill
it; 6 mm outlets give 0.23), and is not half way back when a dip would be over (chosen: a valve
takes 0.1 to 0.3 s)."""
LEAST_ASKED = 20
HELD_SHARE = 0.8
LOST_SHARE = 0.35
RACE_NOW_S = 3.0
"""Racing is judged on its last seconds: the line may still be falling or filling before."""
AFTER_S = 3.0
"""The last seconds of an ended run, by rule flat, give the stall pressure it ended on."""
AROUND_S = np.array([-0.1, 0.5])
"""Where the dip of a single stroke is looked for (chosen: a valve takes 0.1 to 0.3 s)."""
BOUNDED_SAMPLES, BOUNDED_SPAN = 50, 3.7
"""Of 60 samples of noise 1 in 200 spans less, of 150 none in 20,000; a saw spans 3.0 to 3.7
(computed)."""


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """A run as it stands: trace from before_s ahead of start_sec to now_sec, all stroke times."""

    pump: str
    scales: Scales
    raw: tuple[Block, ...]
    stroke_ts: FloatArray
    start_sec: int
    now_sec: int
    level_pa: float
    before_s: float
    open_: bool
    cut: bool
    continued_s: float
    rest_s: float | None


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """Good samples only, ts in s from the run's start; demand and air as they came (or None)."""

    ts: FloatArray
    p: FloatArray
    dt_s: float
    null_share: float
    demand: FloatArray | None
    air_pa: FloatArray | None


def _column(raw: tuple[Block, ...], name: str) -> FloatArray | None:
    """An optional column over all pieces; NaN for pieces without it."""
    got = [getattr(b, name) for b in raw]
    if all(x is None for x in got):
        return None
    return np.concatenate(
        [
            np.full(len(b.pressure_pa), np.nan) if x is None else x
            for b, x in zip(raw, got, strict=True)
        ]
    )


def _trace(look: Look) -> Trace:
    """The samples of a look, failed reads left out."""
    raw = look.raw
    if not raw:
        return Trace(np.empty(0), np.empty(0), 0.05, 0.0, None, None)
    p = np.concatenate([b.pressure_pa for b in raw])
    zero = look.start_sec  # times count from the run's start: a Unix time leaves few digits
    ts = np.concatenate([(b.t0_ts - zero) + np.arange(len(b.pressure_pa)) * b.dt_s for b in raw])
    demand, air = _column(raw, "demand"), _column(raw, "air_pa")
    here = (ts >= -look.before_s) & (ts < look.now_sec - zero)
    good = here & ~np.isnan(p)
    asked = int(here.sum())
    return Trace(
        ts[good],
        p[good],
        raw[-1].dt_s,
        1.0 - float(good.sum()) / asked if asked >= LEAST_ASKED else 0.0,
        None if demand is None else demand[good],
        None if air is None else air[good],
    )


def measure(look: Look) -> Episode:
    """The episode of a look, with every feature (see the docstrings of the groups below)."""
    tr = _trace(look)
    s = look.stroke_ts - look.start_sec
    run = tr.ts >= 0.0
    f: Features = {
        "stall_before_pa": None if np.isnan(look.level_pa) else look.level_pa,
        "rest_before_s": look.rest_s,
        "continued_s": look.continued_s,
        "cut": float(look.cut),
        "null_share": tr.null_share,
        "sample_s": tr.dt_s,
    }
    f.update(rhythm(s))
    f.update(_spread(tr, run, look))
    f.update(_known(tr, run, look))
    f.update(_opened(tr, f["low_pa"], look))
    f.update(_strokes(tr, s, look))
    root = f["sqrt_demand"]
    f["conductance"] = f["rate_hz"] / root if f["rate_hz"] is not None and root else None
    f.update(_dips(tr))
    f.update(_start(tr, run, s, look))
    f.update(_close(tr, s, look, f))
    return Episode(
        look.pump,
        _what(f, len(s)),
        float(look.start_sec),
        float(look.now_sec),
        look.open_,
        len(s),
        f,
        look.stroke_ts,
    )


def _what(f: Features, strokes: int) -> str:
    """'prime', 'idle strokes' or 'draw'."""
    if (f["dry_start_strokes"] or 0) >= 3:
        return "prime"
    below = f["below_s"]
    if 1 <= strokes <= 2 and below is not None and below <= 1.5 * strokes:
        return "idle strokes"
    return "draw"


def _spread(tr: Trace, run: BoolArray, look: Look) -> Features:
    """Pressure over the whole run: extremes, spread, time under the level, last seconds."""
    p = tr.p[run]
    out: Features = dict.fromkeys(
        (
            "low_pa",
            "high_pa",
            "spread_pa",
            "below_s",
            "tail_pa",
            "tail_fall_pa",
            "tail_std_pa",
        )
    )
    if len(p) < 3:
        return out
    ts = tr.ts[run]
    out["low_pa"], out["high_pa"] = float(p.min()), float(p.max())
    out["spread_pa"] = deviation(p)
    if not np.isnan(look.level_pa):
        out["below_s"] = float((p < look.level_pa - 1.5 * DROP_PA).sum()) * tr.dt_s
    tail = p[ts >= look.now_sec - look.start_sec - AFTER_S]
    if len(tail) >= 3:
        out["tail_pa"] = median(tail)
        third = len(tail) // 3
        out["tail_fall_pa"] = mean(tail[:third]) - mean(tail[-third:])
        # from differences, robustly: neither a slope nor the saw of a creep is noise
        out["tail_std_pa"] = None if _bounded(tail) else _noise(tail)
    return out


def _opened(tr: Trace, low_pa: float | None, look: Look) -> Features:
    """When (s from the start) somebody opened the line, and the pressure (Pa) it had: from near the
    stall to next to nothing at once, where a bay's nozzle takes strokes, and not back when a dip
    would be over. None where nobody did."""
    out: Features = dict.fromkeys(("opened_s", "opened_from_pa"))
    stall = look.level_pa
    if low_pa is None or np.isnan(stall) or low_pa >= FELL_SHARE * stall:
        return out
    held = np.append(0, np.cumsum(tr.p > HELD_SHARE * stall))
    back = np.append(0, np.cumsum(tr.p > BACK_SHARE * stall))
    at = np.flatnonzero(tr.p < FELL_SHARE * stall)
    fell = max(1, round(FELL_S / tr.dt_s))
    later = at + max(1, round(DIP_OVER_S / tr.dt_s))
    known = later <= len(tr.p)
    at, later = at[known], later[known]
    opened = at[(held[at] > held[np.maximum(at - fell, 0)]) & (back[later] == back[at])]
    if len(opened):
        last = int(opened[-1])
        out["opened_s"] = float(tr.ts[last])
        out["opened_from_pa"] = median(tr.p[max(0, last - fell - round(1.0 / tr.dt_s)) : last])
    return out


def _known(tr: Trace, run: BoolArray, look: Look) -> Features:
    """What demand and air sensors say, where fitted: open time, strokes while shut, air."""
    out: Features = dict.fromkeys(
        (
            "demand_s", "shut_strokes", "shut_s", "open_after_s",
            "air_pa", "air_low_pa", "air_after_pa",
        )
    )  # fmt: skip
    if tr.air_pa is not None:
        air = tr.air_pa[run]
        air = air[~np.isnan(air)]
        if len(air):
            out["air_pa"] = mean(air)
            out["air_low_pa"] = float(air.min())
        last = tr.air_pa[tr.ts >= look.now_sec - look.start_sec - AFTER_S]
        last = last[~np.isnan(last)]
        if len(last):
            out["air_after_pa"] = mean(last)
    if tr.demand is not None:
        ts, d = tr.ts[run], tr.demand[run]
        known = ~np.isnan(d)
        if known.any():
            on = known & (d > 0.5)
            out["demand_s"] = float(on.sum()) * tr.dt_s
            last_on = float(ts[on][-1]) if on.any() else -1.0
            # strokes more than 2 s after the last known opening; a spongy line is still filling
            out["shut_s"] = max(look.now_sec - look.start_sec - last_on - 2.0, 0.0)
            s = look.stroke_ts - look.start_sec
            out["shut_strokes"] = float((s > last_on + 2.0).sum())
            out["open_after_s"] = last_on - float(s[-1]) if len(s) else None
    return out


def _strokes(tr: Trace, s: FloatArray, look: Look) -> Features:
    """Per whole stroke: demand pressure, dips, racing and dry strokes, change within the run."""
    names = (
        "demand_pa", "sqrt_demand", "demand_low_pa", "demand_high_pa",
        "dip_pa", "dip_max_pa", "dip_cv", "early_dip_pa", "late_dip_pa",
        "dip_s", "fall_pa_s", "fall_max_pa_s", "saw_s",
        "race_strokes", "race_rate_hz", "race_pa", "race_swing_pa", "race_s", "race_shut_s",
        "dry_start_strokes", "dry_strokes", "split_rate_ratio", "split_before_pa",
        "split_after_pa", "split_before_strokes", "trend_rate", "trend_pa", "trend_dip_s",
        "early_rate_hz", "late_rate_hz", "early_pa", "late_pa", "dip_ratio", "drawn_pa",
    )  # fmt: skip
    out: Features = dict.fromkeys(names)
    out["dry_start_strokes"] = 0.0
    out["race_strokes"] = 0.0
    out["dry_strokes"] = 0.0
    if len(tr.p) < 5:
        return out
    inside = s[(s >= tr.ts[0]) & (s <= tr.ts[-1])]
    depth = dips.depths(tr.ts, tr.p, inside)
    if depth is not None:
        out["dip_pa"], out["dip_max_pa"] = median(depth), float(depth.max())
        if len(depth) >= 3 and out["dip_pa"]:
            out["dip_cv"] = mad_sigma(depth) / abs(out["dip_pa"])
        third = max(2, len(depth) // 3)
        if len(depth) >= 5:
            out["early_dip_pa"], out["late_dip_pa"] = median(depth[:third]), median(depth[-third:])
    if len(inside) == 1:
        falls = dips.slopes(tr.ts, tr.p, inside[0] + AROUND_S)
        out["fall_max_pa_s"] = None if falls is None else float(falls[0])
        out["drawn_pa"] = _drawn(tr, float(inside[0]))
    if len(inside) < 2:
        return out
    t = inside[1:] - inside[:-1]
    mean_pa = _interval_means(tr.ts, tr.p, inside)
    out.update(_whole(tr, inside))
    if not look.open_:
        out["saw_s"] = saw.period_s(tr.ts, tr.p, inside, tr.dt_s)
    out.update(_race(tr, inside, t, mean_pa, look.scales))
    out.update(_change(t, mean_pa))
    return out


def _drawn(tr: Trace, at_s: float) -> float | None:
    """Pressure of a draw with a single stroke: the lower of just before and just after its dip, for
    the valve may have opened with it, or closed."""
    spans = ((at_s - 1.25, at_s - 0.25), (at_s + 0.5, at_s + 1.5))
    pieces = [tr.p[(tr.ts >= a) & (tr.ts < b)] for a, b in spans]
    return min((median(p) for p in pieces if len(p)), default=None)


def _dips(tr: Trace) -> Features:
    """Dips counted in the run's trace, their depth, and the time between them with its spread;
    None when too small to count them."""
    out: Features = dict.fromkeys(("dips", "deepest_pa", "dips_interval_s", "dips_cv"))
    p = tr.p[tr.ts >= 0.0]
    seen = dips.found(p, tr.dt_s, DIP_NOISE * _noise(p)) if len(p) else None
    if seen is None:
        return out
    at, out["deepest_pa"] = seen
    out["dips"] = float(len(at))
    if len(at) >= 3:
        apart = np.diff(at)
        middle = median(apart)
        out["dips_interval_s"], out["dips_cv"] = middle, mad_sigma(apart) / middle
    return out


def _noise(p: FloatArray) -> float:
    """Noise (Pa, one sigma) from the differences of successive samples, robust to strokes."""
    return median(np.abs(p[1:] - p[:-1])) / 0.954 if len(p) >= 10 else 0.0


def _bounded(p: FloatArray) -> bool:
    """Does it swing between two fixed limits, as a creep saws in its restart band? A saw spans 3.5
    of its standard deviations, noise 4 and more."""
    return len(p) >= BOUNDED_SAMPLES and float(np.ptp(p)) < BOUNDED_SPAN * float(p.std())


def _interval_means(ts: FloatArray, p: FloatArray, s: FloatArray) -> FloatArray:
    """Mean pressure of each stroke interval, interpolated where it holds no sample."""
    area = np.zeros(len(ts))
    np.cumsum((p[1:] + p[:-1]) / 2 * (ts[1:] - ts[:-1]), out=area[1:])
    at, apart = np.interp(s, ts, area), s[1:] - s[:-1]
    if apart.min() > 1e-6:
        return np.asarray((at[1:] - at[:-1]) / apart, np.float64)
    width = np.maximum(apart, 1e-6)
    return np.where(apart > 1e-6, (at[1:] - at[:-1]) / width, np.interp(s[:-1], ts, p))


def _whole(tr: Trace, s: FloatArray) -> Features:
    """Averages over whole strokes, the first left out when there are enough."""
    first = 1 if len(s) >= 4 else 0
    lo, hi = np.searchsorted(tr.ts, (s[first], s[-1]))
    p = tr.p[lo:hi]
    out: Features = {}
    if len(p) < 2:
        return out
    out["demand_pa"] = mean(p)
    out["sqrt_demand"] = mean(np.sqrt(np.maximum(p, 0.0)))
    out["demand_low_pa"], out["demand_high_pa"] = quantiles(p, 0.1, 0.9)
    width = dips.widths(tr.ts, tr.p, s[first:])
    if width is not None:
        out["dip_s"] = median(width)
        third = len(width) // 3
        if third >= 3:
            a, b = median(width[:third]), median(width[-third:])
            out["trend_dip_s"] = b / a if a > 0 else None
    falls = dips.slopes(tr.ts, tr.p, s[first:])
    if falls is not None:
        out["fall_pa_s"], out["fall_max_pa_s"] = median(falls), float(falls.max())
    return out


def _race(tr: Trace, s: FloatArray, t: FloatArray, mean_pa: FloatArray, scales: Scales) -> Features:
    """Racing strokes: how many at the start, how many now, at what rate, pressure and swing."""
    racing = t < 1.0 / (RACE_SHARE * scales.dry_rate_hz)
    dry = racing & (mean_pa < DRY_PRESSURE_SHARE * scales.stall_pa)
    out: Features = {
        "dry_start_strokes": float(_leading(dry)),
        "dry_strokes": float(dry.sum()),
        "race_strokes": 0.0,
    }
    n = _leading(racing[::-1])
    if n < 3:
        return out
    first = len(s) - 1 - n
    begin, end = float(s[first]), float(s[-1])
    lo, hi = np.searchsorted(tr.ts, (begin, end))
    p = tr.p[lo:hi]
    out["race_strokes"] = float(n)
    out["race_s"] = end - begin
    out["race_rate_hz"] = n / (end - begin) if end > begin else None
    out["race_before_strokes"] = 0.0 if _paused(t, first) else float(first)
    out["race_before_s"] = max(begin, 0.0)
    out["race_shut_s"] = _shut_s(tr, begin)
    if len(p) >= 3:
        now = p[-max(3, int(RACE_NOW_S / tr.dt_s)) :]
        low, middle, high = quantiles(now, 0.1, 0.5, 0.9)
        out["race_pa"] = middle
        out["race_swing_pa"] = high - low
        early = tr.p[(tr.ts >= begin - 0.5) & (tr.ts < begin + 1.5)]
        out["race_from_pa"] = float(early.min()) if len(early) else None
    return out


def _shut_s(tr: Trace, at_s: float) -> float | None:
    """For how long every valve had been shut (s, as far as the trace goes back); None where that is
    not known."""
    if tr.demand is None:
        return None
    before = tr.ts <= at_s
    known = before & ~np.isnan(tr.demand)
    if not known.any():
        return None
    on = tr.ts[known & (tr.demand > 0.5)]
    return at_s - float(on[-1] if len(on) else tr.ts[known][0])


def _paused(t: FloatArray, first: int) -> bool:
    """Did the pump stand still between its ordinary strokes and the race?"""
    if first < 3:
        return False
    return bool(t[first - 1] > max(2.0, 1.7 * median(t[: first - 1])))


def _leading(flags: BoolArray) -> int:
    """Length of the leading stretch of True that tolerates single misses."""
    if not len(flags) or not flags[0]:
        return 0
    bad = ~flags
    double = np.flatnonzero(bad[:-1] & bad[1:])
    end = int(double[0]) if len(double) else len(flags)
    while end > 0 and not flags[end - 1]:
        end -= 1
    return end


def _change(t: FloatArray, mean_pa: FloatArray) -> Features:
    """Early against late in the run, and the sharpest change of rate in it."""
    out: Features = {}
    third = len(t) // 3
    if third >= 3:
        a, b = mean(t[:third]), mean(t[-third:])
        pa_, pb = mean(mean_pa[:third]), mean(mean_pa[-third:])
        out["early_rate_hz"], out["late_rate_hz"] = (
            (1 / a if a > 0 else None),
            (1 / b if b > 0 else None),
        )
        out["early_pa"], out["late_pa"] = pa_, pb
        out["trend_rate"] = a / b if b > 0 else None
        out["trend_pa"] = pb - pa_
    split = change(t)
    if split is not None:
        k, ratio = split
        out["split_rate_ratio"] = ratio
        out["split_before_strokes"] = float(k)
        out["split_before_pa"] = median(mean_pa[:k])
        out["split_after_pa"] = median(mean_pa[k:])
    return out


def _fall_s(tr: Trace, look: Look) -> float | None:
    """Time from the last sample over 0.8 to the first under 0.35 of the stall pressure (s)."""
    low = np.flatnonzero(tr.p < LOST_SHARE * look.scales.stall_pa)
    if not len(low):
        return None
    high = np.flatnonzero(tr.p[: low[0]] > HELD_SHARE * look.scales.stall_pa)
    return float(tr.ts[low[0]] - tr.ts[high[-1]]) if len(high) else None


def _start(tr: Trace, run: BoolArray, s: FloatArray, look: Look) -> Features:
    """From the fall of pressure to the first stroke (s), and how far it had fallen by then."""
    out: Features = {"first_stroke_delay_s": None, "fell_pa": None, "fall_s": _fall_s(tr, look)}
    if np.isnan(look.level_pa) or not len(s):
        return out
    before = tr.p[(tr.ts >= s[0] - 1.2) & (tr.ts < s[0] - 0.3)]
    if len(before):
        out["fell_pa"] = look.level_pa - mean(before)
    p, ts = tr.p[run], tr.ts[run]
    under = np.flatnonzero(p < look.level_pa - DROP_PA)
    if len(under):
        out["first_stroke_delay_s"] = float(s[0] - ts[under[0]])
    return out


def _close(tr: Trace, s: FloatArray, look: Look, f: Features) -> Features:
    """The way back to stall: recovery time (s), strokes it took, trapped gas (mL at atmosphere)."""
    names = (
        "stall_after_pa",
        "after_stroke_pa",
        "recovery_s",
        "rise_pa",
        "strokes_to_stall",
        "gas_ml",
        "gas_low_ml",
        "gas_high_ml",
    )
    out: Features = dict.fromkeys(names)
    if look.open_ or look.cut or f["tail_pa"] is None:
        return out
    stall = f["tail_pa"]
    out["stall_after_pa"] = stall
    if len(s):
        soon = tr.p[(tr.ts >= s[-1] + 0.3) & (tr.ts < s[-1] + 1.5)]
        out["after_stroke_pa"] = median(soon) if len(soon) else None
    demand = f["demand_pa"] if f["demand_pa"] is not None else f["low_pa"]
    if demand is None or stall - demand < 0.5 * PA_PER_PSI or not len(s):
        return out
    rise = stall - demand
    under_90 = np.flatnonzero(tr.p < demand + 0.9 * rise)
    under_20 = np.flatnonzero(tr.p < demand + 0.2 * rise)
    if len(under_90) and len(under_20):
        out["recovery_s"] = float(tr.ts[under_90[-1]] - tr.ts[under_20[-1]])
        since = float(tr.ts[under_20[-1]])
        out["rise_pa"] = 0.8 * rise
        out["strokes_to_stall"] = float((s > since).sum())
        out.update(_gas(float(tr.p[under_20[-1]]), stall, (s > since).sum(), look.scales))
    return out


def _gas(low: float, stall: float, strokes: int, scales: Scales) -> Features:
    """Gas from the strokes that brought the line from its demand pressure to stall (Boyle).

    V_atm = dV P1 P2 / (P_atm (P2 - P1)), dV = N V_d - C_h (P2 - P1), isothermal; the band is one
    stroke either way, for nobody knows where in its stroke the pump stood.
    """
    a1, a2 = low + STANDARD_ATMOSPHERE_PA, stall + STANDARD_ATMOSPHERE_PA
    per_ml = a1 * a2 / (STANDARD_ATMOSPHERE_PA * (a2 - a1))
    hose = scales.line_ml_per_pa * (stall - low)
    v = scales.displacement_ml
    out: Features = {}
    for name, n in (("gas_low_ml", strokes - 1), ("gas_ml", strokes), ("gas_high_ml", strokes + 1)):
        out[name] = max(0.0, (float(n) * v - hose) * per_ml)
    return out
