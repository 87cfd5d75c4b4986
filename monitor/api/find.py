"""Names in an address, found or refused in plain words."""

from monitor.alarms.types import Alarm
from monitor.api.live import Live
from monitor.errors import StrokewiseError
from monitor.site import Pump, Site


class NotFound(StrokewiseError):
    """There is nothing by that name."""


def get_site(live: Live, site_id: str) -> Site:
    """The site; raises NotFound naming those there are."""
    for site in live.sites():
        if site.id == site_id:
            return site
    raise NotFound(f"There is no site '{site_id[:60]}' here.")


def get_pump(live: Live, site_id: str, pump_id: str) -> tuple[Site, Pump]:
    """The site and the pump; raises NotFound."""
    site = get_site(live, site_id)
    pump = site.pump(pump_id)
    if pump is None:
        known = ", ".join(p.id for p in site.pumps)
        raise NotFound(f"Site '{site.id}' has no pump '{pump_id[:60]}'; it has: {known}.")
    return site, pump


def get_alarm(live: Live, alarm_id: str) -> Alarm:
    """The standing alarm; raises NotFound."""
    for alarm in live.alarms():
        if alarm.id == alarm_id:
            return alarm
    raise NotFound(f"There is no standing alarm '{alarm_id[:120]}'; it may have ended.")
