"""The site board: who needs someone, then each bay's pumps. And the list of all sites."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from fastapi import APIRouter

from monitor.advice.kinds import Priority
from monitor.alarms.types import Alarm
from monitor.api.find import get_site
from monitor.api.guard import CanSee
from monitor.api.live import Live
from monitor.api.rows import (
    AlarmRow,
    Row,
    alarm_row,
    needs_someone,
    pump_label,
    pump_title,
    stands,
    worst_first,
)
from monitor.api.web import WebHere
from monitor.api.words import Words
from monitor.charts.card import card
from monitor.detectors.watch import PumpNow
from monitor.site import Pump, Site
from monitor.store.interface import Level

CARD_S = 3600.0


class PumpCard(Row):
    """One pump as the board shows it."""

    pump: str
    title: str
    label: str
    chemical: str
    priority: str | None
    matter: str | None
    state: str
    pressure_pa: float | None
    usual_pa: tuple[float, float] | None
    strokes_per_min: float | None
    strokes_last_hour: int
    last_ts: float | None
    fresh: bool


class BaySection(Row):
    """The pumps that feed the same bays."""

    name: str
    bays: tuple[str, ...]
    pumps: tuple[PumpCard, ...]


class Board(Row):
    """One site now."""

    site: str
    label: str
    now_ts: float
    newest_ts: float | None
    fresh: bool
    counts: dict[str, int]
    hidden: int
    last_ended_ts: float | None
    alarms: tuple[AlarmRow, ...]
    bays: tuple[BaySection, ...]
    sequence: int


class SiteRow(Row):
    """One site in the list of all."""

    site: str
    label: str
    pumps: int
    counts: dict[str, int]
    waiting: int
    silent_pumps: int
    newest_ts: float | None
    fresh: bool


class SiteList(Row):
    """All sites, those that need someone first."""

    now_ts: float
    sites: tuple[SiteRow, ...]


@dataclass(frozen=True, slots=True)
class _Moment:
    """What one look at a site needs."""

    live: Live
    site: Site
    now_ts: float
    stale_s: float
    latest: dict[tuple[str, str], float]
    alarms: Sequence[Alarm]


def counts_of(alarms: Sequence[Alarm]) -> dict[str, int]:
    """How many stand, by priority, worst first; a priority without any is there with 0."""
    return {p.value: sum(1 for a in alarms if stands(a) and a.priority is p) for p in Priority}


def board_view(live: Live, site: Site, words: Words, *, stale_s: float) -> Board:
    """The board's model."""
    alarms = live.alarms(site.id)
    m = _Moment(live, site, words.now_ts, stale_s, live.store.latest_ts(), alarms)
    newest = max((ts for (s, _), ts in m.latest.items() if s == site.id), default=None)
    shown = [alarm_row(a, site, words) for a in worst_first(alarms) if needs_someone(a)]
    return Board(
        site=site.id,
        label=site.label or site.id,
        now_ts=words.now_ts,
        newest_ts=newest,
        fresh=newest is not None and words.now_ts - newest <= stale_s,
        counts=counts_of(alarms),
        hidden=sum(1 for a in alarms if not needs_someone(a)),
        last_ended_ts=live.last_ended_ts(site.id),
        alarms=tuple(shown),
        bays=tuple(_sections(m)),
        sequence=live.sequence(),
    )


def _sections(m: _Moment) -> list[BaySection]:
    groups: dict[tuple[str, ...], list[Pump]] = {}
    for pump in m.site.pumps:
        groups.setdefault(pump.bays, []).append(pump)
    ordered = sorted(groups.items(), key=lambda item: (not item[0], len(item[0]) > 1))
    return [
        BaySection(name=bay_words(bays), bays=bays, pumps=tuple(_card(m, p) for p in pumps))
        for bays, pumps in ordered
    ]


def bay_words(bays: tuple[str, ...], t: Callable[[str], str] = str) -> str:
    """'Bay 1', 'Bays 1, 2 and 3', or 'No bay named'; t translates."""
    if not bays:
        return t("No bay named")
    if len(bays) == 1:
        return f"{t('Bay')} {bays[0]}"
    return f"{t('Bays')} {', '.join(bays[:-1])} {t('and')} {bays[-1]}"


def _card(m: _Moment, pump: Pump) -> PumpCard:
    now = m.live.now(m.site.id, pump.id)
    last = m.latest.get((m.site.id, pump.id))
    fresh = last is not None and m.now_ts - last <= m.stale_s
    worst = next((a for a in worst_first(m.alarms) if stands(a) and _concerns(a, pump)), None)
    shown = now if now is not None and fresh else PumpNow()
    return PumpCard(
        pump=pump.id,
        title=pump_title(pump),
        label=pump_label(pump),
        chemical=pump.fluid.name,
        priority=worst.priority.value if worst else None,
        matter=worst.kind.value if worst else None,
        state=shown.state,
        pressure_pa=shown.pressure_pa,
        usual_pa=usual_band(now),
        strokes_per_min=60 * shown.stroke_rate_hz if fresh else None,
        strokes_last_hour=shown.strokes_last_hour,
        last_ts=last,
        fresh=fresh,
    )


def usual_band(now: PumpNow | None) -> tuple[float, float] | None:
    """The pump's usual pressure at rest, once it is learnt."""
    if now is None or now.usual_low_pa is None or now.usual_high_pa is None:
        return None
    return now.usual_low_pa, now.usual_high_pa


def _concerns(alarm: Alarm, pump: Pump) -> bool:
    return alarm.subject == pump.id or pump.id in alarm.members


def card_line(live: Live, site: Site, card_row: PumpCard, words: Words) -> str:
    """The hour behind a card, as SVG."""
    span = (words.now_ts - CARD_S, words.now_ts)
    series = live.store.read(site.id, card_row.pump, span, level=Level.SECOND, max_points=4000)
    said = words.t("Pressure over the last hour")
    usual = words.pressure_range(card_row.usual_pa)
    return card(
        series,
        span,
        card_row.usual_pa,
        words=f"{said}; {words.t('usual')} {usual}" if usual else said,
    )


def sites_view(live: Live, now_ts: float, *, stale_s: float) -> SiteList:
    """Every site in a line."""
    latest = live.store.latest_ts()
    rows = []
    for site in live.sites():
        alarms = live.alarms(site.id)
        seen = [latest.get((site.id, p.id)) for p in site.pumps]
        newest = max((ts for ts in seen if ts is not None), default=None)
        rows.append(
            SiteRow(
                site=site.id,
                label=site.label or site.id,
                pumps=len(site.pumps),
                counts=counts_of(alarms),
                waiting=sum(1 for a in alarms if needs_someone(a) and not a.acked),
                silent_pumps=sum(1 for ts in seen if ts is None or now_ts - ts > stale_s),
                newest_ts=newest,
                fresh=newest is not None and now_ts - newest <= stale_s,
            )
        )
    rows.sort(key=lambda r: (*(-n for n in r.counts.values()), r.fresh, r.label))
    return SiteList(now_ts=now_ts, sites=tuple(rows))


router = APIRouter(prefix="/api", tags=["board"])


@router.get("/sites", summary="All sites, those that need someone first")
def list_sites(web: WebHere, _: CanSee) -> SiteList:
    """Every site with its counts of open alarms and the age of its data."""
    return sites_view(web.live, web.live.now_ts(), stale_s=web.settings.stale_s)


@router.get("/sites/{site_id}/board", summary="One site now")
def get_board(site_id: str, web: WebHere, _: CanSee) -> Board:
    """What the site board shows."""
    site = get_site(web.live, site_id)
    words = Words(site, web.live.now_ts())
    return board_view(web.live, site, words, stale_s=web.settings.stale_s)
