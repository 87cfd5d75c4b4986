"""How often verdicts were right: (right, all) per kind and band of the stated weight.

Counted by `python tests/bench/detection/run.py --calibrate --seeds 30` on the
choose-families, and over a whole week of each kind; not to be edited by hand.
"""

from monitor.advice.kinds import Kind

COUNTS: dict[Kind, tuple[tuple[int, int], ...]] = {
    Kind.NO_DEMAND: ((0, 0), (0, 8), (75, 83)),
    Kind.MISSED_PRIME: ((0, 0), (0, 0), (66, 66)),
    Kind.AIRLOCK: ((0, 0), (56, 58), (28, 31)),
    Kind.LOW_AIR: ((0, 0), (0, 0), (67, 67)),
    Kind.HIGH_AIR: ((0, 0), (0, 0), (68, 76)),
    Kind.AIR_SAG: ((3, 3), (4, 4), (47, 47)),
    Kind.ICING: ((0, 0), (22, 22), (40, 40)),
    Kind.AIR_VALVE_STALLED: ((0, 0), (0, 0), (68, 68)),
    Kind.LOST_PRIME: ((0, 0), (21, 29), (63, 88)),
    Kind.RESTRICTED_SUCTION: ((4, 14), (3, 4), (57, 64)),
    Kind.AIR_IN_SUCTION: ((0, 0), (0, 8), (56, 74)),
    Kind.DRUM_EMPTY: ((0, 0), (60, 62), (60, 62)),
    Kind.NO_FLOW: ((0, 0), (0, 0), (46, 46)),
    Kind.BALL_LEAK: ((0, 0), (0, 0), (65, 97)),
    Kind.DIAPHRAGM: ((0, 0), (21, 29), (62, 92)),
    Kind.WORN: ((0, 0), (53, 77), (0, 0)),
    Kind.PRESSURE_SENSOR: ((0, 0), (23, 23), (70, 70)),
    Kind.STROKE_COUNTER: ((0, 0), (0, 0), (77, 77)),
}
