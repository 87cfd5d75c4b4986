"""The detection benchmark: `python tests/bench/detection/run.py --seeds 20 [--write]`.

Prints, per kind and with and without demand and air: share told within the draws allowed (one for
the four core kinds, else three) with its 95 % Wilson interval, median delay, right side, alarms of
other kinds, false alarms before the onset; the two general detectors beside it; then the parts
asked for by --only (all by default): the same at other sample rates, whole sites on one air
supply, how far stated confidences are right, quantities against truth, and normal life with
alarms per pump-month and their 95 % Poisson interval. Judge-families unless --choose.

`--calibrate` runs the choose-families and a week of each kind instead and writes what confidences
are drawn from.
"""

import argparse
import json
import sys
from multiprocessing import Pool
from multiprocessing.pool import Pool as Workers
from pathlib import Path

import quantities
import rates
import sites
import trust
import weeks
from cases import CHOOSE, CORE, JUDGE, VARIANTS, Case, cases
from life import LIFE, LIFE_MORE, calm, show_life
from table import KINDS, Report, Result, Row, alone, one, rows, show

from monitor.advice.kinds import Kind

HERE = Path(__file__).parent
BASELINE = HERE / "baseline.json"
RESULTS = HERE / "RESULTS.txt"
WEEKS_FROM = 7000
"""First family of the weeks that were looked at while rules were changed."""
WEEK_CASES = 8
"""Cases that a statement of a week counts for (chosen between 1 and the 35 by which recordings
outnumber weeks: so a pump is lived with, but one wrong word in 29 weeks must not settle a kind)."""
PARTS = ("kinds", "rates", "sites", "trust", "quantities", "life")


def jobs(
    families: tuple[int, ...], rate_hz: float = 20.0, kinds: tuple[Kind, ...] = KINDS
) -> list[tuple[Case, bool]]:
    """Every case of these families, without and with the optional channels."""
    return [
        (c, fitted)
        for c in cases(kinds, families, rate_hz)
        for fitted in (False, True)
        if fitted or c.kind is not Kind.NO_FLOW
    ]


def compare_rates(
    pool: Workers, asked: list[float], families: tuple[int, ...], base: list[Result]
) -> list[rates.Pair]:
    """The first families again at the other rates."""
    todo = [job for rate in asked if rate != rates.BASE_HZ for job in jobs(families, rate)]
    known = {(r.score.case.id, r.score.fitted) for r in base}
    todo += [(c, f) for c, f in jobs(families) if (c.id, f) not in known]
    return rates.pairs([*base, *pool.map(alone, todo, chunksize=4)], asked)


def arguments() -> argparse.Namespace:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=12)
    parser.add_argument("--rates", default="10,20,50", help="sample rates, Hz, the first is 20")
    parser.add_argument("--rate-seeds", type=int, default=5, help="families at the other rates")
    parser.add_argument("--choose", action="store_true")
    parser.add_argument("--first", type=int, help="first family of others than the judged ones")
    parser.add_argument("--core", action="store_true")
    parser.add_argument("--life", type=int, default=2, help="seeds per item of normal life")
    parser.add_argument("--life-first", type=int, default=5000, help="first family of normal life")
    parser.add_argument("--sites", type=int, default=4, help="whole sites per scene")
    parser.add_argument("--calibrate", action="store_true", help="count on the choose-families")
    parser.add_argument("--only", nargs="+", choices=PARTS, default=PARTS)
    parser.add_argument("--write", action="store_true", help="replace baseline.json, RESULTS.txt")
    args = parser.parse_args()
    if args.write and (args.core or "kinds" not in args.only):
        parser.error("--write replaces the whole baseline: it needs every kind")
    return args


def calibrate(families: tuple[int, ...]) -> None:
    """Count how often what rules state is right, and write the counts where they are used.

    Cases alone flatter: they end after five draws of trouble. So whole weeks are counted as well,
    in which there is time to say something else, and each for several cases.
    """
    whole = weeks.weeks(WEEKS_FROM, VARIANTS)
    with Pool(2, initializer=trust.unadjusted) as pool:
        results = pool.map(alone, jobs(families), chunksize=4)
        said = trust.statements([r.score for r in results], by_band=True)
        lived = [s for found in pool.imap(weeks.statements, whole) for s in found]
    trust.write(trust.count([*said, *lived * WEEK_CASES]), len(families))
    for statements in (said, lived):
        trust.show(statements, Report())


def head(families: tuple[int, ...], report: Report) -> None:
    """What was run, and how to read it."""
    report.say(f"Detection benchmark: python tests/bench/detection/run.py {' '.join(sys.argv[1:])}")
    report.say(
        f"families {families[0]} to {families[-1]}, 20 Hz unless said, moderate severity. told: "
        "the right kind, sure enough to call"
    )
    report.say(
        "somebody, within 1 draw (first four kinds) or 3; side: of the first thing said; early: "
        "recordings with any alarm before"
    )
    report.say(
        "the onset. forest, fixed: two general detectors (told, in brackets alarms before the "
        "onset); neither names a side."
    )
    report.say()


def main() -> None:
    """Run and print; --write replaces the committed figures."""
    args = arguments()
    if args.calibrate:
        calibrate(CHOOSE[: args.seeds])
        return
    report = Report()
    families = CHOOSE if args.choose else JUDGE
    if args.first is not None:
        families = tuple(range(args.first, args.first + args.seeds))
    head(families[: args.seeds], report)
    out: dict[str, object] = {"rate_hz": 20.0, "seeds": args.seeds}
    table: list[Row] = []
    base: list[Result] = []
    with Pool(2) as pool:
        if "kinds" in args.only:
            kinds = CORE if args.core else KINDS
            base = pool.map(one, jobs(families[: args.seeds], kinds=kinds), chunksize=4)
            table = rows(base)
            show(table, report)
        out["rows"] = table
        if "rates" in args.only:
            asked = [float(x) for x in args.rates.split(",")]
            found = compare_rates(pool, asked, families[: args.rate_seeds], base)
            out["rates"] = rates.show(found, report)
        if "sites" in args.only and args.sites:
            washes = sites.washes(range(3001, 3001 + args.sites))
            out["sites"] = sites.show(pool.map(sites.watch, washes, chunksize=1), report)
        if "trust" in args.only and base:
            out["trust"] = trust.show(trust.statements([r.score for r in base]), report)
        if "quantities" in args.only:
            asked_of = quantities.todo(families[: args.seeds])
            told = pool.map(quantities.measure, asked_of, chunksize=2)
            out["quantities"] = quantities.show(told, report)
        if "life" in args.only and args.life:
            at = args.life_first
            scenes = [(n, s) for n in LIFE + LIFE_MORE for s in range(at, at + args.life)]
            out["life"] = show_life(pool.map(calm, scenes, chunksize=1), report)
    if args.write:
        BASELINE.write_text(json.dumps(out, indent=1) + "\n")
        RESULTS.write_text("\n".join(report.text) + "\n")


if __name__ == "__main__":
    main()
