"""For other machines: metrics, health, the description of the API."""

import re
from typing import Any

from fastapi import APIRouter, Request
from fastapi.openapi.utils import get_openapi
from fastapi.responses import JSONResponse, PlainTextResponse

from monitor.api.guard import CanSee
from monitor.api.live import Live
from monitor.api.rows import needs_someone
from monitor.api.web import WebHere
from monitor.errors import StoreUnavailable

router = APIRouter(tags=["service"])
BAD = re.compile(r"[^a-zA-Z0-9_]")


def metric_name(name: str) -> str:
    """A name as the Prometheus text format takes it, with our prefix."""
    return "strokewise_" + BAD.sub("_", name)


def label(text: str) -> str:
    """A label's value, escaped as the text format asks."""
    return text.replace("\\", "\\\\").replace("\n", "\\n").replace('"', '\\"')


def metrics_text(live: Live, stale_s: float) -> str:
    """Everything countable in the Prometheus text exposition format 0.0.4."""
    out: list[str] = []
    for name, value in sorted({**live.store.stats(), **live.figures()}.items()):
        known = metric_name(name)
        out.append(f"# TYPE {known} {'counter' if known.endswith('_total') else 'gauge'}")
        out.append(f"{known} {float(value)!r}")
    out.append("# TYPE strokewise_refused_messages_total counter")
    for reason, count in sorted(live.refused().items()):
        out.append(f'strokewise_refused_messages_total{{reason="{label(reason)}"}} {count}')
    out.append("# TYPE strokewise_dead_channels gauge")
    out.append(f"strokewise_dead_channels {len(live.dead_channels())}")
    out += _per_site(live, stale_s)
    return "\n".join(out) + "\n"


def _per_site(live: Live, stale_s: float) -> list[str]:
    alarms = ["# TYPE strokewise_alarms gauge"]
    ages = ["# TYPE strokewise_data_age_seconds gauge"]
    silent = ["# TYPE strokewise_silent_pumps gauge"]
    latest, now = live.store.latest_ts(), live.now_ts()
    for site in live.sites():
        where = f'site="{label(site.id)}"'
        counts: dict[tuple[str, str], int] = {}
        for alarm in live.alarms(site.id):
            state = "open" if needs_someone(alarm) else "hidden"
            key = (alarm.priority.value, state)
            counts[key] = counts.get(key, 0) + 1
        for (priority, state), n in sorted(counts.items()):
            alarms.append(f'strokewise_alarms{{{where},priority="{priority}",state="{state}"}} {n}')
        known = [(p.id, latest.get((site.id, p.id))) for p in site.pumps]
        ages += [
            f'strokewise_data_age_seconds{{{where},pump="{label(p)}"}} {now - ts:.3f}'
            for p, ts in known
            if ts is not None
        ]
        lost = sum(1 for _, ts in known if ts is None or now - ts > stale_s)
        silent.append(f"strokewise_silent_pumps{{{where}}} {lost}")
    return [*alarms, *ages, *silent]


@router.get("/metrics", summary="Prometheus text format", response_class=PlainTextResponse)
def metrics(web: WebHere, _: CanSee) -> PlainTextResponse:
    """Counters end in _total; ages are seconds."""
    text = metrics_text(web.live, web.settings.stale_s)
    return PlainTextResponse(text, media_type="text/plain; version=0.0.4; charset=utf-8")


@router.get("/health", summary="Is the service up and its store readable")
def health(web: WebHere) -> JSONResponse:
    """200 with 'ok', or 503 with what is wrong; says nothing else, so it needs no sign-in."""
    try:
        web.live.core.rows("SELECT 1")
        web.live.store.latest_ts()
    except StoreUnavailable as problem:
        return JSONResponse({"status": "store unavailable", "detail": str(problem)}, 503)
    return JSONResponse({"status": "ok"})


@router.get("/api/openapi.json", summary="This API, described", include_in_schema=False)
def openapi(request: Request, _: CanSee) -> dict[str, Any]:
    """OpenAPI 3.1."""
    app = request.app
    if app.openapi_schema is None:
        described = get_openapi(
            title=app.title, version=app.version, description=app.description, routes=app.routes
        )
        described.setdefault("components", {})["securitySchemes"] = {
            "token": {"type": "http", "scheme": "bearer"}
        }
        described["security"] = [{"token": []}]
        app.openapi_schema = described
    schema: dict[str, Any] = app.openapi_schema
    return schema
