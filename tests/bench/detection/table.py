"""The table of kinds: one row a kind, rate and fitting, and what is printed of it."""

import sys
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from statistics import median

from cases import Case, record
from general import forest, thresholds
from score import Score, deadline, judge, right_side
from statsmodels.stats.proportion import proportion_confint

from monitor.advice.kinds import Kind

Row = dict[str, object]
KINDS = tuple(k for k in Kind if k not in (Kind.NODE_SILENT, Kind.UNUSUAL))


@dataclass(slots=True)
class Report:
    """What is printed is kept, to be committed as it was read."""

    text: list[str] = field(default_factory=list)

    def say(self, text: str = "") -> None:
        """Print and keep a line."""
        sys.stdout.write(text + "\n")
        sys.stdout.flush()
        self.text.append(text.rstrip())


@dataclass(frozen=True, slots=True)
class Result:
    """A case scored, with what the general detectors make of it: told after, cried before."""

    score: Score
    forest: tuple[bool, bool] = (False, False)
    fixed: tuple[bool, bool] = (False, False)


def one(job: tuple[Case, bool]) -> Result:
    """A case by our detectors and by the two general ones."""
    case, fitted = job
    recording = record(case)
    until = deadline(case, recording)
    score = judge(case, fitted=fitted)
    return Result(score, forest(recording, until), thresholds(recording, until))


def alone(job: tuple[Case, bool]) -> Result:
    """A case by our detectors only."""
    return Result(judge(job[0], fitted=job[1]))


def wilson(hits: int, n: int) -> tuple[float, float]:
    """95 % Wilson score interval of a share."""
    low, high = proportion_confint(hits, n, method="wilson")
    return round(float(low), 3), round(float(high), 3)


def rows(results: Sequence[Result]) -> list[Row]:
    """One row per kind and fitting."""
    out = []
    for kind in KINDS:
        for fitted in (False, True):
            own = [r for r in results if r.score.case.kind == kind and r.score.fitted is fitted]
            if own:
                out.append(row(kind, own, fitted=fitted))
    return out


def row(kind: Kind, own: Sequence[Result], *, fitted: bool) -> Row:
    """What came of one kind."""
    scores = [r.score for r in own]
    hits = [s for s in scores if s.detected]
    low, high = wilson(len(hits), len(scores))
    return {
        "kind": str(kind),
        "fitted": fitted,
        "n": len(scores),
        "told": len(hits),
        "low": low,
        "high": high,
        "side": sum(right_side(s) for s in scores),
        "delay_draws": median(s.delay_draws or 0 for s in hits) if hits else None,
        "delay_s": round(median(s.delay_s or 0.0 for s in hits), 1) if hits else None,
        "others": dict(Counter(k for s in scores for k in s.others)),
        "early": sum(bool(s.early) for s in scores),
        "forest": sum(r.forest[0] for r in own),
        "forest_early": sum(r.forest[1] for r in own),
        "fixed": sum(r.fixed[0] for r in own),
        "fixed_early": sum(r.fixed[1] for r in own),
    }


def show(table: Sequence[Row], report: Report) -> None:
    """Print the table."""
    report.say(
        "kind                     fitted  told (95 % Wilson)    side  delay       early "
        " forest(early) fixed(early)  other kinds"
    )
    for r in table:
        share = f"{r['told']}/{r['n']} ({r['low']:.2f} to {r['high']:.2f})"
        delay = "-" if r["delay_s"] is None else f"{r['delay_draws']:.0f} / {r['delay_s']} s"
        report.say(
            f"{r['kind']:24s} {'yes' if r['fitted'] else 'no':6s}  {share:21s} {r['side']}/{r['n']}"
            f"  {delay:12s} {r['early']:3d}   {r['forest']:3d} ({r['forest_early']:2d})   "
            f"{r['fixed']:3d} ({r['fixed_early']:2d})   {r['others'] or ''}"
        )
