"""The pump page, its drawing for the zoom script, and the installation check."""

from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import HTMLResponse, Response

from monitor.api.find import get_pump, get_site
from monitor.api.install import check_rows
from monitor.api.pump import pump_look, pump_trace
from monitor.api.window import LENGTHS_S, Window, WindowQuery
from monitor.api.words import Words
from monitor.charts.columns import FloatArray
from monitor.charts.trace import draw
from monitor.pages.render import Look, SeeingLook, drawing

router = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)
Width = Annotated[int, Query(alias="w", ge=200, le=4000)]


@router.get("/site/{site_id}/pump/{pump_id}")
def pump_page(site_id: str, pump_id: str, look: SeeingLook, window: Window) -> Response:
    """One pump over a window."""
    site, pump = get_pump(look.live, site_id, pump_id)
    look = look.at(site, "board")
    words = look.words
    usual = "1h" if _is_fresh(look, site.id, pump.id) else "1d"
    span = window.span(words.now_ts, site.zone, usual=usual)
    stale_s = look.web.settings.stale_s
    found = pump_look(look.live, site, pump, span, words, stale_s=stale_s)
    begun = _begun(found.trace.series.ts, span)
    if begun is not None and window == WindowQuery():
        span = begun
        found = pump_look(look.live, site, pump, span, words, stale_s=stale_s)
    return look.page(
        "pump.html",
        page=found.page,
        pump=pump,
        figure=drawing(draw(found.trace)),
        steps=steps(span, words.now_ts),
        lengths=tuple(LENGTHS_S),
        caption=caption(span, words),
        measured=measured,
    )


def _begun(ts: FloatArray, span: tuple[float, float]) -> tuple[float, float] | None:
    """The part of the span with data, where a pump has been watched for less than half of it: what
    is there would be squeezed into a corner else."""
    if not len(ts) or ts[0] < (span[0] + span[1]) / 2:
        return None
    length = max(1.1 * (span[1] - float(ts[0])), 120.0)
    return max(span[1] - length, span[0]), span[1]


def _is_fresh(look: Look, site_id: str, pump_id: str) -> bool:
    """Whether an alarm of the last hour stands: then the last hour is what one wants to see."""
    hour_ago_ts = look.words.now_ts - LENGTHS_S["1h"]
    return any(
        alarm.active and alarm.subject == pump_id and (alarm.raised_ts or 0.0) > hour_ago_ts
        for alarm in look.live.alarms(site_id)
    )


@router.get("/site/{site_id}/pump/{pump_id}/trace.svg")
def trace_svg(
    site_id: str, pump_id: str, look: SeeingLook, window: Window, width: Width = 380
) -> Response:
    """The drawing of another window, for the zoom script; its caption comes in a header."""
    site, pump = get_pump(look.live, site_id, pump_id)
    words = look.at(site).words
    span = window.span(words.now_ts, site.zone)
    svg = draw(pump_trace(look.live, pump, span, words), about_px=width)
    said = caption(span, words).encode("ascii", "xmlcharrefreplace").decode()
    return Response(svg, media_type="image/svg+xml", headers={"X-Caption": said})


@router.get("/site/{site_id}/check")
def check_page(site_id: str, look: SeeingLook) -> Response:
    """The installation check of every pump."""
    site = get_site(look.live, site_id)
    look = look.at(site, "check")
    rows = {p.id: check_rows(site, p, look.words) for p in site.pumps}
    return look.page("check.html", pumps=site.pumps, rows=rows)


def caption(span: tuple[float, float], words: Words) -> str:
    """The window in words, with the zone's letters."""
    fine = span[1] - span[0] < 900
    start, end = (words.clock(ts, seconds=fine) for ts in span)
    return f"{start} {words.t('to')} {end} ({words.duration(span[1] - span[0])})"


def steps(span: tuple[float, float], now_ts: float) -> dict[str, tuple[float, float]]:
    """Where the buttons lead: earlier, later, closer, wider."""
    start, end = span
    length, middle = end - start, (start + end) / 2
    ahead = min(length / 2, max(now_ts - end, 0.0))
    return {
        "earlier": (start - length / 2, end - length / 2),
        "later": (start + ahead, end + ahead),
        "closer": (middle - length / 4, middle + length / 4),
        "wider": (min(start - length / 2, now_ts - 2 * length), min(end + length / 2, now_ts)),
    }


MEASURED: tuple[tuple[str, str, str], ...] = (
    ("level_pa", "held", "Pa"),
    ("demand_pa", "pressure while drawing", "Pa"),
    ("rate_hz", "rate", "1/s"),
    ("dip_pa", "dip at a stroke", "Pa"),
    ("stall_after_pa", "at rest after it", "Pa"),
    ("strokes_to_stall", "strokes to come to rest", "strokes"),
    ("asymmetry", "sides differ by", "share"),
    ("dry_start_strokes", "dry strokes at the start", "strokes"),
    ("race_strokes", "racing strokes", "strokes"),
    ("null_share", "failed reads", "share"),
)
"""What people are told of a draw or rest: feature, words, unit. Files hold every feature."""
ONLY_WHEN_THERE = {
    "strokes_to_stall", "asymmetry", "dry_start_strokes", "race_strokes", "null_share",
}  # fmt: skip


def measured(features: dict[str, float | None], words: Words) -> list[str]:
    """'pressure while drawing 55 psi', 'rate 28 strokes/min', ... of one draw or rest."""
    found = []
    for name, said, unit in MEASURED:
        value = features.get(name)
        if value is None or (name in ONLY_WHEN_THERE and value < 0.005):
            continue
        found.append(f"{words.t(said)} {words.value(value, unit)}")
    return found
