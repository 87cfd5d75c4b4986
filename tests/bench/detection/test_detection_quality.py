"""Detection must not get worse than the committed baseline (see run.py for the whole table)."""

import json

import pytest
from cases import CORE, JUDGE, cases
from run import BASELINE
from score import judge, right_side

pytestmark = pytest.mark.slow

TOLERANCE = 0.05
"""Share; a family more or less of twenty."""
SEEDS = 6


@pytest.mark.parametrize("fitted", [False, True])
@pytest.mark.parametrize("kind", CORE)
def test_core_kinds_are_told_within_one_draw(kind: str, *, fitted: bool) -> None:
    rows = json.loads(BASELINE.read_text())["rows"]
    row = next(r for r in rows if r["kind"] == kind and r["fitted"] is fitted)
    scores = [judge(c, fitted=fitted) for c in cases((kind,), JUDGE[:SEEDS])]
    told = sum(s.detected for s in scores) / SEEDS
    side = sum(right_side(s) for s in scores) / SEEDS
    allowed = TOLERANCE + 1.0 / SEEDS
    assert told >= row["told"] / row["n"] - allowed
    assert side >= row["side"] / row["n"] - allowed
