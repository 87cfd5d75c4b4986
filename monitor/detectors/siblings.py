"""Pumps on one air supply that go wrong together: one finding about the air, not twelve.

An air fault is common-mode; suction and discharge faults are not. When most pumps of a supply
that have been judged lately say low air, high air or air sag, the finding's subject is
'air:<supply>' and the pumps' own findings are held back as its consequences.
"""

from dataclasses import dataclass, field

from monitor.advice.kinds import Kind
from monitor.detectors.finding import Evidence, Finding, Presence
from monitor.site import Site

SHARED = (Kind.LOW_AIR, Kind.HIGH_AIR, Kind.AIR_SAG, Kind.ICING)
WINDOW_S = 3600.0
"""Verdicts older than this do not count (chosen: every pump of a wash draws within the hour)."""
LEAST = 2
MOST_SHARE = 0.6
"""Of the pumps judged within the window, at least two (chosen: independent faults on two of three
pumps within the hour are rarer than one a year at one fault a pump-quarter)."""


@dataclass(slots=True)
class Siblings:
    """Keeps the last verdict of each pump on the shared kinds and speaks for the supply."""

    site: Site
    _last: dict[tuple[str, Kind], tuple[float, Finding]] = field(default_factory=dict)
    _up: set[tuple[str, Kind]] = field(default_factory=set)
    _supply: dict[str, str] = field(default_factory=dict)
    _pumps: dict[str, list[str]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for pump in self.site.pumps:
            self._supply[pump.id] = pump.air_supply
            self._pumps.setdefault(pump.air_supply, []).append(pump.id)

    @staticmethod
    def subject(supply: str) -> str:
        """How a supply is named as the subject of a finding."""
        return f"air:{supply}"

    def low_neighbours(self, pump_id: str, kind: Kind, now_ts: float) -> int:
        """How many other pumps of the same supply say yes to this kind now."""
        return sum(
            self._yes(other, kind, now_ts)
            for other in self._pumps[self._supply[pump_id]]
            if other != pump_id
        )

    def _yes(self, pump_id: str, kind: Kind, now_ts: float) -> bool:
        got = self._last.get((pump_id, kind))
        return got is not None and now_ts - got[0] <= WINDOW_S and got[1].presence is Presence.YES

    def weigh(self, findings: list[Finding]) -> list[Finding]:
        """Findings of one pump's event; those that the supply explains become one of its own."""
        out: list[Finding] = []
        for finding in findings:
            if finding.kind not in SHARED or finding.subject not in self._supply:
                out.append(finding)
                continue
            supply = self._supply[finding.subject]
            self._last[(finding.subject, finding.kind)] = (finding.ts, finding)
            common = self._common(supply, finding)
            if common is None:
                out.append(finding)
                continue
            out.extend(common)
        return out

    def _common(self, supply: str, finding: Finding) -> list[Finding] | None:
        """What the supply says, or None when it is the pump's own matter."""
        kind, now = finding.kind, finding.ts
        judged = {
            p: f
            for p in self._pumps[supply]
            if (got := self._last.get((p, kind))) is not None
            and now - got[0] <= WINDOW_S
            and (f := got[1])
        }
        yes = [f for f in judged.values() if f.presence is Presence.YES]
        key = (supply, kind)
        enough = len(yes) >= LEAST and len(yes) >= MOST_SHARE * len(judged)
        if enough:
            first = key not in self._up
            self._up.add(key)
            said = [self._supply_yes(supply, finding, yes, len(judged))]
            if first:  # the pumps' own alarms go under the supply's
                said += [self._cleared(f, now) for f in yes if f.subject != finding.subject]
            if finding.presence is Presence.NO:
                said.append(finding)
            return said
        if key in self._up and len(yes) < MOST_SHARE * len(judged):
            self._up.discard(key)
            gone = Finding(self.subject(supply), kind, Presence.NO, now, now)
            return [gone, finding]
        return None

    def _cleared(self, finding: Finding, now: float) -> Finding:
        return Finding(finding.subject, finding.kind, Presence.NO, now, now)

    def _supply_yes(
        self, supply: str, finding: Finding, yes: list[Finding], judged: int
    ) -> Finding:
        names = ", ".join(sorted(f.subject for f in yes))
        kind = finding.kind
        return Finding(
            subject=self.subject(supply),
            kind=kind,
            presence=Presence.YES,
            ts=finding.ts,
            since_ts=min(f.since_ts for f in yes),
            confidence=min(0.99, max(f.confidence for f in yes) + 0.1),
            severity=max(f.severity for f in yes),
            sentence=f"{str(kind).capitalize()} on the air supply '{supply}': {len(yes)} of "
            f"{judged} pumps judged show it ({names}).",
            evidence=(Evidence("pumps that show it", float(len(yes)), "", 0.0, 1.0),),
            causes=((kind, 1.0),),
        )
