"""How often verdicts were right: (right, all) per kind and band of the stated weight.

Counted by `python tests/bench/detection/run.py --calibrate --seeds 24` on the
choose-families, and over a whole week of each kind; not to be edited by hand.
"""

from monitor.advice.kinds import Kind

COUNTS: dict[Kind, tuple[tuple[int, int], ...]] = {
    Kind.NO_DEMAND: ((0, 0), (0, 8), (63, 71)),
    Kind.MISSED_PRIME: ((0, 0), (0, 0), (54, 54)),
    Kind.AIRLOCK: ((0, 0), (50, 61), (24, 26)),
    Kind.LOW_AIR: ((0, 0), (0, 0), (55, 55)),
    Kind.HIGH_AIR: ((0, 0), (0, 0), (56, 64)),
    Kind.AIR_SAG: ((1, 1), (8, 10), (41, 41)),
    Kind.ICING: ((0, 0), (36, 36), (30, 30)),
    Kind.AIR_VALVE_STALLED: ((0, 0), (0, 0), (56, 56)),
    Kind.LOST_PRIME: ((0, 0), (20, 28), (50, 59)),
    Kind.RESTRICTED_SUCTION: ((8, 11), (9, 9), (56, 58)),
    Kind.AIR_IN_SUCTION: ((0, 0), (0, 0), (46, 72)),
    Kind.DRUM_EMPTY: ((0, 0), (50, 52), (50, 52)),
    Kind.NO_FLOW: ((0, 0), (0, 0), (40, 40)),
    Kind.BALL_LEAK: ((0, 0), (0, 0), (53, 61)),
    Kind.DIAPHRAGM: ((0, 0), (19, 27), (46, 62)),
    Kind.WORN: ((0, 0), (41, 65), (0, 0)),
    Kind.PRESSURE_SENSOR: ((0, 0), (21, 21), (60, 60)),
    Kind.STROKE_COUNTER: ((0, 0), (0, 0), (66, 66)),
}
