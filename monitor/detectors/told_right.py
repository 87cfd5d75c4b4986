"""How often verdicts were right: (right, all) per kind and band of the stated weight."""

from monitor.advice.kinds import Kind

COUNTS: dict[Kind, tuple[tuple[int, int], ...]] = {}
