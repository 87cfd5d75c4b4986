"""How often verdicts were right: (right, all) per kind and band of the stated weight.

Counted by `python tests/bench/detection/run.py --calibrate --seeds 30` on the
choose-families, and over a whole week of each kind; not to be edited by hand.
"""

from monitor.advice.kinds import Kind

COUNTS: dict[Kind, tuple[tuple[int, int], ...]] = {
    Kind.NO_DEMAND: ((0, 0), (0, 1), (61, 62)),
    Kind.MISSED_PRIME: ((0, 0), (0, 0), (59, 59)),
    Kind.AIRLOCK: ((0, 0), (49, 51), (21, 24)),
    Kind.LOW_AIR: ((0, 0), (0, 0), (60, 60)),
    Kind.HIGH_AIR: ((0, 0), (0, 0), (61, 62)),
    Kind.AIR_SAG: ((3, 3), (4, 4), (47, 47)),
    Kind.ICING: ((0, 0), (15, 15), (40, 40)),
    Kind.AIR_VALVE_STALLED: ((0, 0), (0, 0), (61, 61)),
    Kind.LOST_PRIME: ((0, 0), (21, 22), (56, 60)),
    Kind.RESTRICTED_SUCTION: ((4, 14), (3, 4), (57, 64)),
    Kind.AIR_IN_SUCTION: ((0, 0), (0, 1), (49, 53)),
    Kind.DRUM_EMPTY: ((0, 0), (53, 55), (53, 55)),
    Kind.NO_FLOW: ((0, 0), (0, 0), (32, 32)),
    Kind.BALL_LEAK: ((0, 0), (0, 0), (58, 62)),
    Kind.DIAPHRAGM: ((0, 0), (14, 15), (55, 64)),
    Kind.WORN: ((0, 0), (53, 56), (0, 0)),
    Kind.PRESSURE_SENSOR: ((0, 0), (16, 16), (49, 49)),
    Kind.STROKE_COUNTER: ((0, 0), (0, 0), (56, 56)),
}
