"""How often verdicts were right: (right, all) per kind and band of the stated weight.

Counted by `python tests/bench/detection/run.py --calibrate --seeds 30` on the
choose-families, and over a whole week of each kind; not to be edited by hand.
"""

from monitor.advice.kinds import Kind

COUNTS: dict[Kind, tuple[tuple[int, int], ...]] = {
    Kind.NO_DEMAND: ((0, 0), (0, 8), (75, 83)),
    Kind.MISSED_PRIME: ((0, 0), (0, 0), (66, 66)),
    Kind.AIRLOCK: ((0, 0), (48, 53), (30, 30)),
    Kind.LOW_AIR: ((0, 0), (0, 0), (67, 67)),
    Kind.HIGH_AIR: ((0, 0), (0, 0), (68, 76)),
    Kind.AIR_SAG: ((1, 1), (8, 18), (53, 53)),
    Kind.ICING: ((0, 0), (42, 42), (38, 38)),
    Kind.AIR_VALVE_STALLED: ((0, 0), (0, 0), (68, 68)),
    Kind.LOST_PRIME: ((0, 0), (30, 38), (64, 73)),
    Kind.RESTRICTED_SUCTION: ((0, 2), (11, 11), (68, 70)),
    Kind.AIR_IN_SUCTION: ((0, 0), (0, 0), (58, 78)),
    Kind.DRUM_EMPTY: ((0, 0), (62, 74), (62, 74)),
    Kind.NO_FLOW: ((0, 0), (0, 0), (46, 46)),
    Kind.BALL_LEAK: ((0, 0), (0, 0), (65, 73)),
    Kind.DIAPHRAGM: ((0, 0), (23, 23), (62, 82)),
    Kind.WORN: ((0, 0), (53, 69), (0, 0)),
    Kind.PRESSURE_SENSOR: ((0, 0), (23, 23), (70, 70)),
    Kind.STROKE_COUNTER: ((0, 0), (0, 0), (77, 77)),
}
