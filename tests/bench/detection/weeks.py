"""A week of each kind as a tech reads it: `python tests/bench/detection/weeks.py OUT [kind ...]`.

One pump from Monday to Sunday at a wash of its own; the fault comes on Wednesday, is repaired and
logged on Friday, and the pump is sound again until the end. OUT gets one text a kind: the truth,
then every change of every alarm as it came, with what the screen would show beside it; SUMMARY.txt
gets one line a kind. --seed N takes other pumps. Recordings are kept in the benchmark's cache, so
a second run only detects.
"""

import argparse
import hashlib
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from multiprocessing import Pool
from pathlib import Path

import numpy as np
from cases import SIMULATOR, VARIANTS, cache, keep, site_of
from score import piece
from trust import Statement, Truth, judged

from edge.virtual import demand
from edge.virtual.life import OFFSET_S, SATURDAY_TS
from edge.virtual.run import Climate, Fitted, simulate
from edge.virtual.spec import Fault, PumpSpec, draw_family
from monitor.advice.kinds import SIDE, Kind
from monitor.advice.text import how_sure, quantity
from monitor.alarms.grouping import Family
from monitor.alarms.machine import AlarmMachine
from monitor.alarms.policy import default_policy
from monitor.alarms.types import Change
from monitor.detectors.finding import Finding, Presence
from monitor.detectors.watch import SiteWatch
from monitor.signals.types import Block
from monitor.units import DISPLAYS

DAY_S, HOUR_S = demand.DAY_S, 3600.0
MONDAY_TS = SATURDAY_TS - 5 * DAY_S
ONSET_TS = MONDAY_TS + 2 * DAY_S + 10.6 * HOUR_S
REPAIR_TS = MONDAY_TS + 4 * DAY_S + 14.0 * HOUR_S
END_TS = MONDAY_TS + 7 * DAY_S
MESSAGE_S = 60.0
ZONE = timezone(timedelta(seconds=OFFSET_S))
SLOWLY_S: dict[Kind, float] = {
    Kind.WORN: 36 * HOUR_S,
    Kind.RESTRICTED_SUCTION: 12 * HOUR_S,
    Kind.BALL_LEAK: 2 * HOUR_S,
    Kind.NO_DEMAND: 1 * HOUR_S,
}
"""Kinds that grow: over how long to moderate severity."""
REPAIRS: dict[Kind, str] = {
    Kind.LOST_PRIME: "foot valve cleaned",
    Kind.DRUM_EMPTY: "drum changed",
    Kind.MISSED_PRIME: "pump changed",
    Kind.BALL_LEAK: "seals",
    Kind.DIAPHRAGM: "pump changed",
    Kind.WORN: "seals",
}
"""What a tech writes into the work log after the repair; else nothing."""


@dataclass(frozen=True, slots=True)
class Week:
    """One week: the pump's family, the fault, and whether demand is wired."""

    kind: Kind
    variant: str
    seed: int
    pattern: str
    fitted: bool = False

    @property
    def name(self) -> str:
        """A file name."""
        words = f"{self.kind} {self.variant}".replace("/", " ").split()
        return "-".join([*words, str(self.seed)])

    @property
    def spec(self) -> PumpSpec:
        """The pump."""
        return draw_family(self.seed)

    @property
    def fault(self) -> Fault:
        """What happens to it."""
        ramp_s = SLOWLY_S.get(self.kind, 0.0)
        return Fault(str(self.kind), ONSET_TS, ramp_s, end_ts=REPAIR_TS, variant=self.variant)


def weeks(first: int, variants: dict[Kind, tuple[str, ...]]) -> list[Week]:
    """One week a kind and variant; washes take turns."""
    patterns = ("self-serve", "in-bay", "tunnel")
    out: list[Week] = []
    for kind in Kind:
        for variant in () if kind is Kind.UNUSUAL else variants.get(kind, ("",)):
            n = len(out)
            out.append(Week(kind, variant, first + n, patterns[n % 3], kind is Kind.NO_FLOW))
    return out


def recording(week: Week) -> Block:
    """The week as measured (demand only where fitted), from the cache where it is known."""
    fault, bays = week.fault, ("1", "2")
    draws = demand.draws(week.pattern, bays, (MONDAY_TS, END_TS), week.seed, OFFSET_S)
    text = f"{SIMULATOR}/week/{week.name}/{week.spec}/{fault}/{draws[:20]}/{len(draws)}"
    path = cache() / f"{hashlib.sha256(text.encode()).hexdigest()[:20]}.npz"
    if not path.exists():
        trace = simulate(
            week.spec, draws, [fault], t0_ts=MONDAY_TS, duration_s=END_TS - MONDAY_TS,
            seed=week.seed, fitted=Fitted(demand=week.fitted), climate=Climate(18.0, 8.0, OFFSET_S),
        )  # fmt: skip
        shut = np.empty(0) if trace.demand is None else trace.demand.astype(np.int8)
        p = trace.pressure_pa.astype(np.float32)
        keep(path, dt=trace.dt_s, p=p, s=trace.stroke_ts, d=shut)
    with np.load(path) as z:
        open_ = z["d"].astype(np.float64) if week.fitted else None
        return Block(MONDAY_TS, float(z["dt"]), z["p"].astype(np.float64), z["s"], open_)


def messages(week: Week, whole: Block) -> Iterator[Block]:
    """What the node sent, minute by minute."""
    n = round(MESSAGE_S / whole.dt_s)
    for lo in range(0, len(whole.pressure_pa), n):
        part = piece(whole, lo, min(lo + n, len(whole.pressure_pa)))
        silent = week.kind is Kind.NODE_SILENT and ONSET_TS <= part.t0_ts < REPAIR_TS
        if not silent:
            yield part


@dataclass(slots=True)
class Told:
    """What came of a week."""

    changes: list[Change]
    said: Counter[str]
    """Verdicts of YES that followed another verdict, by kind: chatter before the delays."""
    yes: dict[tuple[Kind, float, bool], Finding]
    """The first of each kind and stated confidence, before and after the onset."""


def watch(week: Week) -> Told:
    """The week through detectors and alarms, with the repair logged."""
    site = site_of(week.spec, fitted=False)
    if week.fitted:
        pump = site.pumps[0]
        sensors = pump.sensors.model_copy(update={"demand": True})
        site = site.model_copy(update={"pumps": (pump.model_copy(update={"sensors": sensors}),)})
    eyes = SiteWatch(site)
    machine = AlarmMachine(default_policy, site=site.id, family=Family.of(site))
    told, standing = Told([], Counter(), {}), dict[Kind, Presence]()
    work = [(REPAIR_TS + 300.0, REPAIRS[week.kind])] if week.kind in REPAIRS else []
    now_ts = MONDAY_TS
    for block in messages(week, recording(week)):
        while now_ts + MESSAGE_S < block.t0_ts:  # silence: time goes on without data
            now_ts += MESSAGE_S
            told.changes += machine.update(eyes.tick(now_ts).findings, now_ts)
        while work and work[0][0] <= block.t0_ts:
            eyes.note("p1", work[0][1], work.pop(0)[0])
        found = [*eyes.push("p1", block).findings, *eyes.tick(block.end_ts).findings]
        now_ts = block.end_ts
        count(told, standing, found)
        told.changes += machine.update(found, now_ts)
    return told


def count(told: Told, standing: dict[Kind, Presence], found: list[Finding]) -> None:
    """Tally each turn to YES."""
    for finding in found:
        if finding.presence is Presence.YES:
            key = (finding.kind, round(finding.confidence, 2), finding.ts > ONSET_TS)
            told.yes.setdefault(key, finding)
            told.said[str(finding.kind)] += standing.get(finding.kind) is not Presence.YES
        standing[finding.kind] = finding.presence


def statements(week: Week) -> list[Statement]:
    """What was said in a week, each kind and band once."""
    return judged(list(watch(week).yes.values()), truth_of(week), by_band=True)


def truth_of(week: Week) -> Truth:
    """What was wrong; an hour is given to notice the repair."""
    return Truth(week.kind, week.seed, ONSET_TS, REPAIR_TS + HOUR_S)


def stamp(ts: float | None) -> str:
    """Local weekday and time."""
    return "-" if ts is None else datetime.fromtimestamp(ts, UTC).astimezone(ZONE).strftime("%a %T")


def words(change: Change) -> str:
    """One change as it would be read, with what stands beside it."""
    alarm, show = change.after, DISPLAYS["us"]
    if alarm is None:
        return f"{stamp(change.ts)}  {change.what}"
    head = f"{stamp(change.ts)}  {change.what}: {alarm.kind} [{alarm.side}, {alarm.priority}]"
    note = f" ({change.note})" if change.note else ""
    if change.what.value not in ("raised", "repeated", "priority raised"):
        return head + note
    causes = ", ".join(f"{kind} {weight:.2f}" for kind, weight in alarm.causes)
    lines = [
        f"{head} x{alarm.count}, since {stamp(alarm.since_ts)}{note}",
        f"    {alarm.sentence}",
        f"    sure {alarm.confidence:.2f}: {how_sure(alarm)}  severity {alarm.severity:.2f}",
        f"    causes: {causes or '-'}",
    ]
    lines += [f"    {quantity(e, show)}" for e in alarm.evidence]
    return "\n".join(lines)


@dataclass(frozen=True, slots=True)
class Read:
    """A week as a person would sum it up. Times in s from the onset; kinds as raised."""

    week: Week
    text: str
    delay_s: float | None
    first: Kind | None
    wrong: tuple[str, ...]
    """Kinds of alarms other than the true one that came while it lasted."""
    outside: tuple[str, ...]
    """Alarms before the onset, and from an hour after the repair on."""
    repeats: int
    stands: tuple[str, ...]
    said: tuple[Statement, ...] = ()

    @property
    def line(self) -> str:
        """One line of the summary."""
        told = "never told" if self.delay_s is None else f"told after {self.delay_s / 60:.0f} min"
        first = "" if self.first is self.week.kind else f", first {self.first or 'nothing'}"
        parts = [f"{self.week.name:38s} {self.week.pattern:10s} {told}{first}"]
        parts += [f"also {', '.join(self.wrong)}"] if self.wrong else []
        parts += [f"outside the fault {', '.join(self.outside)}"] if self.outside else []
        parts += [f"{self.repeats} repeats"] if self.repeats else []
        parts += [f"still stands {', '.join(self.stands)}"] if self.stands else []
        return "; ".join(parts)


def read(week: Week) -> Read:
    """Watch one week and sum it up."""
    told = watch(week)
    came = [(c.ts, c.after.kind) for c in told.changes if c.what == "raised" and c.after]
    during = [(ts, kind) for ts, kind in came if ONSET_TS <= ts < REPAIR_TS + HOUR_S]
    own = [ts for ts, kind in during if kind == week.kind]
    last = {c.after.kind: c.after for c in told.changes if c.after}
    return Read(
        week,
        page(week, told),
        own[0] - ONSET_TS if own else None,
        during[0][1] if during else None,
        tuple(dict.fromkeys(str(kind) for _, kind in during if kind != week.kind)),
        tuple(str(kind) for ts, kind in came if (ts, kind) not in during),
        sum(c.what == "repeated" for c in told.changes),
        tuple(str(kind) for kind, alarm in last.items() if alarm.active),
        tuple(judged(list(told.yes.values()), truth_of(week))),
    )


def page(week: Week, told: Told) -> str:
    """The text of one week."""
    spec, show = week.spec, DISPLAYS["us"]
    head = [
        f"{week.kind} {week.variant or '(usual form)'}, side {SIDE[week.kind]}, family {week.seed},"
        f" {week.pattern}, demand {'wired' if week.fitted else 'not wired'}",
        f"pump of {spec.displacement_ml:.0f} mL, set {show.pressure(spec.set_pa)}, lift "
        f"{spec.lift_m:.1f} m; fault from {stamp(ONSET_TS)} to {stamp(REPAIR_TS)}, work logged: "
        f"{REPAIRS.get(week.kind, 'none')}",
        f"turns to yes before the delays: {dict(told.said) or 'none'}",
        "",
    ]
    return "\n".join([*head, *(words(c) for c in told.changes)]) + "\n"


def summary(found: list[Read]) -> str:
    """One line a week, and what they come to."""
    n = len(found)
    told = sum(r.delay_s is not None for r in found)
    first = sum(r.first is r.week.kind for r in found)
    side = sum(r.first is not None and SIDE[r.first] is SIDE[r.week.kind] for r in found)
    total = (
        f"{n} weeks: told {told}, first alarm of the right kind {first}, of the right side {side}; "
        f"{sum(len(r.wrong) for r in found)} other kinds beside the true one, "
        f"{sum(len(r.outside) for r in found)} alarms outside the fault, "
        f"{sum(r.repeats for r in found)} repeats, {sum(len(r.stands) for r in found)} still stand"
    )
    said = [s for r in found for s in r.said if s.kind is not Kind.NODE_SILENT]
    right, stated = sum(s.right for s in said), sum(s.sure for s in said)
    trust = f"{len(said)} kinds named, {stated:.1f} stated to be right, {right} were"
    return "\n".join([*(r.line for r in found), "", total, trust]) + "\n"


def main() -> None:
    """Write the pages and their summary."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("kinds", nargs="*", help="only these kinds")
    parser.add_argument("--seed", type=int, default=7000, help="family of the first week")
    parser.add_argument("--jobs", type=int, default=2)
    args = parser.parse_args()
    args.out.mkdir(parents=True, exist_ok=True)
    asked = [w for w in weeks(args.seed, VARIANTS) if not args.kinds or str(w.kind) in args.kinds]
    found = []
    with Pool(args.jobs) as pool:
        for got in pool.imap(read, asked):
            (args.out / f"{got.week.name}.txt").write_text(got.text)
            sys.stdout.write(got.line + "\n")
            sys.stdout.flush()
            found.append(got)
    (args.out / "SUMMARY.txt").write_text(summary(found))
    sys.stdout.write("\n".join(["", *summary(found).splitlines()[-2:], ""]))


if __name__ == "__main__":
    main()
