"""One pump over any window: what stands, what was, the numbers behind."""

from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from urllib.parse import quote

import numpy as np
from fastapi import APIRouter

from monitor.alarms.types import Alarm
from monitor.api.board import usual_band
from monitor.api.find import get_pump
from monitor.api.guard import CanSee
from monitor.api.history import alarms_between
from monitor.api.live import Live
from monitor.api.rows import (
    AlarmRow,
    EvidenceRow,
    Row,
    WorkRow,
    alarm_row,
    evidence_rows,
    pump_label,
    pump_title,
    work_row,
)
from monitor.api.series import EpisodeRow, episode_row
from monitor.api.web import WebHere
from monitor.api.window import Window
from monitor.api.words import Words
from monitor.charts.columns import FloatArray
from monitor.charts.ticks import day_start_ts
from monitor.charts.trace import Mark, Note, Stretch, Trace
from monitor.reports.load import corrected
from monitor.site import Pump, Site
from monitor.store.episodes import EpisodeBook
from monitor.store.interface import Level, Series
from monitor.store.work_log import WorkLog

STRETCHES_WITHIN_S = 8 * 86_400.0
"""Beyond that single draws are thinner than a pixel and are told as numbers only."""
MOST_POINTS = 12_000
"""A week by the minute, three hours by the second, ten minutes sample by sample."""
EPISODE_ROWS = 30
ALARM_ROWS = 60
DAY_S = 86_400.0


class Summary(Row):
    """The window in numbers; None where there is nothing to say it from."""

    lowest_pa: float | None
    lowest_ts: float | None
    highest_pa: float | None
    highest_ts: float | None
    strokes: int
    volume_ml: float | None
    draws: int
    drawing_s: float
    rest_strokes: int
    rest_s: float
    silent_s: float


class DayRow(Row):
    """One day (or month) of the window."""

    start_ts: float
    lowest_pa: float | None
    highest_pa: float | None
    strokes: int


class PumpPage(Row):
    """Everything the pump page shows."""

    site: str
    pump: str
    title: str
    label: str
    chemical: str
    bays: tuple[str, ...]
    seal: str
    displacement_ml: float
    displacement_known: bool
    now_ts: float
    last_ts: float | None
    fresh: bool
    state: str
    pressure_pa: float | None
    usual_pa: tuple[float, float] | None
    strokes_per_min: float | None
    from_ts: float
    to_ts: float
    level: str
    summary: Summary
    standing: tuple[AlarmRow, ...]
    alarms: tuple[AlarmRow, ...]
    more_alarms: int
    work: tuple[WorkRow, ...]
    episodes: tuple[EpisodeRow, ...]
    learnt: tuple[EvidenceRow, ...]
    days: tuple[DayRow, ...]
    days_are: str


@dataclass(frozen=True, slots=True)
class PumpLook:
    """The page's model with the drawing's."""

    page: PumpPage
    trace: Trace


def pump_look(
    live: Live, site: Site, pump: Pump, span: tuple[float, float], words: Words, *, stale_s: float
) -> PumpLook:
    """Model and drawing of one window."""
    pump = corrected(pump, WorkLog(live.core).list(site.id, pump.id))
    series, alarms = read = read_window(live, site, pump, span)
    work = WorkLog(live.core).list(site.id, pump.id, span, with_undone=True)
    now = live.now(site.id, pump.id)
    last = live.store.latest_ts().get((site.id, pump.id))
    fresh = last is not None and words.now_ts - last <= stale_s
    days, days_are = _days(series, span, words)
    page = PumpPage(
        site=site.id,
        pump=pump.id,
        title=pump_title(pump),
        label=pump_label(pump),
        chemical=pump.fluid.name,
        bays=pump.bays,
        seal=pump.seal,
        displacement_ml=pump.displacement_ml,
        displacement_known=pump.displacement_known,
        now_ts=words.now_ts,
        last_ts=last,
        fresh=fresh,
        state=now.state if now and fresh else "no data",
        pressure_pa=now.pressure_pa if now and fresh else None,
        usual_pa=usual_band(now),
        strokes_per_min=60 * now.stroke_rate_hz if now and fresh else None,
        from_ts=span[0],
        to_ts=span[1],
        level=series.level.value,
        summary=_summary(live, site, pump, series, span),
        standing=tuple(
            alarm_row(a, site, words) for a in live.alarms(site.id) if concerns(a, pump)
        ),
        alarms=tuple(alarm_row(a, site, words) for a in alarms[:ALARM_ROWS]),
        more_alarms=max(len(alarms) - ALARM_ROWS, 0),
        work=tuple(work_row(e) for e in work),
        episodes=tuple(
            episode_row(e)
            for e in EpisodeBook(live.core).newest(site.id, pump.id, *span, limit=EPISODE_ROWS)
        ),
        learnt=evidence_rows(now.learnt if now else (), words),
        days=days,
        days_are=days_are,
    )
    return PumpLook(page, pump_trace(live, pump, span, words, read=read))


def concerns(alarm: Alarm, pump: Pump) -> bool:
    """True for an alarm of the pump itself or of the air supply or node above it."""
    above = (f"air:{pump.air_supply}", f"node:{pump.node}")
    return alarm.subject == pump.id or pump.id in alarm.members or alarm.subject in above


Read = tuple[Series, list[Alarm]]


def read_window(live: Live, site: Site, pump: Pump, span: tuple[float, float]) -> Read:
    """The pump's series, and its own alarms that stood in the window, newest first."""
    series = live.store.read(site.id, pump.id, span, max_points=MOST_POINTS)
    return series, alarms_between(live, site.id, span, pump.id)


def pump_trace(
    live: Live,
    pump: Pump,
    span: tuple[float, float],
    words: Words,
    *,
    read: Read | None = None,
    rows_here: bool = True,
) -> Trace:
    """The drawing's model for one window; rows_here: the page has rows for the alarms."""
    site = words.site
    series, alarms = read or read_window(live, site, pump, span)
    listed = {a.id for a in alarms[:ALARM_ROWS]} if rows_here else set()
    stretches: list[Stretch] = []
    if span[1] - span[0] <= STRETCHES_WITHIN_S:
        episodes = EpisodeBook(live.core).load(site.id, pump.id, *span)
        stretches = [Stretch(e.start_ts, e.end_ts, e.what) for e in episodes]
    title = f"{pump_title(pump)}: {words.t('pressure and strokes')}"
    return Trace(
        series=series,
        span=span,
        zone=site.zone,
        display=words.display,
        usual_pa=usual_band(live.now(site.id, pump.id)),
        marks=tuple(
            Mark(
                a.raised_ts or a.since_ts,
                a.priority,
                f"{words.t(a.priority.value)}: {words.t(a.kind.value)}, "
                f"{words.clock(a.raised_ts or a.since_ts)}",
                f"#a-{a.id}" if a.id in listed else f"/site/{site.id}/alarm/{quote(a.id)}",
            )
            for a in alarms
        ),
        notes=tuple(
            Note(e.ts, f"{words.t(e.kind.value)}, {words.clock(e.ts)}", f"#w-{e.id}")
            for e in WorkLog(live.core).list(site.id, pump.id, span)
        ),
        stretches=tuple(stretches),
        title=title,
        locale=words.locale,
        t=words.t,
    )


def _summary(
    live: Live, site: Site, pump: Pump, series: Series, span: tuple[float, float]
) -> Summary:
    totals = EpisodeBook(live.core).totals(site.id, pump.id, *span)
    drawn = [totals.get(what, (0, 0, 0.0)) for what in ("draw", "prime")]
    rest = totals.get("idle strokes", (0, 0, 0.0))
    strokes = int(np.nansum(series.strokes)) if len(series.strokes) else 0
    lowest, lowest_ts = _extreme(series.ts, series.low_pa, -1.0)
    highest, highest_ts = _extreme(series.ts, series.high_pa, 1.0)
    return Summary(
        lowest_pa=lowest,
        lowest_ts=lowest_ts,
        highest_pa=highest,
        highest_ts=highest_ts,
        strokes=strokes,
        volume_ml=strokes * pump.displacement_ml,
        draws=sum(n for n, _, _ in drawn),
        drawing_s=sum(s for _, _, s in drawn),
        rest_strokes=rest[1],
        rest_s=rest[2],
        silent_s=sum(b - a for a, b in series.gaps),
    )


def _extreme(ts: FloatArray, values: FloatArray, sign: float) -> tuple[float | None, float | None]:
    """The highest (sign 1) or lowest (sign -1) value and when."""
    if not np.isfinite(values).any():
        return None, None
    at = int(np.nanargmax(sign * values))
    return float(values[at]), float(ts[at])


def _days(
    series: Series, span: tuple[float, float], words: Words
) -> tuple[tuple[DayRow, ...], str]:
    """By local day, or by month where there would be more than two months of rows."""
    if series.level not in (Level.MINUTE, Level.HOUR) or not len(series.ts):
        return (), "days"
    monthly = span[1] - span[0] > 62 * DAY_S
    edges = _edges(span, words, monthly=monthly)
    rows = []
    for start, end in pairwise(edges):
        a, b = np.searchsorted(series.ts, (start, end))
        low, high = series.low_pa[a:b], series.high_pa[a:b]
        rows.append(
            DayRow(
                start_ts=start,
                lowest_pa=float(np.nanmin(low)) if np.isfinite(low).any() else None,
                highest_pa=float(np.nanmax(high)) if np.isfinite(high).any() else None,
                strokes=int(np.nansum(series.strokes[a:b])),
            )
        )
    return tuple(rows), "months" if monthly else "days"


def _edges(span: tuple[float, float], words: Words, *, monthly: bool) -> list[float]:
    day = words.local(span[0]).date()
    if monthly:
        day = day.replace(day=1)
    edges = []
    while True:
        start = day_start_ts(day, words.site.zone)
        edges.append(start)
        if start >= span[1]:
            return edges
        ahead = datetime.fromordinal(day.toordinal() + (32 if monthly else 1)).date()
        day = ahead.replace(day=1) if monthly else ahead


router = APIRouter(prefix="/api/sites/{site_id}/pumps/{pump_id}", tags=["pump"])


@router.get("", summary="One pump over a window")
def get_page(site_id: str, pump_id: str, web: WebHere, _: CanSee, window: Window) -> PumpPage:
    """What the pump page shows, without the drawing."""
    site, pump = get_pump(web.live, site_id, pump_id)
    words = Words(site, web.live.now_ts())
    span = window.span(words.now_ts, site.zone)
    return pump_look(web.live, site, pump, span, words, stale_s=web.settings.stale_s).page
