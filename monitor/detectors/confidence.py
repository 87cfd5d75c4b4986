"""How sure a verdict is: the share of like verdicts that were right, not a rule's own word.

A rule states a weight between 0 and 1. Of the verdicts of its kind stated in the same band, on
simulated pumps set aside for choosing, so many named what was really wrong; that share is told.
"""

from dataclasses import replace
from itertools import pairwise

from monitor.advice.kinds import Kind
from monitor.detectors.finding import Finding, Presence
from monitor.detectors.told_right import COUNTS

BANDS = (0.0, 0.65, 0.82)
"""Lower edges of the bands of the stated weight: a guess, likely, sure (chosen)."""
PRIOR_CASES = 12.0
"""Cases the prior is worth (chosen: one wrong word in a week counts for eight cases and must not
silence a kind that is otherwise right; and a kind seen five times right is not told as certain)."""
LEAST, MOST = 0.05, 0.98
"""No verdict is told as certain: simulated pumps are not yet anybody's."""
UNCOUNTED = (Kind.NODE_SILENT, Kind.UNUSUAL)
"""Silence is a fact, and 'unusual' names no cause: their weight stays as stated."""


def band(stated: float) -> int:
    """Which band a stated weight falls into."""
    return sum(stated >= edge for edge in BANDS) - 1


def shares(counts: tuple[tuple[int, int], ...], overall: float) -> tuple[float, ...]:
    """Share right per band, from (right, all) counts; never falling with the stated weight.

    Posterior means of a Beta prior: a band leans on its kind, the kind on all kinds (`overall`);
    where a higher band did worse than a lower one, both are pooled (pool adjacent violators,
    R. E. Barlow et al., Statistical Inference under Order Restrictions, 1972).
    """
    right, total = (sum(column) for column in zip(*counts, strict=True))
    kind = (right + PRIOR_CASES * overall) / (total + PRIOR_CASES)
    blocks = [
        [(r + PRIOR_CASES * kind) / (n + PRIOR_CASES), n + PRIOR_CASES, 1.0] for r, n in counts
    ]
    while (
        low := next((i for i, (a, b) in enumerate(pairwise(blocks)) if a[0] > b[0]), None)
    ) is not None:
        a, b = blocks[low], blocks.pop(low + 1)
        cases = a[1] + b[1]
        blocks[low] = [(a[0] * a[1] + b[0] * b[1]) / cases, cases, a[2] + b[2]]
    return tuple(
        min(max(share, LEAST), MOST) for share, _, width in blocks for _ in range(int(width))
    )


def table(counts: dict[Kind, tuple[tuple[int, int], ...]]) -> dict[Kind, tuple[float, ...]]:
    """Shares right of every kind counted."""
    bands = [pair for kind in counts.values() for pair in kind]
    right, total = sum(r for r, _ in bands), sum(n for _, n in bands)
    overall = (right + 1.0) / (total + 2.0)
    return {kind: shares(own, overall) for kind, own in counts.items()}


TABLE = table(COUNTS)


def calibrated(finding: Finding) -> Finding:
    """The finding with its confidence as it has proved, and its causes weighted to match."""
    known = TABLE.get(finding.kind)
    if finding.presence is not Presence.YES or known is None:
        return finding
    sure = known[band(finding.confidence)]
    return replace(finding, confidence=sure, causes=_causes(finding, sure))


def _causes(finding: Finding, sure: float) -> tuple[tuple[Kind, float], ...]:
    """This kind with its confidence; the others share the rest as the detector weighed them."""
    others = [(k, w) for k, w in finding.causes if k is not finding.kind and w > 0.0]
    total = sum(w for _, w in others)
    if not total:
        return ((finding.kind, 1.0),)
    rest = 1.0 - sure
    return ((finding.kind, sure), *((k, w / total * rest) for k, w in others))
