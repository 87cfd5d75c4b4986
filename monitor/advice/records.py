"""One record for each kind of alarm; a contract test holds them complete."""

from monitor.advice import side_air, side_discharge, side_pump, side_sensor, side_suction
from monitor.advice.kinds import Kind, Priority
from monitor.advice.record import Behaviour, Check, Record

__all__ = ["RECORDS", "Behaviour", "Check", "Record", "priority_of", "record"]

RECORDS: dict[Kind, Record] = {
    one.kind: one
    for side in (side_air, side_suction, side_discharge, side_pump, side_sensor)
    for one in side.RECORDS
}


def record(kind: Kind) -> Record:
    """The record of a kind."""
    return RECORDS[kind]


def priority_of(kind: Kind, severity: float = 0.0) -> Priority:
    """How soon somebody must act on a kind at a severity from 0 to 1."""
    return RECORDS[kind].priority(severity)
