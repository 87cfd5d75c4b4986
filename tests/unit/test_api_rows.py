"""What has ended but waits for somebody stands last and in no count."""

from dataclasses import replace

from monitor.advice.kinds import Kind, Priority
from monitor.alarms.types import Alarm, State
from monitor.api.board import counts_of
from monitor.api.rows import stands, worst_first
from monitor.site import Fluid, Pump

NOW = Alarm(
    "n", "s", "P1", Kind.LOW_AIR, Priority.THIS_SHIFT, State.NOT_ACKNOWLEDGED, active=True,
    acked=False, since_ts=1.0, raised_ts=2.0, last_raised_ts=None, cleared_ts=None, acked_ts=None,
    acked_by=None, count=1, confidence=0.9, severity=0.5, sentence="Low air.",
)  # fmt: skip
OVER = replace(NOW, id="o", priority=Priority.ACT_NOW, state=State.RETURNED, active=False)


def test_what_has_ended_comes_last_and_is_not_counted():
    assert [a.id for a in worst_first([OVER, NOW])] == ["n", "o"]
    assert counts_of([OVER, NOW]) == {"act now": 0, "this shift": 1, "next visit": 0}
    assert not stands(OVER)


def test_a_pump_is_called_what_people_call_it():
    foam = Fluid(name="Foam concentrate")
    assert Pump(id="P2", label="Foam soap").title == "P2 Foam soap"
    assert Pump(id="P2", fluid=foam).title == "P2 Foam concentrate"
    assert Pump(id="wheel-acid", fluid=foam).title == "Wheel acid"
    assert Pump(id="wheel-acid", label="Wheel acid, left").title == "Wheel acid, left"
    assert Pump(id="P2", label="Soap P2").title == "Soap P2"
