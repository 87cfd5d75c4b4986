"""The names: what can be wrong, on which side to look, and how soon to act."""

from enum import StrEnum


class Side(StrEnum):
    """Where to look, in the order in which the trade troubleshoots (common practice)."""

    AIR = "air"
    SUCTION = "suction"
    DISCHARGE = "discharge"
    PUMP = "pump"
    SENSOR = "sensor"


class Priority(StrEnum):
    """How soon somebody must do something; the words are what is shown."""

    ACT_NOW = "act now"
    THIS_SHIFT = "this shift"
    NEXT_VISIT = "next visit"


class Kind(StrEnum):
    """What a pump can suffer; the value is the name used in alarms."""

    NO_DEMAND = "running with no demand"
    MISSED_PRIME = "missed prime"
    AIRLOCK = "airlock"
    LOW_AIR = "low air"
    HIGH_AIR = "high air"
    AIR_SAG = "air sag"
    ICING = "wet air / icing"
    AIR_VALVE_STALLED = "air valve stalled"
    LOST_PRIME = "lost prime"
    RESTRICTED_SUCTION = "restricted suction"
    AIR_IN_SUCTION = "air in suction"
    DRUM_EMPTY = "drum empty"
    NO_FLOW = "no flow on demand"
    BALL_LEAK = "leaking check ball"
    DIAPHRAGM = "ruptured diaphragm"
    WORN = "worn pump"
    PRESSURE_SENSOR = "pressure sensor fault"
    STROKE_COUNTER = "stroke counter fault"
    NODE_SILENT = "node silent"
    UNUSUAL = "unusual"


SIDE: dict[Kind, Side] = {
    Kind.NO_DEMAND: Side.DISCHARGE,
    Kind.MISSED_PRIME: Side.SUCTION,
    Kind.AIRLOCK: Side.DISCHARGE,
    Kind.LOW_AIR: Side.AIR,
    Kind.HIGH_AIR: Side.AIR,
    Kind.AIR_SAG: Side.AIR,
    Kind.ICING: Side.AIR,
    Kind.AIR_VALVE_STALLED: Side.AIR,
    Kind.LOST_PRIME: Side.SUCTION,
    Kind.RESTRICTED_SUCTION: Side.SUCTION,
    Kind.AIR_IN_SUCTION: Side.SUCTION,
    Kind.DRUM_EMPTY: Side.SUCTION,
    Kind.NO_FLOW: Side.DISCHARGE,
    Kind.BALL_LEAK: Side.PUMP,
    Kind.DIAPHRAGM: Side.PUMP,
    Kind.WORN: Side.PUMP,
    Kind.PRESSURE_SENSOR: Side.SENSOR,
    Kind.STROKE_COUNTER: Side.SENSOR,
    Kind.NODE_SILENT: Side.SENSOR,
    Kind.UNUSUAL: Side.PUMP,
}
