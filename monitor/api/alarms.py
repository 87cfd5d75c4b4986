"""Alarms: the list with its filters, one alarm with its history, and what people do to them."""

from dataclasses import dataclass
from typing import Annotated, Literal

from fastapi import APIRouter, Depends, Path, Query, Request
from pydantic import BaseModel, Field

from monitor.advice.kinds import Kind, Priority
from monitor.advice.rationalization import Rationalization, rationalization
from monitor.alarms.figures import TARGETS, activations, figures
from monitor.alarms.types import Alarm, State
from monitor.api.find import NotFound, get_alarm, get_site
from monitor.api.guard import CanAlarms, CanSee, CanTakeOut, address
from monitor.api.history import alarms_between
from monitor.api.live import Live
from monitor.api.rows import AlarmRow, Row, WorkRow, alarm_row, needs_someone, work_row, worst_first
from monitor.api.web import WebHere
from monitor.api.window import LENGTHS_S, Window
from monitor.api.words import Words
from monitor.site import Site
from monitor.store.alarm_book import AlarmBook, Asked
from monitor.store.work_log import WorkLog

HELPED_WITHIN_S = 4 * 3600.0
"""Work written down from an hour before until this long after an alarm ended is taken as what
helped (chosen: a visit)."""
FIGURES_ROWS = 20_000
AlarmId = Annotated[str, Path(max_length=200)]
StateFilter = Literal["open", "hidden", "ended", "all"]


@dataclass(frozen=True, slots=True)
class AlarmQuery:
    """Which alarms to list; everything may be left out."""

    state: Annotated[StateFilter, Query()] = "open"
    priority: Annotated[Literal["", "act now", "this shift", "next visit"], Query()] = ""
    kind: Annotated[str, Query(max_length=60)] = ""
    bay: Annotated[str, Query(max_length=60)] = ""
    pump: Annotated[str, Query(max_length=60)] = ""
    limit: Annotated[int, Query(ge=1, le=500)] = 100
    offset: Annotated[int, Query(ge=0, le=100_000)] = 0


class AlarmList(Row):
    """A page of alarms; `total` counts all that match."""

    site: str
    total: int
    offset: int
    alarms: tuple[AlarmRow, ...]


class ChangeRow(Row):
    """One step of an alarm's history."""

    seq: int
    ts: float
    what: str
    by: str
    note: str
    state: str | None


class HelpedRow(Row):
    """An earlier occurrence and the work that was written down about its end."""

    ended_ts: float
    work: tuple[WorkRow, ...]


class AlarmPage(Row):
    """One alarm with what is known of its kind, its history and what helped before."""

    alarm: AlarmRow
    standing: bool
    record: Rationalization
    history: tuple[ChangeRow, ...]
    helped: tuple[HelpedRow, ...]


class Target(Row):
    """One published figure beside its limits."""

    name: str
    value: float
    acceptable: float
    manageable: float
    met: bool


class Frequent(Row):
    """An alarm point and how often it came."""

    name: str
    count: int


class Flood(Row):
    """More than ten alarms in ten minutes; end None = it lasts."""

    start_ts: float
    end_ts: float | None


class FiguresPage(Row):
    """How well a person can live with the site's alarms over a window."""

    site: str
    from_ts: float
    to_ts: float
    enough: bool
    total: int
    targets: tuple[Target, ...]
    top: tuple[Frequent, ...]
    priority_share: dict[str, float]
    chattering: tuple[str, ...]
    floods: tuple[Flood, ...]


class ShelveRequest(BaseModel):
    """Both a reason and an end are needed."""

    reason: str = Field(min_length=3, max_length=400)
    until_ts: float = Field(description="Unix seconds, at most seven days ahead")
    one_shot: bool = False


class OutRequest(BaseModel):
    """The subject is a pump, 'air:<supply>' or 'node:<node>'."""

    subject: str = Field(max_length=100)
    reason: str = Field(min_length=3, max_length=400)
    on: bool


class Done(Row):
    """What was done, in a word."""

    done: str


def alarm_list(
    live: Live, site: Site, asked: AlarmQuery, span: tuple[float, float] | None, words: Words
) -> AlarmList:
    """The alarms that match; without a span the open ones of any age and the past of 30 days."""
    found = _of_state(live, site, asked.state, span or (words.now_ts - 30 * 86_400.0, words.now_ts))
    if span is not None:
        found = [a for a in found if (a.raised_ts or a.since_ts) < span[1] and _ends(a) >= span[0]]
    found = [a for a in found if _matches(a, site, asked)]
    part = found[asked.offset : asked.offset + asked.limit]
    rows = tuple(alarm_row(a, site, words) for a in part)
    return AlarmList(site=site.id, total=len(found), offset=asked.offset, alarms=rows)


def _ends(alarm: Alarm) -> float:
    return float("inf") if alarm.active else alarm.cleared_ts or alarm.raised_ts or alarm.since_ts


def _of_state(live: Live, site: Site, state: StateFilter, span: tuple[float, float]) -> list[Alarm]:
    if state in ("open", "hidden"):
        shown = state == "open"
        return [a for a in worst_first(live.alarms(site.id)) if needs_someone(a) is shown]
    past = alarms_between(live, site.id, span)
    if state == "ended":
        return [a for a in past if a.state is State.NORMAL]
    return past


def _matches(alarm: Alarm, site: Site, asked: AlarmQuery) -> bool:
    pump = site.pump(alarm.subject)
    return (
        asked.priority in ("", alarm.priority.value)
        and asked.kind in ("", alarm.kind.value)
        and (not asked.bay or (pump is not None and asked.bay in pump.bays))
        and asked.pump in ("", alarm.subject)
    )


def find_alarm(live: Live, alarm_id: str) -> tuple[Alarm, bool]:
    """(the alarm, does it stand), from the machine or from the history; raises NotFound."""
    for alarm in live.alarms():
        if alarm.id == alarm_id:
            return alarm, True
    for entry in AlarmBook(live.core).history(Asked(alarm_id=alarm_id), limit=1):
        if entry.change.after is not None:
            return entry.change.after, False
    raise NotFound(f"There never was an alarm '{alarm_id[:120]}' here.")


def alarm_page(live: Live, site: Site, alarm: Alarm, words: Words, *, standing: bool) -> AlarmPage:
    """The model of one alarm's page."""
    entries = AlarmBook(live.core).history(Asked(alarm_id=alarm.id), limit=200)
    return AlarmPage(
        alarm=alarm_row(alarm, site, words),
        standing=standing,
        record=rationalization(alarm.kind),
        history=tuple(
            ChangeRow(
                seq=e.seq,
                ts=e.change.ts,
                what=e.change.what.value,
                by=e.change.by,
                note=e.change.note,
                state=e.change.after.state.value if e.change.after else None,
            )
            for e in entries
        ),
        helped=_helped(live, site, alarm),
    )


def _helped(live: Live, site: Site, alarm: Alarm) -> tuple[HelpedRow, ...]:
    """Earlier occurrences on the same subject that ended about a work entry, newest first."""
    before = (0.0, alarm.raised_ts or alarm.since_ts)
    out = []
    for old in alarms_between(live, site.id, before, alarm.subject):
        if old.kind is not alarm.kind or old.id == alarm.id or old.cleared_ts is None:
            continue
        about = (old.cleared_ts - HELPED_WITHIN_S, old.cleared_ts + 3600.0)
        work = WorkLog(live.core).list(site.id, alarm.subject, about)
        if work:
            out.append(HelpedRow(ended_ts=old.cleared_ts, work=tuple(work_row(w) for w in work)))
    return tuple(out[:3])


def figures_page(live: Live, site: Site, span: tuple[float, float]) -> FiguresPage:
    """The published alarm figures over a window."""
    entries = AlarmBook(live.core).history(Asked(site=site.id), limit=FIGURES_ROWS)
    found = figures(activations([e.change for e in reversed(entries)]), *span)
    return FiguresPage(
        site=site.id,
        from_ts=span[0],
        to_ts=span[1],
        enough=span[1] - span[0] >= LENGTHS_S["30d"],
        total=found.total,
        targets=tuple(
            Target(
                name=t.name,
                value=float(getattr(found, t.name)),
                acceptable=t.acceptable,
                manageable=t.manageable,
                met=float(getattr(found, t.name)) <= t.acceptable,
            )
            for t in TARGETS
        ),
        top=tuple(Frequent(name=name, count=n) for name, n in found.top),
        priority_share={p.value: found.priority_share[p] for p in Priority},
        chattering=found.chattering_names,
        floods=tuple(Flood(start_ts=a, end_ts=b) for a, b in found.floods),
    )


router = APIRouter(prefix="/api", tags=["alarms"])
Filters = Annotated[AlarmQuery, Depends()]


def span_or_none(window: Window, now_ts: float, site: Site) -> tuple[float, float] | None:
    """The span asked for, or None where none was."""
    if window.last is None and not window.from_ and not window.to:
        return None
    return window.span(now_ts, site.zone, usual="30d")


@router.get("/sites/{site_id}/alarms", summary="The site's alarms, worst first")
def get_alarms(site_id: str, web: WebHere, _: CanSee, asked: Filters, window: Window) -> AlarmList:
    """Open ones unless `state` says otherwise."""
    site = get_site(web.live, site_id)
    words = Words(site, web.live.now_ts())
    return alarm_list(web.live, site, asked, span_or_none(window, words.now_ts, site), words)


@router.get("/alarms/{alarm_id}", summary="One alarm with its history")
def get_alarm_page(alarm_id: AlarmId, web: WebHere, _: CanSee) -> AlarmPage:
    """The alarm, its kind's record, every change, and what helped before."""
    alarm, standing = find_alarm(web.live, alarm_id)
    site = get_site(web.live, alarm.site)
    words = Words(site, web.live.now_ts())
    return alarm_page(web.live, site, alarm, words, standing=standing)


@router.get("/sites/{site_id}/alarm-figures", summary="The published alarm figures")
def get_figures(site_id: str, web: WebHere, _: CanSee, window: Window) -> FiguresPage:
    """After ANSI/ISA-18.2: meaningful from 30 days on."""
    site = get_site(web.live, site_id)
    return figures_page(web.live, site, window.span(web.live.now_ts(), site.zone, usual="30d"))


@router.get("/kinds", summary="The rationalization record of every kind of alarm")
def get_kinds(_: CanSee) -> list[Rationalization]:
    """Cause, consequence, what to do, priority and behaviour of each."""
    return [rationalization(kind) for kind in Kind]


class Actor:
    """Does things to alarms for one caller and writes them into the audit."""

    def __init__(self, request: Request, web: WebHere, caller: CanAlarms) -> None:
        self._request = request
        self._web = web
        self._by = caller.name

    def _note(self, what: str, subject: str, detail: str = "") -> Done:
        self._web.accounts.note(
            self._web.live.now_ts(), self._by, what, subject, detail, address(self._request)
        )
        return Done(done=what)

    def acknowledge(self, alarm_id: str) -> Done:
        """Take it on."""
        self._web.live.acknowledge(get_alarm(self._web.live, alarm_id).id, by=self._by)
        return self._note("acknowledged", alarm_id)

    def reset(self, alarm_id: str) -> Done:
        """Let go of a latched one."""
        self._web.live.reset(get_alarm(self._web.live, alarm_id).id, by=self._by)
        return self._note("reset", alarm_id)

    def shelve(self, alarm_id: str, asked: ShelveRequest) -> Done:
        """Put it aside."""
        alarm = get_alarm(self._web.live, alarm_id)
        self._web.live.shelve(
            alarm.id,
            by=self._by,
            reason=asked.reason,
            until_ts=asked.until_ts,
            one_shot=asked.one_shot,
        )
        return self._note("shelved", alarm_id, asked.reason)

    def unshelve(self, alarm_id: str) -> Done:
        """Bring it back."""
        self._web.live.unshelve(get_alarm(self._web.live, alarm_id).id, by=self._by)
        return self._note("unshelved", alarm_id)

    def out(self, site: Site, asked: OutRequest) -> Done:
        """A subject's alarms out of service, or back; raises NotFound."""
        known = [p.id for p in site.pumps] + [f"air:{s.id}" for s in site.air_supplies]
        known += sorted({f"node:{p.node}" for p in site.pumps})
        standing = {a.subject for a in self._web.live.alarms(site.id)}
        gone = standing | set(self._web.live.out(site.id))
        if asked.subject not in known and asked.subject not in gone:
            raise NotFound(
                f"Site '{site.id}' has no '{asked.subject[:60]}'; it has: {', '.join(known)}."
            )
        self._web.live.out_of_service(
            site.id, asked.subject, by=self._by, reason=asked.reason, on=asked.on
        )
        what = "taken out of service" if asked.on else "returned to service"
        return self._note(what, f"{site.id}/{asked.subject}", asked.reason)


ActorHere = Annotated[Actor, Depends()]


@router.post("/alarms/{alarm_id}/acknowledge", summary="Take the alarm on")
def post_acknowledge(alarm_id: AlarmId, actor: ActorHere) -> Done:
    """It stays until its condition is gone."""
    return actor.acknowledge(alarm_id)


@router.post("/alarms/{alarm_id}/reset", summary="Let go of a latched alarm")
def post_reset(alarm_id: AlarmId, actor: ActorHere) -> Done:
    """Does nothing while the condition stands."""
    return actor.reset(alarm_id)


@router.post("/alarms/{alarm_id}/shelve", summary="Put the alarm aside, with a reason and an end")
def post_shelve(alarm_id: AlarmId, asked: ShelveRequest, actor: ActorHere) -> Done:
    """It goes on being evaluated and comes back by itself."""
    return actor.shelve(alarm_id, asked)


@router.post("/alarms/{alarm_id}/unshelve", summary="Bring a shelved alarm back")
def post_unshelve(alarm_id: AlarmId, actor: ActorHere) -> Done:
    """Before its end."""
    return actor.unshelve(alarm_id)


@router.post("/sites/{site_id}/out-of-service", summary="Take a subject out of service, or back")
def post_out(
    site_id: str, asked: OutRequest, web: WebHere, actor: ActorHere, _: CanTakeOut
) -> Done:
    """For work on it; both ends are by hand and written down."""
    return actor.out(get_site(web.live, site_id), asked)
