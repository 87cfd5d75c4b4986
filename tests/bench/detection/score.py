"""Runs the detectors over a case and says what was told, when, and of which side."""

from dataclasses import dataclass

import numpy as np
from cases import CORE, Case, Recording, record, site_of

from monitor.advice.kinds import SIDE, Kind
from monitor.alarms.policy import default_policy
from monitor.detectors.finding import Finding, Presence
from monitor.detectors.watch import SiteWatch
from monitor.signals.types import Block

SETTLE_S = 20.0
"""Time after a draw's end within which its closing look may still speak."""


@dataclass(frozen=True, slots=True)
class Score:
    """One case judged. delay_draws counts draws begun since the onset, the present one included."""

    case: Case
    fitted: bool
    detected: bool
    delay_s: float | None
    delay_draws: int | None
    side: str
    first_kind: str
    others: tuple[str, ...]
    early: tuple[str, ...]
    """Kinds raised before the onset: false alarms."""
    onset_ts: float = 0.0
    yes: tuple[Finding, ...] = ()
    """What was said up to the deadline, the first of each kind and stated confidence."""


def findings(recording: Recording, *, fitted: bool) -> list[Finding]:
    """Everything said over a recording, taken in messages of one minute."""
    watch = SiteWatch(site_of(recording.spec, fitted=fitted))
    block = recording.block if fitted else recording.without()
    out: list[Finding] = []
    n = max(1, round(60.0 / block.dt_s))
    for lo in range(0, len(block.pressure_pa), n):
        hi = min(lo + n, len(block.pressure_pa))
        out.extend(watch.push("p1", piece(block, lo, hi)).findings)
    out.extend(watch.finish("p1").findings)
    return out


def piece(block: Block, lo: int, hi: int) -> Block:
    """Samples [lo, hi) of a block."""
    start, end = block.t0_ts + lo * block.dt_s, block.t0_ts + hi * block.dt_s
    a, b = np.searchsorted(block.stroke_ts, (start, end))
    return Block(
        start,
        block.dt_s,
        block.pressure_pa[lo:hi],
        block.stroke_ts[a:b],
        None if block.demand is None else block.demand[lo:hi],
        None if block.air_pa is None else block.air_pa[lo:hi],
    )


def deadline(case: Case, recording: Recording) -> float:
    """The end of the first (core) or third draw after the onset, with its settling."""
    after = [d for d in recording.draws if d[1] > recording.onset_ts]
    n = 1 if case.kind in CORE else 3
    return after[min(n, len(after)) - 1][1] + SETTLE_S


def judge(case: Case, *, fitted: bool) -> Score:
    """Score one case."""
    recording = record(case)
    said = findings(recording, fitted=fitted)
    onset, until = recording.onset_ts, deadline(case, recording)
    yes = [f for f in said if f.presence is Presence.YES]
    heard = [f for f in yes if raises(f)]
    early = tuple(sorted({str(f.kind) for f in heard if f.ts <= onset}))
    window = [f for f in heard if onset < f.ts <= until]
    own = [f for f in window if f.kind == case.kind]
    first = window[0] if window else None
    last_kinds = tuple(sorted({str(f.kind) for f in window if f.kind != case.kind}))
    draws = None
    if own:
        begun = [d for d in recording.draws if d[1] > onset and d[0] <= own[0].ts]
        draws = max(1, len(begun))
    return Score(
        case,
        fitted,
        bool(own),
        own[0].ts - onset if own else None,
        draws,
        str(SIDE[first.kind]) if first else "-",
        str(first.kind) if first else "-",
        last_kinds,
        early,
        onset,
        firsts([f for f in yes if f.ts <= until]),
    )


def raises(finding: Finding) -> bool:
    """Is it sure enough to call anybody?"""
    return finding.confidence >= default_policy(finding.kind).raise_confidence


def firsts(yes: list[Finding]) -> tuple[Finding, ...]:
    """The first of each kind and confidence."""
    seen: dict[tuple[str, float], Finding] = {}
    for f in yes:
        seen.setdefault((str(f.kind), round(f.confidence, 2)), f)
    return tuple(seen.values())


def right_side(score: Score) -> bool:
    """The first thing said after the onset names the side."""
    return score.side == str(SIDE[Kind(score.case.kind)])
