"""One pump's series and episodes of a window, as columns and rows for programs."""

from typing import Annotated

import numpy as np
from fastapi import APIRouter, Query

from monitor.api.find import get_pump
from monitor.api.guard import CanSee
from monitor.api.rows import Row
from monitor.api.web import WebHere
from monitor.api.window import Window
from monitor.signals.types import Episode
from monitor.store.episodes import EpisodeBook
from monitor.store.interface import Level


class EpisodeRow(Row):
    """One finished episode; features in SI with the unit in the name."""

    what: str
    start_ts: float
    end_ts: float
    strokes: int
    features: dict[str, float | None]


class EpisodeList(Row):
    """A page of episodes; ask again with `to` = the last one's start_ts for the next."""

    episodes: tuple[EpisodeRow, ...]
    more: bool


class Gap(Row):
    """A span of the window without any data, its end left out."""

    from_ts: float
    to_ts: float


class SeriesAnswer(Row):
    """Columns of equal length; null = no value. See the `level` for the step."""

    pump: str
    level: str
    ts: list[float]
    low_pa: list[float | None]
    mean_pa: list[float | None]
    high_pa: list[float | None]
    strokes: list[float | None]
    demand_s: list[float | None] | None
    air_pa: list[float | None] | None
    gaps: tuple[Gap, ...]


def episode_row(episode: Episode) -> EpisodeRow:
    """An episode as a row."""
    return EpisodeRow(
        what=episode.what,
        start_ts=episode.start_ts,
        end_ts=episode.end_ts,
        strokes=episode.strokes,
        features=episode.features,
    )


router = APIRouter(prefix="/api/sites/{site_id}/pumps/{pump_id}", tags=["pump"])


@router.get("/series", summary="The series of a window at a level within max_points")
def get_series(
    site_id: str,
    pump_id: str,
    web: WebHere,
    _: CanSee,
    window: Window,
    level: Annotated[Level | None, Query(description="raw, 1s, 1min, 1h; none: automatic")] = None,
    max_points: Annotated[int, Query(ge=10, le=50_000)] = 4000,
) -> SeriesAnswer:
    """Lowest, mean and highest pressure and new strokes of each step."""
    site, pump = get_pump(web.live, site_id, pump_id)
    span = window.span(web.live.now_ts(), site.zone)
    found = web.live.store.read(site.id, pump.id, span, level=level, max_points=max_points)

    def plain(column: object) -> list[float | None]:
        return [None if x != x else x for x in np.asarray(column, np.float64).tolist()]

    return SeriesAnswer(
        pump=pump.id,
        level=found.level.value,
        ts=found.ts.tolist(),
        low_pa=plain(found.low_pa),
        mean_pa=plain(found.mean_pa),
        high_pa=plain(found.high_pa),
        strokes=plain(found.strokes),
        demand_s=None if found.demand_s is None else plain(found.demand_s),
        air_pa=None if found.air_pa is None else plain(found.air_pa),
        gaps=tuple(Gap(from_ts=a, to_ts=b) for a, b in found.gaps),
    )


@router.get("/episodes", summary="Finished episodes, newest first")
def get_episodes(
    site_id: str,
    pump_id: str,
    web: WebHere,
    _: CanSee,
    window: Window,
    limit: Annotated[int, Query(ge=1, le=1000)] = 100,
) -> EpisodeList:
    """Draws, primes, strokes at rest and dead-heads with their features."""
    site, pump = get_pump(web.live, site_id, pump_id)
    span = window.span(web.live.now_ts(), site.zone)
    found = EpisodeBook(web.live.core).newest(site.id, pump.id, *span, limit=limit + 1)
    rows = tuple(episode_row(e) for e in found[:limit])
    return EpisodeList(episodes=rows, more=len(found) > limit)
