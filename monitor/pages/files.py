"""Files: samples, episodes, alarms and work as tables; the trace as picture and paper."""

import io
from typing import Annotated

from fastapi import APIRouter, Query
from fastapi.responses import Response, StreamingResponse

from monitor.api.find import get_pump, get_site
from monitor.api.pump import pump_look
from monitor.api.window import Window
from monitor.charts import picture
from monitor.charts.trace import Trace, draw
from monitor.errors import StrokewiseError
from monitor.pages.pump import caption
from monitor.pages.render import SeeingLook
from monitor.reports import export
from monitor.store.alarm_book import AlarmBook, Asked
from monitor.store.episodes import EpisodeBook
from monitor.store.interface import Level
from monitor.store.work_log import WorkLog

router = APIRouter(include_in_schema=False)
WIDTH_PX = 960
CSV = "text/csv; charset=utf-8; header=present"
MOST_ROWS = 200_000
RAW_AT_MOST_S = 86_400.0
"""Longer stretches of single samples are for the command line (chosen: some 40 MB of text)."""
LevelAsked = Annotated[Level | None, Query(description="raw, 1s, 1min, 1h; none: automatic")]


class TooLong(StrokewiseError):
    """Single samples come for a day at most; take a shorter window, or `strokewise export`."""


def height_of(svg: str) -> int:
    """The height a fixed drawing was made with."""
    return int(float(svg.split(' height="', 1)[1].split('"', 1)[0]))


def attached(content: bytes, media_type: str, name: str) -> Response:
    """A file to keep."""
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return Response(content, media_type=media_type, headers=headers)


def _samples(
    site_id: str, pump_id: str, look: SeeingLook, window: Window, level: Level | None
) -> export.Sheet:
    site, pump = get_pump(look.live, site_id, pump_id)
    span = window.span(look.live.now_ts(), site.zone)
    if level is Level.RAW and span[1] - span[0] > RAW_AT_MOST_S:
        raise TooLong
    return export.series(
        look.live.store.read(site.id, pump.id, span, level=level, max_points=MOST_ROWS)
    )


@router.get("/site/{site_id}/pump/{pump_id}/samples.csv")
def samples_csv(
    site_id: str, pump_id: str, look: SeeingLook, window: Window, level: LevelAsked = None
) -> Response:
    """The series as CSV (RFC 4180), at the finest level that gives 200,000 rows or fewer."""
    sheet = _samples(site_id, pump_id, look, window, level)
    name = f'attachment; filename="{site_id}-{pump_id}.csv"'
    return StreamingResponse(
        export.csv_chunks(sheet), media_type=CSV, headers={"Content-Disposition": name}
    )


@router.get("/site/{site_id}/pump/{pump_id}/samples.parquet")
def samples_parquet(
    site_id: str, pump_id: str, look: SeeingLook, window: Window, level: LevelAsked = None
) -> Response:
    """The same as Parquet."""
    target = io.BytesIO()
    export.write_parquet(_samples(site_id, pump_id, look, window, level), target)
    return attached(
        target.getvalue(), "application/vnd.apache.parquet", f"{site_id}-{pump_id}.parquet"
    )


@router.get("/site/{site_id}/pump/{pump_id}/episodes.csv")
def episodes_csv(site_id: str, pump_id: str, look: SeeingLook, window: Window) -> Response:
    """Every episode of the window with its features."""
    site, pump = get_pump(look.live, site_id, pump_id)
    span = window.span(look.live.now_ts(), site.zone)
    found = EpisodeBook(look.live.core).load(site.id, pump.id, *span)
    name = f'attachment; filename="{site_id}-{pump_id}-episodes.csv"'
    return StreamingResponse(
        export.csv_chunks(export.episodes(found)),
        media_type=CSV,
        headers={"Content-Disposition": name},
    )


@router.get("/site/{site_id}/alarms.csv")
def alarms_csv(site_id: str, look: SeeingLook, window: Window) -> Response:
    """Every change of every alarm of the window, newest first."""
    site = get_site(look.live, site_id)
    span = window.span(look.live.now_ts(), site.zone, usual="1y")
    asked = Asked(site=site.id, from_ts=span[0], to_ts=span[1])
    entries = AlarmBook(look.live.core).history(asked, limit=MOST_ROWS)
    sheet = export.alarms(e.change for e in entries)
    return attached(b"".join(export.csv_chunks(sheet)), CSV, f"{site.id}-alarms.csv")


@router.get("/site/{site_id}/work.csv")
def work_csv(site_id: str, look: SeeingLook) -> Response:
    """The whole work log, with what was taken back."""
    site = get_site(look.live, site_id)
    sheet = export.work(WorkLog(look.live.core).list(site.id, with_undone=True))
    return attached(b"".join(export.csv_chunks(sheet)), CSV, f"{site.id}-work.csv")


@router.get("/site/{site_id}/pump/{pump_id}/trace.png")
def trace_png(site_id: str, pump_id: str, look: SeeingLook, window: Window) -> Response:
    """The drawing as a picture, light look."""
    trace, _ = _trace(site_id, pump_id, look, window)
    svg = draw(trace, width_px=WIDTH_PX)
    made = picture.png(svg, width_px=WIDTH_PX, height_px=height_of(svg))
    return attached(made, "image/png", f"{site_id}-{pump_id}.png")


@router.get("/site/{site_id}/pump/{pump_id}/trace.pdf")
def trace_pdf(site_id: str, pump_id: str, look: SeeingLook, window: Window) -> Response:
    """The drawing on paper with the window in words."""
    trace, lines = _trace(site_id, pump_id, look, window)
    made = picture.pdf(
        draw(trace, width_px=WIDTH_PX), title=trace.title, alt="; ".join(lines), lines=lines
    )
    return attached(made, "application/pdf", f"{site_id}-{pump_id}.pdf")


def _trace(site_id: str, pump_id: str, look: SeeingLook, window: Window) -> tuple[Trace, list[str]]:
    site, pump = get_pump(look.live, site_id, pump_id)
    words = look.at(site).words
    span = window.span(words.now_ts, site.zone)
    found = pump_look(look.live, site, pump, span, words, stale_s=look.web.settings.stale_s)
    s = found.page.summary
    return found.trace, [
        f"{site.label or site.id}, {caption(span, words)}",
        f"Lowest {words.pressure(s.lowest_pa)}, highest {words.pressure(s.highest_pa)}, "
        f"{words.number(s.strokes)} strokes, {words.number(s.draws)} draws, "
        f"without data {words.duration(s.silent_s)}",
        *(
            f"{a.priority}: {a.kind}, {words.clock(a.raised_ts)}. {a.sentence}"
            for a in found.page.alarms[:20]
        ),
    ]
