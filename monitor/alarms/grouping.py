"""One trouble, one alarm: consequences stand under their cause, members under their supply.

Suppression by design after ANSI/ISA-18.2: it is decided by logic, it hides consequences and
never the alarm that names the cause. What follows from what stands in the records.
"""

from collections.abc import Collection, Mapping, Sequence

from monitor.advice.kinds import SIDE, Kind, Side
from monitor.advice.records import record
from monitor.alarms.types import tag
from monitor.detectors.finding import Finding, Presence
from monitor.site import Site

_SHORT_OF_AIR = frozenset({Kind.LOW_AIR, Kind.AIR_SAG})
"""A weak supply shows as the one at rest and as the other in use. High air is never among them:
it is a matter of one regulator, and it can hurt."""
_AIR_KINDS = frozenset(kind for kind, side in SIDE.items() if side is Side.AIR)


class Family:
    """Who stands under whom: pumps under their air supply and their node."""

    def __init__(self, parents: Mapping[str, tuple[str, ...]] | None = None) -> None:
        self._parents = dict(parents or {})
        self._known: dict[tuple[str, Kind], tuple[str, ...]] = {}

    @classmethod
    def of(cls, site: Site) -> "Family":
        """The family of a site: 'air:<supply>' and 'node:<node>' over each pump."""
        return cls({p.id: (f"air:{p.air_supply}", f"node:{p.node}") for p in site.pumps})

    def causes(self, subject: str, kind: Kind) -> tuple[str, ...]:
        """Tags of the alarms that, while active, take this one under them; nearest last."""
        key = (subject, kind)
        if key not in self._known:
            self._known[key] = tuple(self._find(subject, kind))
        return self._known[key]

    def _find(self, subject: str, kind: Kind) -> list[str]:
        brought_about_by = record(kind).suppressed_by
        shared = {kind, *(cause for cause in brought_about_by if cause in _AIR_KINDS)}
        if kind in _SHORT_OF_AIR:
            shared |= _SHORT_OF_AIR
        parents = self._parents.get(subject, ())
        found = [tag(parent, cause) for parent in parents for cause in Kind if cause in shared]
        return found + [tag(subject, cause) for cause in brought_about_by]

    def silence(self, findings: Sequence[Finding], silent: Collection[str]) -> list[Finding]:
        """What the silence of pumps says about their nodes: more than half of two or more.

        findings: what was just heard; silent: the pumps already known to be silent.
        """
        heard = {f.subject: f for f in findings if f.kind is Kind.NODE_SILENT}
        now_silent = {s for s in silent if s not in heard}
        now_silent |= {s for s, f in heard.items() if f.presence is Presence.YES}
        found = []
        for node in sorted({n for s in heard for n in self._nodes(s)}):
            members = [s for s, above in self._parents.items() if node in above]
            quiet = [s for s in members if s in now_silent]
            down = len(quiet) >= 2 and 2 * len(quiet) > len(members)
            said = [heard[s] for s in members if s in heard]
            latest = max(said, key=lambda f: f.since_ts)
            found.append(
                Finding(
                    node,
                    Kind.NODE_SILENT,
                    Presence.YES if down else Presence.NO,
                    max(f.ts for f in said),
                    latest.since_ts,
                    latest.confidence if down else 0.0,
                    latest.severity if down else 0.0,
                    f"Nothing is heard from {len(quiet)} of {len(members)} pumps of this node."
                    if down
                    else "",
                )
            )
        return found

    def _nodes(self, subject: str) -> list[str]:
        return [p for p in self._parents.get(subject, ()) if p.startswith("node:")]
