"""The work log: reading, writing, taking back."""

from typing import Annotated

from fastapi import APIRouter, Depends, Form, Query
from fastapi.responses import HTMLResponse, Response
from pydantic import ValidationError

from monitor.api.find import get_site
from monitor.api.rows import work_row
from monitor.api.web import WebHere
from monitor.api.window import read_time
from monitor.api.work import REBASES, BadWork, WorkerHere, WorkRequest
from monitor.pages.render import SeeingLook, back_to
from monitor.site import Site
from monitor.store.work_log import Work, WorkLog
from monitor.units import DISPLAYS

router = APIRouter(default_response_class=HTMLResponse, include_in_schema=False)
Text = Annotated[str, Form(max_length=1000)]
ROWS = 200
FIELDS = {
    "volume_ml": "Volume of the catch test",
    "strokes": "Strokes of the catch test",
    "air_set_pa": "New set point",
    "drum_ml": "New drum",
    "ts": "When",
    "parts": "Parts used",
}


class WorkForm:
    """The form as typed: the site's units and clock."""

    def __init__(
        self,
        pump: Text,
        kind: Annotated[Work, Form()],
        when: Text = "",
        text: Text = "",
        parts: Text = "",
        numbers: Annotated[list[str] | None, Form()] = None,
    ) -> None:
        self.pump, self.kind, self.when, self.text = pump, kind, when, text
        self.parts = [p for p in parts.split(",") if p.strip()]
        volume, strokes, pressure, drum = [*(numbers or []), "", "", "", ""][:4]
        self.volume, self.strokes, self.pressure, self.drum = volume, strokes, pressure, drum

    def request(self, site: Site) -> WorkRequest:
        """In SI; raises BadWork or BadWindow naming what cannot be read."""
        show = DISPLAYS[site.units]
        pressure, drum = number(self.pressure), number(self.drum)
        strokes, volume = number(self.strokes), number(self.volume)
        ts = read_time(self.when, site.zone) if self.when else None
        try:
            return WorkRequest(
                pump=self.pump,
                kind=self.kind,
                ts=ts,
                text=self.text,
                parts=self.parts,
                volume_ml=volume,
                strokes=None if strokes is None else round(strokes),
                air_set_pa=None if pressure is None else pressure * show.pa_per_pressure,
                drum_ml=None if drum is None else drum * show.ml_per_volume,
            )
        except ValidationError as problem:
            field = str(problem.errors()[0]["loc"][0])
            raise BadWork(
                f"{FIELDS.get(field, field)}: more, or longer, than can be. Look at the number and "
                f"its unit ({show.pressure_symbol}, {show.volume_symbol}, mL)."
            ) from problem


def number(text: str) -> float | None:
    """A number as typed, with a point or a comma; None for nothing; raises BadWork."""
    if not text.strip():
        return None
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError:
        raise BadWork(f"'{text[:40]}' is not a number.") from None
    if not 0 < value < 1e9:
        raise BadWork(f"'{text[:40]}' must be above zero.")
    return value


@router.get("/site/{site_id}/work")
def work(
    site_id: str, look: SeeingLook, pump: Annotated[str, Query(max_length=60)] = ""
) -> Response:
    """The log with the form to write."""
    site = get_site(look.live, site_id)
    look = look.at(site, "work")
    entries = WorkLog(look.live.core).list(site.id, pump or None, with_undone=True)
    return look.page(
        "work.html",
        entries=[work_row(e) for e in entries[:ROWS]],
        more=len(entries) > ROWS,
        pump=pump,
        kinds=[(k.value, REBASES[k]) for k in Work],
        now_local=look.words.local(look.words.now_ts).strftime("%Y-%m-%dT%H:%M"),
    )


@router.post("/site/{site_id}/work")
def write(
    site_id: str, web: WebHere, worker: WorkerHere, form: Annotated[WorkForm, Depends()]
) -> Response:
    """Write it down."""
    site = get_site(web.live, site_id)
    worker.add(site, form.request(site))
    return back_to(f"/site/{site_id}/work")


@router.post("/site/{site_id}/work-entry/{entry_id}/undo")
def undo(site_id: str, entry_id: int, web: WebHere, worker: WorkerHere) -> Response:
    """Take it back."""
    worker.undo(get_site(web.live, site_id), entry_id)
    return back_to(f"/site/{site_id}/work")
