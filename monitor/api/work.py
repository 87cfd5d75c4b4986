"""The work log: what people did to a pump; nothing is erased, an entry can be taken back."""

from typing import Annotated

from fastapi import APIRouter, Depends, Query, Request
from pydantic import BaseModel, Field

from monitor.api.find import NotFound, get_pump, get_site
from monitor.api.guard import CanSee, CanWork, address
from monitor.api.rows import Row, WorkRow, work_row
from monitor.api.web import WebHere
from monitor.api.window import Window
from monitor.errors import StrokewiseError
from monitor.site import Site
from monitor.store.work_log import Entry, Work, WorkLog

FAR_TS = 1e11
REBASES = {
    Work.PUMP_CHANGED: "what is usual for this pump is learnt anew",
    Work.SEALS: "what is usual for this pump is learnt anew",
    Work.FOOT_VALVE: "prime and suction are learnt anew",
    Work.DRUM_CHANGED: "the drum's level starts full",
    Work.SET_POINT: "the pressure at rest is learnt anew",
    Work.CATCH_TEST: "the volume of a stroke is set",
    Work.NOTE: "nothing changes",
}


class BadWork(StrokewiseError):
    """The entry cannot be written like this."""


class WorkRequest(BaseModel):
    """One entry. A catch test needs volume_ml and strokes, a new set point air_set_pa."""

    pump: str = Field(max_length=60)
    kind: Work
    ts: float | None = Field(None, ge=0, lt=FAR_TS, description="Unix seconds; none: now")
    text: str = Field("", max_length=1000)
    parts: list[Annotated[str, Field(max_length=80)]] = Field(default_factory=list, max_length=20)
    volume_ml: float | None = Field(None, gt=0, le=20_000)
    strokes: int | None = Field(None, gt=0, le=10_000)
    air_set_pa: float | None = Field(None, gt=0, le=1_400_000)
    drum_ml: float | None = Field(None, gt=0, le=2_000_000)


class Written(Row):
    """The number of the new entry."""

    id: int


class WorkList(Row):
    """A page of entries, newest first."""

    site: str
    total: int
    offset: int
    entries: tuple[WorkRow, ...]


def entry_of(site: Site, asked: WorkRequest, *, by: str, now_ts: float) -> Entry:
    """The entry to write; raises BadWork naming what is missing."""
    ts = now_ts if asked.ts is None else asked.ts
    if ts > now_ts + 60:
        raise BadWork("The entry's time lies ahead; write it down once it is done.")
    text = asked.text.strip()
    parts = [p.strip() for p in asked.parts if p.strip()]
    if parts:
        text = f"{text}{' · ' if text else ''}parts: {', '.join(parts)}"
    if asked.kind is Work.NOTE and not text:
        raise BadWork("A note needs words.")
    return Entry(site.id, asked.pump, ts, asked.kind, by, text, _values(asked))


def _values(asked: WorkRequest) -> dict[str, float]:
    if asked.kind is Work.CATCH_TEST:
        if asked.volume_ml is None or asked.strokes is None:
            raise BadWork("A catch test needs the measured volume and the strokes counted.")
        each = asked.volume_ml / asked.strokes
        if not 5 <= each <= 500:
            raise BadWork(f"{each:.1f} mL a stroke is not possible for this class (5 to 500 mL).")
        return {
            "volume_ml": asked.volume_ml,
            "strokes": float(asked.strokes),
            "displacement_ml": each,
        }
    if asked.kind is Work.SET_POINT:
        if asked.air_set_pa is None:
            raise BadWork("A changed set point needs the new air pressure.")
        return {"air_set_pa": asked.air_set_pa}
    if asked.kind is Work.DRUM_CHANGED and asked.drum_ml is not None:
        return {"drum_ml": asked.drum_ml}
    return {}


class Worker:
    """Writes for one caller, and into the audit."""

    def __init__(self, request: Request, web: WebHere, caller: CanWork) -> None:
        self._request = request
        self._web = web
        self._by = caller.name

    def add(self, site: Site, asked: WorkRequest) -> int:
        """Write the entry; its number."""
        get_pump(self._web.live, site.id, asked.pump)
        now_ts = self._web.live.now_ts()
        entry = entry_of(site, asked, by=self._by, now_ts=now_ts)
        number = self._web.live.add_work(entry)
        self._note(f"wrote work: {entry.kind.value}", f"{site.id}/{entry.pump}", entry.text)
        return number

    def undo(self, site: Site, entry_id: int) -> None:
        """Take an entry back."""
        entries = WorkLog(self._web.live.core).list(site.id)
        if not any(e.id == entry_id for e in entries):
            raise NotFound(f"There is no entry {entry_id} to take back at this site.")
        self._web.live.undo_work(entry_id, by=self._by)
        self._note("took back work", f"{site.id} entry {entry_id}", "")

    def _note(self, what: str, subject: str, detail: str) -> None:
        self._web.accounts.note(
            self._web.live.now_ts(), self._by, what, subject, detail, address(self._request)
        )


WorkerHere = Annotated[Worker, Depends()]
router = APIRouter(prefix="/api/sites/{site_id}/work", tags=["work"])


@router.get("", summary="The work log, newest first")
def get_work(
    site_id: str,
    web: WebHere,
    _: CanSee,
    window: Window,
    pump: Annotated[str | None, Query(max_length=60)] = None,
    limit: Annotated[int, Query(ge=1, le=500)] = 100,
    offset: Annotated[int, Query(ge=0, le=100_000)] = 0,
) -> WorkList:
    """Entries taken back are there too, marked."""
    site = get_site(web.live, site_id)
    asked = window.last or window.from_ or window.to
    span = window.span(web.live.now_ts(), site.zone, usual="1y") if asked else (0.0, FAR_TS)
    found = WorkLog(web.live.core).list(site.id, pump, span, with_undone=True)
    rows = tuple(work_row(e) for e in found[offset : offset + limit])
    return WorkList(site=site.id, total=len(found), offset=offset, entries=rows)


@router.post("", summary="Write an entry")
def post_work(site_id: str, asked: WorkRequest, web: WebHere, worker: WorkerHere) -> Written:
    """Re-bases what the entry re-bases."""
    return Written(id=worker.add(get_site(web.live, site_id), asked))


@router.post("/{entry_id}/undo", summary="Take an entry back")
def post_undo(site_id: str, entry_id: int, web: WebHere, worker: WorkerHere) -> Written:
    """It stays readable, struck through."""
    worker.undo(get_site(web.live, site_id), entry_id)
    return Written(id=entry_id)
