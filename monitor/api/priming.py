"""The priming watch: is this pump primed now, and after how many strokes."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from fastapi import APIRouter

from monitor.api.find import get_pump
from monitor.api.guard import CanSee
from monitor.api.live import Live
from monitor.api.rows import Row
from monitor.api.web import WebHere
from monitor.api.words import Words
from monitor.charts.columns import FloatArray
from monitor.hydraulics.pump import dry_rate_bounds_hz, stall_band_pa
from monitor.hydraulics.suction import strokes_to_prime
from monitor.site import Pump, Site
from monitor.store.interface import Level

LOOK_S = 600.0
PAUSE_S = 10.0
"""Strokes further apart belong to different runs: the slowest draw strokes oftener (chosen)."""
STILL_S = 4.0
HELD_S = 3.0
BUILT_SHARE = 0.35
"""Over this share of the stall pressure a stroke moves liquid (computed; below it is dry)."""
RACING_SHARE = 0.5
"""Of the slowest dry rate: ordinary draws stay under a third of it, dry runs at it (computed)."""
MISSED_TIMES = 3.0
"""Three times the strokes that fill the line: missed (as the missed-prime detector has it)."""

Word = Literal["no data", "not primed", "priming", "late", "missed", "primed", "holds"]


@dataclass(frozen=True, slots=True)
class Expected:
    """What physics says of this pump: strokes to prime, stall band, slowest dry rate."""

    low_strokes: float
    high_strokes: float
    stall_low_pa: float
    stall_high_pa: float
    dry_hz: float


@dataclass(frozen=True, slots=True)
class Judged:
    """The verdict on the last run. strokes: until liquid came, or so far."""

    word: Word
    strokes: int
    pressure_pa: float | None
    rate_hz: float
    running: bool


class Priming(Row):
    """The watch as one answer."""

    site: str
    pump: str
    now_ts: float
    last_ts: float | None
    word: Word
    primed: bool
    sentence: str
    strokes: int
    expected_strokes_low: float
    expected_strokes_high: float | None
    pressure_pa: float | None
    stall_low_pa: float
    stall_high_pa: float
    strokes_per_min: float


def expected(site: Site, pump: Pump) -> Expected:
    """From the site file alone."""
    strokes = strokes_to_prime(pump, site.altitude_m, discharge_pa=pump.check_valve_crack_pa)
    stall = stall_band_pa(pump.air_set_pa, pump.lift_m, pump.fluid.specific_gravity)
    dry = dry_rate_bounds_hz(pump.displacement_ml, pump.air_set_pa)
    return Expected(max(strokes.low, 0.0), strokes.high, stall.low, stall.high, dry.low)


def judge(
    ts: FloatArray, mean_pa: FloatArray, strokes: FloatArray, want: Expected, now_ts: float
) -> Judged:
    """The last run in seconds data (each of shape (n,), NaN = no value), at `now_ts`.

    A run is primed once pressure stays over BUILT_SHARE of stall for HELD_S while it strokes
    clearly slower than dry, or once it has stopped within the stall band. A pump that races holds
    no liquid, whatever the line's pressure is.
    """
    if not len(ts) or now_ts - ts[-1] > 10.0:
        return Judged("no data", 0, None, 0.0, running=False)
    counts = np.nan_to_num(strokes)
    recent = ts >= ts[-1] - HELD_S
    last = mean_pa[recent]
    pressure = float(np.nanmean(last)) if np.isfinite(last).any() else None
    stroke_ts = ts[counts > 0]
    holds = pressure is not None and pressure >= 0.9 * want.stall_low_pa
    if not len(stroke_ts):
        return Judged("holds" if holds else "not primed", 0, pressure, 0.0, running=False)
    breaks = np.flatnonzero(np.diff(stroke_ts) > PAUSE_S)
    start = float(stroke_ts[breaks[-1] + 1] if len(breaks) else stroke_ts[0])
    running = ts[-1] - stroke_ts[-1] <= STILL_S
    rate = float(counts[ts > ts[-1] - 5.0].sum() / 5.0) if running else 0.0
    run = ts >= start
    built = _built_at(ts[run], mean_pa[run], counts[run], want)
    upto = run if built is None else run & (ts <= built)
    count = int(counts[upto].sum())
    word = _word(count, want, built=built is not None, running=running, holds=holds)
    return Judged(word, count, pressure, rate, running)


def _built_at(
    ts: FloatArray, mean_pa: FloatArray, counts: FloatArray, want: Expected
) -> float | None:
    """When pressure first stayed up for HELD_S without racing, None if it never did."""
    up = np.nan_to_num(mean_pa) >= BUILT_SHARE * want.stall_low_pa
    need = int(HELD_S)
    for i in range(len(ts) - need + 1):
        rate_hz = counts[i : i + need].sum() / need
        if up[i : i + need].all() and rate_hz < RACING_SHARE * want.dry_hz:
            return float(ts[i])
    return None


def _word(count: int, want: Expected, *, built: bool, running: bool, holds: bool) -> Word:
    if built and (running or holds):
        return "primed"
    if not running:
        return "not primed"
    if count <= want.high_strokes:
        return "priming"
    return "missed" if count > MISSED_TIMES * want.high_strokes else "late"


def sentence(found: Judged, want: Expected, words: Words) -> str:
    """The verdict with its numbers, for people."""
    t = words.t
    span = (
        f"{words.number(want.low_strokes)} {t('to')} {words.number(want.high_strokes)}"
        if np.isfinite(want.high_strokes)
        else f"{words.number(want.low_strokes)} {t('or more')}"
    )
    at = words.pressure(found.pressure_pa)
    band = words.pressure_range((want.stall_low_pa, want.stall_high_pa))
    n = words.strokes(found.strokes)
    texts: dict[Word, str] = {
        "no data": t("No data come in from this pump."),
        "holds": f"{t('No strokes in ten minutes; holds')} {at}, {t('expected')} {band}.",
        "not primed": f"{t('Stands still at')} {at}; {t('primed it holds')} {band}.",
        "priming": f"{n} {t('so far, expected')} {span}.",
        "late": f"{n} {t('so far, more than the expected')} {span}. "
        + t("Look at the liquid level, the dip tube and the suction joints."),
        "missed": f"{n} {t('and no liquid; expected')} {span}. "
        + t("It will not prime like this: stop and look at the suction side."),
        "primed": (
            f"{t('Primed after')} {words.number(found.strokes)} "
            f"{t('stroke, expected') if found.strokes == 1 else t('strokes, expected')} {span}; "
            f"{t('delivers at') if found.running else t('holds')} {at}."
        ),
    }
    if found.word == "primed" and found.strokes + 1 < want.low_strokes:
        # Fewer strokes than fill the line: it held its liquid, and this run primed nothing.
        doing = t("Delivers at") if found.running else t("Holds")
        return f"{doing} {at}; {t('it had its liquid before this run')} ({n})."
    return texts[found.word]


def priming_view(live: Live, site: Site, pump: Pump, words: Words) -> Priming:
    """The watch's model."""
    now_ts = words.now_ts
    span = (now_ts - LOOK_S, now_ts)
    series = live.store.read(site.id, pump.id, span, level=Level.SECOND, max_points=4000)
    want = expected(site, pump)
    found = judge(series.ts, series.mean_pa, series.strokes, want, now_ts)
    high = want.high_strokes
    return Priming(
        site=site.id,
        pump=pump.id,
        now_ts=now_ts,
        last_ts=live.store.latest_ts().get((site.id, pump.id)),
        word=found.word,
        primed=found.word in ("primed", "holds"),
        sentence=sentence(found, want, words),
        strokes=found.strokes,
        expected_strokes_low=want.low_strokes,
        expected_strokes_high=high if np.isfinite(high) else None,
        pressure_pa=found.pressure_pa,
        stall_low_pa=want.stall_low_pa,
        stall_high_pa=want.stall_high_pa,
        strokes_per_min=60 * found.rate_hz,
    )


router = APIRouter(prefix="/api/sites/{site_id}/pumps/{pump_id}", tags=["pump"])


@router.get("/priming", summary="Is the pump primed now")
def get_priming(site_id: str, pump_id: str, web: WebHere, _: CanSee) -> Priming:
    """Ask once a second while somebody primes it."""
    site, pump = get_pump(web.live, site_id, pump_id)
    return priming_view(web.live, site, pump, Words(site, web.live.now_ts()))
