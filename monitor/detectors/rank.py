"""Competing findings of one event weighed into one: consequences go under their cause.

Order: is the sensor true? Is the air right? Is there liquid? Then the outlet, then patterns. A
finding under another one is not raised by itself; it stays among the causes, with its weight.
"""

from dataclasses import replace

from monitor.advice.kinds import Kind
from monitor.detectors.confidence import calibrated
from monitor.detectors.finding import Finding, Presence

RACING = (Kind.MISSED_PRIME, Kind.DRUM_EMPTY, Kind.AIRLOCK)
PATTERNS = (
    Kind.AIR_SAG,
    Kind.RESTRICTED_SUCTION,
    Kind.ICING,
    Kind.AIR_IN_SUCTION,
    Kind.BALL_LEAK,
    Kind.DIAPHRAGM,
    Kind.WORN,
    Kind.LOST_PRIME,
)
EXPLAINS: dict[Kind, tuple[Kind, ...]] = {
    Kind.PRESSURE_SENSOR: (
        Kind.LOW_AIR,
        Kind.HIGH_AIR,
        Kind.AIR_VALVE_STALLED,
        Kind.NO_DEMAND,
        Kind.NO_FLOW,
        Kind.STROKE_COUNTER,
        *RACING,
        *PATTERNS,
    ),
    Kind.STROKE_COUNTER: (Kind.NO_DEMAND, Kind.NO_FLOW, *RACING, *PATTERNS),
    Kind.NO_DEMAND: (Kind.WORN,),
    Kind.LOW_AIR: (Kind.AIRLOCK, *PATTERNS),
    Kind.HIGH_AIR: (Kind.AIRLOCK, *PATTERNS),
    Kind.AIR_VALVE_STALLED: (Kind.LOW_AIR, Kind.NO_DEMAND, Kind.AIRLOCK, *PATTERNS),
    Kind.MISSED_PRIME: (Kind.LOW_AIR, Kind.AIR_VALVE_STALLED, Kind.NO_DEMAND, *PATTERNS),
    Kind.DRUM_EMPTY: (Kind.LOW_AIR, Kind.AIRLOCK, Kind.NO_DEMAND, *PATTERNS),
    Kind.DIAPHRAGM: (Kind.AIRLOCK, Kind.BALL_LEAK, Kind.AIR_IN_SUCTION, Kind.WORN),
    Kind.LOST_PRIME: (
        Kind.AIR_IN_SUCTION,
        Kind.AIRLOCK,
        Kind.WORN,
        Kind.BALL_LEAK,
        Kind.DIAPHRAGM,
    ),
    Kind.AIR_IN_SUCTION: (Kind.AIRLOCK, Kind.WORN, Kind.BALL_LEAK),
    Kind.AIRLOCK: (Kind.NO_DEMAND, *PATTERNS),
    Kind.ICING: (Kind.AIR_SAG, Kind.RESTRICTED_SUCTION),
    Kind.BALL_LEAK: (Kind.WORN, Kind.AIR_IN_SUCTION),
}
"""Cause -> what it brings with it and therefore silences in the same event."""

OTHER_NAME: dict[Kind, Kind] = {
    Kind.AIR_SAG: Kind.RESTRICTED_SUCTION,
    Kind.RESTRICTED_SUCTION: Kind.AIR_SAG,
}
"""Two readings of one fall of pressure: whichever is told ends the other."""

MARGIN = 0.1
"""Of confidence (chosen): one matter keeps its name unless another is plainly surer."""


def rank(findings: list[Finding], standing: frozenset[Kind] = frozenset()) -> list[Finding]:
    """Findings of one event without those that another one, now or standing, explains.

    A silenced YES is dropped (neither raises nor clears); it is added to the causes of the one
    that explains it. NO findings pass. Rules are weighed by what they state; what is told is the
    share of such statements that proved right.
    """
    yes = {f.kind: f for f in findings if f.presence is Presence.YES}
    out: list[Finding] = []
    for finding in findings:
        if finding.presence is not Presence.YES:
            out.append(finding)
            continue
        over = [k for k in (*yes, *standing) if _over(k, finding, yes, standing)]
        if over and finding.kind not in standing:
            continue
        under = [yes[k] for k in EXPLAINS.get(finding.kind, ()) if k in yes]
        out.append(calibrated(_with_causes(finding, under)))
    return out


def settled(findings: list[Finding], standing: frozenset[Kind]) -> list[Finding]:
    """NO findings for what stood before and is explained by what is newly told: one matter, one
    alarm, under the name that says most."""
    out: list[Finding] = []
    for new in findings:
        if new.presence is not Presence.YES or new.kind in standing or new.kind is Kind.UNUSUAL:
            continue
        for kind in standing:
            ended = (*EXPLAINS.get(new.kind, ()), OTHER_NAME.get(new.kind), Kind.UNUSUAL)
            if kind in ended:
                out.append(Finding(new.subject, kind, Presence.NO, new.ts, new.since_ts))
    return out


def _over(
    kind: Kind, finding: Finding, yes: dict[Kind, Finding], standing: frozenset[Kind]
) -> bool:
    """Does kind silence the finding? Where each explains the other, the surer one stays, and what
    was told before gives way only to what is surer by MARGIN."""
    if finding.kind not in EXPLAINS.get(kind, ()):
        return False
    other = yes.get(kind)
    if kind not in EXPLAINS.get(finding.kind, ()) or other is None:
        return True
    margin = MARGIN if kind in standing and finding.kind not in standing else 0.0
    return (other.confidence + margin, str(kind)) > (finding.confidence, str(finding.kind))


def _with_causes(finding: Finding, under: list[Finding]) -> Finding:
    """The finding with its alternatives ranked; weights sum to 1."""
    weights: dict[Kind, float] = dict(finding.causes)
    for other in under:
        weights[other.kind] = max(weights.get(other.kind, 0.0), 0.3 * other.confidence)
    total = sum(weights.values()) or 1.0
    first = weights.pop(finding.kind, finding.confidence)
    rest = sorted(weights.items(), key=lambda kv: -kv[1])
    causes = ((finding.kind, first / total), *((k, w / total) for k, w in rest if w > 0.0))
    return replace(finding, causes=causes)
