"""A pump that races against a held line moves gas: neither a dead sensor nor a leak."""

import pytest

from monitor.detectors.context import Context
from monitor.detectors.finding import Presence
from monitor.detectors.no_demand import NoDemand
from monitor.detectors.pressure_sensor import PressureSensor
from monitor.signals.scales import Scales
from monitor.signals.types import Episode
from monitor.site import Pump, Site

PUMP = Pump(id="p1", displacement_ml=90.0)
SITE = Site(id="fern", pumps=(PUMP,))


def context() -> Context:
    return Context(SITE, PUMP, Scales.of(PUMP))


@pytest.mark.parametrize(
    ("rate_hz", "presence"), [(0.5, Presence.YES), (4.5, Presence.CANNOT_TELL)]
)
def test_flat_pressure_is_the_sensors_fault_only_at_a_wet_rate(rate_hz, presence):
    features = {"spread_pa": 10.0, "rate_hz": rate_hz, "tail_pa": 250_000.0}
    event = Episode("p1", "draw", 0.0, 30.0, False, 20, features)
    assert PressureSensor().update(event, context()).presence is presence


@pytest.mark.parametrize(
    ("rate_hz", "presence"), [(0.5, Presence.YES), (3.6, Presence.CANNOT_TELL)]
)
def test_no_leak_takes_more_than_the_pump_can_deliver(rate_hz, presence):
    # 90 mL at 3.6 strokes a second would be 5.1 US gal/min; the class is rated for 5 (common
    # practice, no published source).
    features = {"rate_hz": rate_hz, "interval_cv": 0.02, "tail_pa": 350_000.0}
    event = Episode("p1", "draw", 0.0, 900.0, False, 400, features)
    assert NoDemand().update(event, context()).presence is presence
