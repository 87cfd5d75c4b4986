"""One trouble, one alarm: consequences stand under their cause, members under their supply.

Suppression by design after ANSI/ISA-18.2: it is decided by logic, it hides consequences and
never the alarm that names the cause. What follows from what is the physics of the pump.
"""

from collections.abc import Mapping

from monitor.advice.kinds import SIDE, Kind, Side
from monitor.alarms.types import tag
from monitor.site import Site

_DRY = (Kind.LOST_PRIME, Kind.AIR_IN_SUCTION, Kind.RESTRICTED_SUCTION)
_UNFED = (Kind.AIR_SAG, Kind.AIR_VALVE_STALLED, Kind.MISSED_PRIME, Kind.AIRLOCK)

CONSEQUENCES: Mapping[Kind, frozenset[Kind]] = {
    # Without air nothing downstream of it can be judged.
    Kind.LOW_AIR: frozenset({*_UNFED, *_DRY, Kind.NO_FLOW, Kind.ICING, Kind.UNUSUAL}),
    # An empty drum is sucked dry: the prime goes, air comes, and the ripple is odd.
    Kind.DRUM_EMPTY: frozenset({*_DRY, Kind.MISSED_PRIME, Kind.AIRLOCK, Kind.UNUSUAL}),
    Kind.MISSED_PRIME: frozenset({Kind.LOST_PRIME, Kind.AIR_IN_SUCTION, Kind.UNUSUAL}),
    Kind.AIRLOCK: frozenset({Kind.UNUSUAL}),
    # A hung air valve strokes nothing, so nothing flows.
    Kind.AIR_VALVE_STALLED: frozenset({Kind.NO_FLOW, Kind.UNUSUAL}),
    # Air in the line and alternating strokes follow from a torn diaphragm.
    Kind.DIAPHRAGM: frozenset(
        {Kind.BALL_LEAK, Kind.AIR_IN_SUCTION, Kind.NO_DEMAND, Kind.WORN, Kind.UNUSUAL}
    ),
    # What a bad sensor says about the pump is worth nothing.
    Kind.PRESSURE_SENSOR: frozenset(
        {Kind.LOW_AIR, Kind.HIGH_AIR, Kind.DRUM_EMPTY, *_UNFED, *_DRY, Kind.NO_FLOW, Kind.UNUSUAL}
    ),
    Kind.STROKE_COUNTER: frozenset(
        {Kind.NO_DEMAND, Kind.AIR_VALVE_STALLED, Kind.BALL_LEAK, Kind.WORN, Kind.UNUSUAL}
    ),
}
"""Cause -> what it brings about on the same pump. Free of circles (a test walks it)."""

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
        found = []
        for parent in self._parents.get(subject, ()):
            for cause in Kind:
                common_air = kind in _AIR_KINDS and cause in _AIR_KINDS
                follows = cause in _AIR_KINDS and kind in CONSEQUENCES.get(cause, ())
                if cause is kind or common_air or follows:
                    found.append(tag(parent, cause))
        found += [tag(subject, cause) for cause, after in CONSEQUENCES.items() if kind in after]
        return found
