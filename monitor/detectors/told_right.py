"""How often verdicts were right: (right, all) per kind and band of the stated weight.

Counted by `python tests/bench/detection/run.py --calibrate --seeds 30` on the
choose-families; not to be edited by hand.
"""

from monitor.advice.kinds import Kind

COUNTS: dict[Kind, tuple[tuple[int, int], ...]] = {
    Kind.NO_DEMAND: ((0, 0), (0, 0), (58, 58)),
    Kind.MISSED_PRIME: ((0, 0), (0, 0), (58, 58)),
    Kind.AIRLOCK: ((0, 0), (50, 52), (20, 38)),
    Kind.LOW_AIR: ((0, 0), (0, 0), (59, 59)),
    Kind.HIGH_AIR: ((0, 0), (0, 0), (60, 60)),
    Kind.AIR_SAG: ((2, 2), (5, 6), (47, 47)),
    Kind.ICING: ((0, 0), (14, 14), (40, 40)),
    Kind.AIR_VALVE_STALLED: ((0, 0), (0, 0), (60, 60)),
    Kind.LOST_PRIME: ((0, 0), (0, 0), (22, 22)),
    Kind.RESTRICTED_SUCTION: ((2, 15), (2, 2), (59, 66)),
    Kind.AIR_IN_SUCTION: ((0, 0), (0, 0), (33, 33)),
    Kind.DRUM_EMPTY: ((0, 0), (46, 58), (46, 57)),
    Kind.NO_FLOW: ((0, 0), (0, 0), (29, 33)),
    Kind.BALL_LEAK: ((0, 0), (0, 0), (53, 57)),
    Kind.DIAPHRAGM: ((0, 0), (0, 0), (52, 60)),
    Kind.WORN: ((0, 0), (53, 53), (0, 0)),
    Kind.PRESSURE_SENSOR: ((0, 0), (15, 15), (46, 46)),
    Kind.STROKE_COUNTER: ((0, 0), (2, 2), (34, 38)),
}
