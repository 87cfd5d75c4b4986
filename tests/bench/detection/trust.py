"""How far stated confidences are right: counted on choose-families, checked on judge-families.

A statement is the first YES of a kind in a recording, up to the deadline. It is right when its
kind is what was really wrong, and came after the onset; of the right side when only that agrees.
Fault kinds are equally frequent here, which no site's are: the figures are shares among these.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from score import Score
from table import KINDS, Report, wilson

import monitor.detectors
from monitor.advice.kinds import SIDE, Kind
from monitor.detectors import confidence
from monitor.detectors.finding import Finding

EDGES = (0.0, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)
ROUNDS = 1000
COUNTS_FILE = Path(monitor.detectors.__file__).parent / "told_right.py"


@dataclass(frozen=True, slots=True)
class Statement:
    """One verdict of a recording: how sure it said to be, and whether it was right."""

    family: int
    kind: Kind
    sure: float
    right: bool
    right_side: bool


@dataclass(frozen=True, slots=True)
class Truth:
    """What was wrong with one pump, and while what was said of it could be right."""

    kind: Kind
    family: int
    onset_ts: float
    until_ts: float = float("inf")


def judged(yes: Sequence[Finding], truth: Truth, *, by_band: bool = False) -> list[Statement]:
    """The first verdict of each kind on one pump, or of each kind and band of the weight."""
    seen: dict[tuple[Kind, int], Statement] = {}
    for f in yes:
        if f.kind in confidence.UNCOUNTED:
            continue
        in_time = truth.onset_ts < f.ts <= truth.until_ts
        right = in_time and f.kind == truth.kind
        side = in_time and SIDE[f.kind] is SIDE[truth.kind]
        key = (f.kind, confidence.band(f.confidence) if by_band else 0)
        seen.setdefault(key, Statement(truth.family, f.kind, f.confidence, right, side))
    return list(seen.values())


def statements(scores: Sequence[Score], *, by_band: bool = False) -> list[Statement]:
    """What was said over the cases."""
    out: list[Statement] = []
    for s in scores:
        truth = Truth(Kind(s.case.kind), s.case.seed, s.onset_ts)
        out += judged(s.yes, truth, by_band=by_band)
    return out


def unadjusted() -> None:
    """In a worker: let rules state their own weights."""
    confidence.TABLE.clear()


def count(said: Sequence[Statement]) -> dict[Kind, tuple[tuple[int, int], ...]]:
    """(right, all) per kind and band of the stated weight; every kind is there."""
    tally: Counter[tuple[Kind, int, bool]] = Counter(
        (s.kind, confidence.band(s.sure), s.right) for s in said
    )
    return {
        kind: tuple(
            (tally[kind, b, True], tally[kind, b, True] + tally[kind, b, False])
            for b in range(len(confidence.BANDS))
        )
        for kind in KINDS
    }


def write(counts: dict[Kind, tuple[tuple[int, int], ...]], families: int) -> None:
    """The counts as the module that confidences are drawn from."""
    lines = [
        '"""How often verdicts were right: (right, all) per kind and band of the stated weight.',
        "",
        f"Counted by `python tests/bench/detection/run.py --calibrate --seeds {families}` on the",
        "choose-families, and over a whole week of each kind; not to be edited by hand.",
        '"""',
        "",
        "from monitor.advice.kinds import Kind",
        "",
        "COUNTS: dict[Kind, tuple[tuple[int, int], ...]] = {",
        *(f"    Kind.{kind.name}: {pairs}," for kind, pairs in counts.items()),
        "}",
    ]
    COUNTS_FILE.write_text("\n".join(lines) + "\n")


def show(said: Sequence[Statement], report: Report) -> dict[str, object]:
    """The reliability table, Brier score and calibration error; figures for the baseline."""
    report.say()
    report.say("stated      statements  mean stated  kind right (95 % Wilson)     side right")
    sure = np.array([s.sure for s in said])
    right = np.array([s.right for s in said], np.float64)
    for low, high in pairwise(EDGES):
        own = [s for s in said if low <= s.sure < high or s.sure == high == 1.0]
        if own:
            n, hits = len(own), sum(s.right for s in own)
            a, b = wilson(hits, n)
            mean = sum(s.sure for s in own) / n
            report.say(
                f"{low:.2f}-{high:.2f}   {n:5d}       {mean:.2f}         {hits / n:.2f} "
                f"({a:.2f} to {b:.2f})          {sum(s.right_side for s in own) / n:.2f}"
            )
    brier = float(np.mean((sure - right) ** 2))
    base = float(right.mean())
    error = calibration_error(sure, right)
    low_e, high_e = interval(said)
    report.say(
        f"{len(said)} statements, {base:.3f} right: Brier score {brier:.4f} (always that share "
        f"{base * (1 - base):.4f}), expected calibration error {error:.3f} "
        f"(95 % over families {low_e:.3f} to {high_e:.3f})"
    )
    wrong = Counter(s.kind for s in said if not s.right)
    per = ", ".join(f"{k} {n} of {sum(s.kind is k for s in said)}" for k, n in wrong.most_common())
    report.say(f"wrong by kind said: {per or 'none'}")
    figures = {"right": base, "brier": brier, "ece": error, "ece_low": low_e, "ece_high": high_e}
    return {"n": len(said), **{name: round(value, 4) for name, value in figures.items()}}


def calibration_error(sure: NDArray[Any], right: NDArray[Any]) -> float:
    """Mean distance of stated and seen shares over the bins, weighted by their statements."""
    at = np.clip(np.searchsorted(EDGES, sure, side="right") - 1, 0, len(EDGES) - 2)
    total = 0.0
    for b in range(len(EDGES) - 1):
        own = at == b
        if own.any():
            total += own.sum() * abs(float(sure[own].mean() - right[own].mean()))
    return total / max(len(sure), 1)


def interval(said: Sequence[Statement]) -> tuple[float, float]:
    """Bootstrap over families, for recordings of one pump are not independent."""
    families = sorted({s.family for s in said})
    groups = {
        f: np.array([(s.sure, s.right) for s in said if s.family == f], np.float64)
        for f in families
    }
    rng = np.random.default_rng(1)
    found = []
    for _ in range(ROUNDS):
        drawn = np.concatenate([groups[f] for f in rng.choice(families, len(families))])
        found.append(calibration_error(drawn[:, 0], drawn[:, 1]))
    low, high = np.quantile(found, (0.025, 0.975))
    return float(low), float(high)
