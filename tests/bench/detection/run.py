"""The detection benchmark: `python tests/bench/detection/run.py --seeds 20 [--write]`.

Prints, per kind and with and without demand and air: share told within the draws allowed (one for
the four core kinds, else three) with its 95 % Wilson interval, median delay, right side, alarms of
other kinds, false alarms before the onset; the two general detectors beside it; then normal life
with alarms per pump-month and their 95 % Poisson interval. Judge-families unless --choose.
"""

import argparse
import json
import sys
from collections import Counter
from multiprocessing import Pool
from pathlib import Path
from statistics import median

from cases import CHOOSE, CORE, JUDGE, Case, cases, record
from general import forest, thresholds
from life import Calm, calm
from scipy.stats import chi2
from score import Score, deadline, judge, right_side
from statsmodels.stats.proportion import proportion_confint

from monitor.advice.kinds import Kind

BASELINE = Path(__file__).parent / "baseline.json"
KINDS = tuple(k for k in Kind if k not in (Kind.NODE_SILENT, Kind.UNUSUAL))
LIFE = ("healthy", "saturday", "cold morning", "set point", "drum swap", "pump change")
LIFE_MORE = ("quiet nights", "chatter", "network gaps", "clock change", "rare bay")
MONTH_DAYS = 30.0


def one(job: tuple[Case, bool]) -> tuple[Score, bool, bool, bool, bool]:
    """A case scored, with what the general detectors make of it."""
    case, fitted = job
    recording = record(case)
    until = deadline(case, recording)
    return (judge(case, fitted=fitted), *forest(recording, until), *thresholds(recording, until))


def rows(results: list[tuple[Score, bool, bool, bool, bool]]) -> list[dict[str, object]]:
    """One row per kind and fitting."""
    out = []
    for kind in KINDS:
        for fitted in (False, True):
            own = [r for r in results if r[0].case.kind == kind and r[0].fitted is fitted]
            if own:
                out.append(row(kind, own, fitted=fitted))
    return out


def row(
    kind: Kind, own: list[tuple[Score, bool, bool, bool, bool]], *, fitted: bool
) -> dict[str, object]:
    scores = [r[0] for r in own]
    hits = [s for s in scores if s.detected]
    low, high = proportion_confint(len(hits), len(scores), method="wilson")
    return {
        "kind": str(kind),
        "fitted": fitted,
        "n": len(scores),
        "told": len(hits),
        "low": round(low, 3),
        "high": round(high, 3),
        "side": sum(right_side(s) for s in scores),
        "delay_draws": median(s.delay_draws or 0 for s in hits) if hits else None,
        "delay_s": round(median(s.delay_s or 0.0 for s in hits), 1) if hits else None,
        "others": dict(Counter(k for s in scores for k in s.others)),
        "early": sum(bool(s.early) for s in scores),
        "forest": sum(r[1] for r in own),
        "forest_early": sum(r[2] for r in own),
        "fixed": sum(r[3] for r in own),
        "fixed_early": sum(r[4] for r in own),
    }


def show(table: list[dict[str, object]]) -> None:
    """Print the table."""
    out = sys.stdout.write
    out(
        "kind                     fitted  told (95 % Wilson)    side  delay       early "
        " forest(early) fixed(early)  other kinds\n"
    )
    for r in table:
        share = f"{r['told']}/{r['n']} ({r['low']:.2f} to {r['high']:.2f})"
        delay = "-" if r["delay_s"] is None else f"{r['delay_draws']:.0f} / {r['delay_s']} s"
        out(
            f"{r['kind']:24s} {'yes' if r['fitted'] else 'no':6s}  {share:21s} {r['side']}/{r['n']}"
            f"  {delay:12s} {r['early']:3d}   {r['forest']:3d} ({r['forest_early']:2d})   "
            f"{r['fixed']:3d} ({r['fixed_early']:2d})   {r['others'] or ''}\n"
        )


def show_life(results: list[Calm]) -> dict[str, object]:
    """Print normal life; give the totals."""
    out = sys.stdout.write
    for c in results:
        out(f"{c.name:14s} {c.seed}  {c.days:.1f} d  {c.cpu_s:5.1f} s CPU  {c.alarms or 'none'}\n")
    days = sum(c.days for c in results)
    n = sum(sum(c.alarms.values()) for c in results)
    low = chi2.ppf(0.025, 2 * n) / 2 if n else 0.0
    high = chi2.ppf(0.975, 2 * n + 2) / 2
    per = MONTH_DAYS / days
    out(
        f"{n} false alarms in {days:.0f} pump-days: {n * per:.2f} a pump-month "
        f"(95 % Poisson {low * per:.2f} to {high * per:.2f})\n"
    )
    return {"alarms": n, "days": round(days, 1)}


def main() -> None:
    """Run and print; --write replaces the committed baseline."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=12)
    parser.add_argument("--rate", type=float, default=20.0)
    parser.add_argument("--choose", action="store_true")
    parser.add_argument("--first", type=int, help="first family of others than the judged ones")
    parser.add_argument("--core", action="store_true")
    parser.add_argument("--life", type=int, default=2, help="seeds per item of normal life")
    parser.add_argument("--write", action="store_true")
    args = parser.parse_args()
    families = CHOOSE if args.choose else JUDGE
    if args.first is not None:
        families = tuple(range(args.first, args.first + args.seeds))
    kinds = CORE if args.core else KINDS
    jobs = [
        (c, fitted)
        for c in cases(kinds, families[: args.seeds], args.rate)
        for fitted in (False, True)
        if fitted or c.kind is not Kind.NO_FLOW
    ]
    with Pool(2) as pool:
        table = rows(pool.map(one, jobs, chunksize=4))
        show(table)
        scenes = [(n, s) for n in LIFE + LIFE_MORE for s in range(5000, 5000 + args.life)]
        life = show_life(pool.map(calm, scenes, chunksize=1)) if scenes else {}
    if args.write:
        text = {"rate_hz": args.rate, "seeds": args.seeds, "rows": table, "life": life}
        BASELINE.write_text(json.dumps(text, indent=1) + "\n")


if __name__ == "__main__":
    main()
