"""The same cases at other sample rates: is a verdict changed beyond chance?

10 Hz is every second sample of the 20 Hz recording, so each pair differs in nothing else; 50 Hz
is simulated anew with the same pump, draws and fault, so its noise differs, too. Verdicts that
changed are compared by the exact test of the discordant pairs (McNemar).
"""

from collections.abc import Sequence
from dataclasses import dataclass

from scipy.stats import binomtest
from score import Score, right_side
from table import KINDS, Report, Result, Row

from monitor.advice.kinds import Kind

BASE_HZ = 20.0


@dataclass(frozen=True, slots=True)
class Pair:
    """One kind at one rate beside 20 Hz, over the same cases."""

    kind: Kind
    rate_hz: float
    n: int
    told: int
    base: int
    side: int
    base_side: int
    lost: tuple[str, ...]
    won: tuple[str, ...]

    @property
    def chance(self) -> float:
        """How likely as uneven a change is by chance alone."""
        n = len(self.lost) + len(self.won)
        return float(binomtest(len(self.lost), n).pvalue) if n else 1.0


def pairs(results: Sequence[Result], rates: Sequence[float]) -> list[Pair]:
    """Every kind at every rate but the base, without and with channels together."""
    found = {key(r.score): r.score for r in results}
    out = []
    for rate in rates:
        for kind in KINDS:
            both = [
                (found[k], s)
                for r in results
                if (s := r.score).case.kind == kind
                and s.case.rate_hz == rate
                and (k := (BASE_HZ, *key(s)[1:])) in found
            ]
            if both and rate != BASE_HZ:
                out.append(pair(kind, rate, both))
    return out


def key(score: Score) -> tuple[float, str, int, str, bool]:
    """What makes two scores the same case, the rate first."""
    c = score.case
    return (c.rate_hz, str(c.kind), c.seed, c.variant, score.fitted)


def pair(kind: Kind, rate_hz: float, both: Sequence[tuple[Score, Score]]) -> Pair:
    """Compare the scores of one kind."""
    return Pair(
        kind,
        rate_hz,
        len(both),
        sum(b.detected for _, b in both),
        sum(a.detected for a, _ in both),
        sum(right_side(b) for _, b in both),
        sum(right_side(a) for a, _ in both),
        tuple(named(b) for a, b in both if a.detected and not b.detected),
        tuple(named(b) for a, b in both if b.detected and not a.detected),
    )


def named(score: Score) -> str:
    """A case that changed, and what is said of it now."""
    words = ", ".join(dict.fromkeys(str(f.kind) for f in score.yes)) or "nothing"
    return f"{score.case.id}{' fitted' if score.fitted else ''} -> {words}"


def show(found: Sequence[Pair], report: Report) -> list[Row]:
    """Print the comparison; the rows for the baseline."""
    report.say()
    report.say(
        "rate   kind                      told  (at 20 Hz)  side (at 20)  lost  won  "
        "p by chance   which"
    )
    for p in found:
        which = "; ".join([*(f"lost {c}" for c in p.lost), *(f"won {c}" for c in p.won)])
        report.say(
            f"{p.rate_hz:3.0f} Hz {p.kind:24s} {p.told:3d}/{p.n} ({p.base:3d})    "
            f"{p.side:3d} ({p.base_side:3d})    {len(p.lost):3d}  {len(p.won):3d}   "
            f"{p.chance:.2f}   {which}"
        )
    for rate in dict.fromkeys(p.rate_hz for p in found):
        own = [p for p in found if p.rate_hz == rate]
        lost, won = sum(len(p.lost) for p in own), sum(len(p.won) for p in own)
        chance = float(binomtest(lost, lost + won).pvalue) if lost + won else 1.0
        report.say(
            f"{rate:3.0f} Hz all kinds: {lost} lost, {won} won of {sum(p.n for p in own)}; "
            f"as uneven by chance {chance:.2f}"
        )
    return [
        {
            "kind": str(p.kind), "rate_hz": p.rate_hz, "n": p.n, "told": p.told, "at_20": p.base,
            "side": p.side, "lost": len(p.lost), "won": len(p.won),
        }
        for p in found
    ]  # fmt: skip
