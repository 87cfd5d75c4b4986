"""The picture that goes with a message: the trace around what happened."""

from monitor.alarms.types import Alarm
from monitor.charts.picture import png
from monitor.charts.trace import Mark, Trace, draw
from monitor.site import Pump, Site
from monitor.store.interface import Store
from monitor.units import DISPLAYS

BEFORE_S = 1200.0
AFTER_S = 300.0
WIDTH_PX, HEIGHT_PX = 480, 400


def alarm_picture(store: Store, site: Site, pump: Pump, alarm: Alarm) -> bytes | None:
    """PNG of the twenty minutes before an alarm and five after; None where nothing is stored."""
    at_ts = alarm.raised_ts if alarm.raised_ts is not None else alarm.since_ts
    span = (min(alarm.since_ts, at_ts) - BEFORE_S, at_ts + AFTER_S)
    series = store.read(site.id, pump.id, span, max_points=4000)
    if not len(series.ts):
        return None
    mark = Mark(at_ts, alarm.priority, alarm.sentence, alarm.id)
    title = f"{site.label or site.id}, {pump.label or pump.id}"
    trace = Trace(series, span, site.zone, DISPLAYS[site.units], marks=(mark,), title=title)
    return png(draw(trace, width_px=WIDTH_PX), width_px=WIDTH_PX, height_px=HEIGHT_PX)
