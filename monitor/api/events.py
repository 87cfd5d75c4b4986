"""The event stream: only what changed, so that a page fetches itself anew."""

import json
from collections.abc import AsyncIterator

from fastapi import APIRouter, Request
from fastapi.responses import StreamingResponse

from monitor.api.guard import CanSee
from monitor.api.web import Web, WebHere

router = APIRouter(tags=["events"])


@router.get("/events", summary="Server-sent events: ids of what changed")
async def events(request: Request, web: WebHere, _: CanSee) -> StreamingResponse:
    """text/event-stream (WHATWG HTML). `change` carries the ids that changed and the event id is
    the sequence number; `tick` comes when nothing changed, so that silence means a lost link."""
    start = request.headers.get("last-event-id", "")
    after = int(start) if start.isdigit() else web.live.sequence()
    return StreamingResponse(
        _stream(request, web, after),
        media_type="text/event-stream",
        headers={"Cache-Control": "no-store", "X-Accel-Buffering": "no"},
    )


async def _stream(request: Request, web: Web, after: int) -> AsyncIterator[str]:
    yield f"retry: 3000\nid: {after}\nevent: tick\ndata: {_newest(web)}\n\n"
    while not await request.is_disconnected() and not request.app.state.stopping.is_set():
        after, ids = await web.live.changes(after, wait_s=web.settings.event_wait_s)
        name, data = ("change", json.dumps(list(ids))) if ids else ("tick", _newest(web))
        yield f"id: {after}\nevent: {name}\ndata: {data}\n\n"


def _newest(web: Web) -> str:
    """Seconds since the newest data of any site, as JSON."""
    newest = max(web.live.store.latest_ts().values(), default=None)
    return json.dumps({"age_s": None if newest is None else web.live.now_ts() - newest})
