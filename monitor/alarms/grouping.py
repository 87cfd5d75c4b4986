"""One trouble, one alarm: consequences stand under their cause, members under their supply.

Suppression by design after ANSI/ISA-18.2: it is decided by logic, it hides consequences and
never the alarm that names the cause. What follows from what stands in the records.
"""

from collections.abc import Mapping

from monitor.advice.kinds import SIDE, Kind, Side
from monitor.advice.records import record
from monitor.alarms.types import tag
from monitor.site import Site

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
        if kind in _AIR_KINDS:
            shared |= _AIR_KINDS
        parents = self._parents.get(subject, ())
        found = [tag(parent, cause) for parent in parents for cause in Kind if cause in shared]
        return found + [tag(subject, cause) for cause in brought_about_by]
