"""Pumps on one air supply that go wrong together: one finding about the air, not twelve.

An air fault is common-mode; suction and discharge faults are not. When most pumps of a supply
that have been judged lately show the same lack of air, and none was seen sound while another
already lacked it, the finding's subject is 'air:<supply>' and the pumps' own findings are held
back as its consequences.
"""

from dataclasses import dataclass, field

from monitor.advice.kinds import Kind
from monitor.detectors.confidence import MOST
from monitor.detectors.finding import Evidence, Finding, Presence
from monitor.site import Pump, Site
from monitor.units import PA_PER_PSI

MATTER: dict[Kind, Kind] = {
    Kind.LOW_AIR: Kind.LOW_AIR,
    Kind.HIGH_AIR: Kind.HIGH_AIR,
    Kind.AIR_SAG: Kind.AIR_SAG,
    Kind.RESTRICTED_SUCTION: Kind.AIR_SAG,
    Kind.ICING: Kind.ICING,
}
"""What a pump's own finding says of the supply when its neighbours say the same. Each pump has a
suction of its own, so that several restricted at once are short of air."""
LOOKALIKE = frozenset(k for k, matter in MATTER.items() if k is not matter)
WINDOW_S = 3600.0
"""Verdicts older than this do not count (chosen: every pump of a wash draws within the hour)."""
LEAST = 2
MOST_SHARE = 0.6
"""Of the pumps judged within the window, at least two (chosen: independent faults on two of three
pumps within the hour are rarer than one a year at one fault a pump-quarter)."""
CLEAR_SHARE = 0.4
"""Deadband of the share (chosen): under it the supply is right again."""
SLACK_S = 600.0
"""A sound verdict of a neighbour so long after a pump's first bad one parts the two (chosen: a
detector that wants two draws in a row is that far behind)."""
SOUND_SHARE, GAUGES_PA = 0.9, 2.0 * PA_PER_PSI
"""A pump that is not low on air gets this share of its set point at least (the deadband of low
air), as two transducers of 1 % of 150 psi tell it."""
ALIKE_SURE = 0.6
"""Chosen: cold that thickens every chemical looks the same on all suctions at once."""
ALIKE_WORDS = (
    ", each as a restricted suction shows; what they share is the air (unless all chemicals are "
    "cold and thick)."
)

ONE_MAIN_PA = 8.0 * PA_PER_PSI
"""Pumps short of one main all stall at what it gives, but for friction of 0.3 to 5 psi (computed)
and two such transducers."""


@dataclass(slots=True)
class Mark:
    """The last word of one pump on one matter.

    began_ts: when the present row of bad verdicts began. sound_ts: its last sound verdict that
    speaks for the supply, too. own: its bad findings now, empty when it is sound.
    """

    ts: float = float("-inf")
    began_ts: float = float("-inf")
    sound_ts: float = float("-inf")
    own: list[Finding] = field(default_factory=list)


@dataclass(slots=True)
class Siblings:
    """Keeps the last verdict of each pump on the shared matters and speaks for the supply."""

    site: Site
    _marks: dict[tuple[str, Kind], Mark] = field(default_factory=dict)
    _up: dict[tuple[str, Kind], bool] = field(default_factory=dict)
    """What supplies suffer; True once a pump has named it so itself."""
    _odd: dict[str, Finding] = field(default_factory=dict)
    """Pumps that are unusual and say no more."""
    _pump: dict[str, Pump] = field(default_factory=dict)
    _pumps: dict[str, list[str]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for pump in self.site.pumps:
            self._pump[pump.id] = pump
            self._pumps.setdefault(pump.air_supply, []).append(pump.id)

    @staticmethod
    def subject(supply: str) -> str:
        """How a supply is named as the subject of a finding."""
        return f"air:{supply}"

    def low_neighbours(self, pump_id: str, kind: Kind, now_ts: float) -> int:
        """How many other pumps of the same supply show this matter now."""
        bad = self._bad(self._pump[pump_id].air_supply, MATTER[kind], now_ts)
        return len(bad.keys() - {pump_id})

    def weigh(self, findings: list[Finding]) -> list[Finding]:
        """Findings of one pump's event; those that the supply explains become one of its own."""
        out: list[Finding] = []
        shared: dict[Kind, list[Finding]] = {}
        for finding in findings:
            matter = MATTER.get(finding.kind)
            if matter is None or finding.subject not in self._pump:
                out.append(finding)
                self._note_odd(finding)
            else:
                shared.setdefault(matter, []).append(finding)
        for matter, said in shared.items():
            out.extend(self._judge(matter, said))
        return [f for f in out if not self._held(f)]

    def _note_odd(self, finding: Finding) -> None:
        """'Unusual' may only be the first sign of what the supply will be found to suffer."""
        if finding.kind is Kind.UNUSUAL and finding.presence is Presence.YES:
            self._odd[finding.subject] = finding
        elif finding.kind is Kind.UNUSUAL:
            self._odd.pop(finding.subject, None)

    def _held(self, finding: Finding) -> bool:
        """While the supply is in trouble, what its pumps say of their air is a consequence."""
        pump = self._pump.get(finding.subject)
        if pump is None or finding.presence is not Presence.YES:
            return False
        if finding.kind not in MATTER and finding.kind is not Kind.UNUSUAL:
            return False
        return any(supply == pump.air_supply for supply, _ in self._up)

    def _judge(self, matter: Kind, said: list[Finding]) -> list[Finding]:
        """What one pump says on one matter, for itself or for its supply."""
        pump, now_ts = self._pump[said[0].subject], said[0].ts
        self._note(pump, matter, said)
        supply, key = pump.air_supply, (pump.air_supply, matter)
        bad = self._bad(supply, matter, now_ts)
        judged = len(bad) + self._sound(supply, matter, now_ts, bad)
        passed = [f for f in said if f.presence is not Presence.YES]
        if key in self._up:
            if len(bad) >= LEAST and len(bad) >= CLEAR_SHARE * judged:
                return [self._supply_yes(matter, said[0], bad, judged), *passed]
            del self._up[key]
            return [Finding(self.subject(supply), matter, Presence.NO, now_ts, now_ts), *said]
        if len(bad) < LEAST or len(bad) < MOST_SHARE * judged or not together(bad, matter):
            return said
        self._up[key] = False
        others = [f for p, mark in bad.items() if p != pump.id for f in mark.own]
        others += [self._odd.pop(p) for p in self._pumps[supply] if p in self._odd]
        # The pumps' own alarms go under the supply's; in a recording's long blocks one pump may
        # have spoken of a later moment before its neighbour was heard.
        ends = [max(now_ts, f.ts) for f in others]
        cleared = [
            Finding(f.subject, f.kind, Presence.NO, end, end)
            for f, end in zip(others, ends, strict=True)
        ]
        return [self._supply_yes(matter, said[0], bad, judged), *cleared, *passed]

    def _note(self, pump: Pump, matter: Kind, said: list[Finding]) -> None:
        """Remember what this pump says now."""
        mark = self._marks.setdefault((pump.id, matter), Mark())
        own = [f for f in said if f.presence is Presence.YES]
        mark.ts = said[0].ts
        if own and not mark.own:
            mark.began_ts = mark.ts
        if not own and self._says(pump, matter, mark.ts):
            mark.sound_ts = mark.ts
        mark.own = own

    def _says(self, pump: Pump, matter: Kind, now_ts: float) -> bool:
        """Does a sound verdict of this pump speak for the supply?

        Where others are low on air, a pump of a lower set point is content with what they get.
        """
        if matter is not Kind.LOW_AIR:
            return True
        known = given(self._bad(pump.air_supply, matter, now_ts))
        return not known or max(known) < SOUND_SHARE * pump.air_set_pa - GAUGES_PA

    def _bad(self, supply: str, matter: Kind, now_ts: float) -> dict[str, Mark]:
        """The pumps of a supply that show the matter now."""
        marks = {p: self._marks.get((p, matter)) for p in self._pumps[supply]}
        return {p: m for p, m in marks.items() if m and m.own and now_ts - m.ts <= WINDOW_S}

    def _sound(self, supply: str, matter: Kind, now_ts: float, bad: dict[str, Mark]) -> int:
        """How many were found sound since the first bad verdict, within the window."""
        since = min((m.began_ts for m in bad.values()), default=now_ts)
        since = max(since, now_ts - WINDOW_S)
        marks = [self._marks.get((p, matter)) for p in self._pumps[supply] if p not in bad]
        return sum(m is not None and m.sound_ts >= since for m in marks)

    def _supply_yes(
        self, matter: Kind, finding: Finding, bad: dict[str, Mark], judged: int
    ) -> Finding:
        names, supply = ", ".join(sorted(bad)), self._pump[finding.subject].air_supply
        own = [f for mark in bad.values() for f in mark.own]
        key = (supply, matter)
        self._up[key] = self._up[key] or any(f.kind not in LOOKALIKE for f in own)
        alike = not self._up[key]
        sure = ALIKE_SURE if alike else min(MOST, max(f.confidence for f in own) + 0.1)
        rest = ((Kind.RESTRICTED_SUCTION, 1.0 - sure),) if alike else ()
        return Finding(
            subject=self.subject(supply),
            kind=matter,
            presence=Presence.YES,
            ts=finding.ts,
            since_ts=min(f.since_ts for f in own),
            confidence=sure,
            severity=max(f.severity for f in own),
            sentence=f"{str(matter).capitalize()} on the air supply '{supply}': {len(bad)} of "
            f"{judged} pumps judged show it ({names})" + (ALIKE_WORDS if alike else "."),
            evidence=(Evidence("pumps that show it", float(len(bad)), "", 0.0, 1.0),),
            causes=((matter, sure if rest else 1.0), *rest),
        )


def given(bad: dict[str, Mark]) -> list[float]:
    """What the main gives by the pumps that are low on air, Pa."""
    found = (e for mark in bad.values() for f in mark.own for e in f.evidence)
    return [e.value for e in found if e.unit == "Pa" and e.value is not None]


def together(bad: dict[str, Mark], matter: Kind) -> bool:
    """Can one cause have begun all? None was sound while another already lacked air, and what
    low pumps get is the same for all.
    """
    got = given(bad) if matter is Kind.LOW_AIR else []
    if got and max(got) - min(got) > ONE_MAIN_PA:
        return False
    last_sound = max(mark.sound_ts for mark in bad.values())
    return last_sound <= min(mark.began_ts for mark in bad.values()) + SLACK_S
