"""Restricted suction: the pump is starved of liquid."""

from dataclasses import dataclass, field

from monitor.advice.kinds import Kind
from monitor.detectors.air_sag import AirSag
from monitor.detectors.base import RUNS, Detector, need
from monitor.detectors.context import Context
from monitor.detectors.curves import level_again, sunk
from monitor.detectors.finding import Evidence, Finding
from monitor.signals.types import Episode


@dataclass(slots=True)
class RestrictedSuction(Detector):
    """What it finds: strainer, foot valve, kinked or collapsed hose, thick chemical.

    How it looks: pressure and rate down along the outlet's curve from the draw's start, stall
    pressure right, recovery as fast as ever, dips wider because the chamber fills slowly.

    Needs: draws with some history; an air sensor that stays right settles it against air sag.

    Settings: the drop as in the curves; sure_share 0.5 of the weight against sag, rename 0.7 where
    a sag was told before; times 2 draws in a row.

    Blind: at small flows (a mild restriction, wet air and cold chemical look alike there).

    What to do: strainer, kinks, level, drum vent open, viscosity in the cold; larger bore.

    References: suction balance P_s = P_atm - rho g h - losses; pump and outlet curves.
    """

    sure_share: float = 0.5
    rename: float = 0.7
    times: int = 2
    _times: int = 0
    kind = Kind.RESTRICTED_SUCTION
    events = RUNS
    _sag: AirSag = field(default_factory=AirSag)

    def __post_init__(self) -> None:
        need(0.0 < self.sure_share < 1.0, "restricted_suction.sure_share")

    def rebase(self) -> None:
        """Start counting anew."""
        self._times = 0
        self._sag.rebase()

    def update(self, event: Episode, context: Context) -> Finding:
        """Judge a closed draw."""
        if event.open_:
            return self.unknown(event, context)
        now = sunk(event, context)
        if now is None:
            if not level_again(event, context):
                return self.unknown(event, context)
            self.rebase()
            return self.no(event, context)
        self._times += 1
        sure = 1.0 - self._sag.together(event, context)
        least = self.rename if Kind.AIR_SAG in context.standing else self.sure_share
        if sure < least or self._times < self.times:
            return self.unknown(event, context)
        demand = now.usual_pa - now.drop_pa
        return self.yes(
            event,
            context,
            (sure if now.learned else 0.7 * sure, min(1.0, 0.3 + now.drop_pa / context.stall_pa)),
            f"Restricted suction: {context.show.pressure(demand)} in the draw where "
            f"{context.show.pressure(now.usual_pa)} is usual, at the same outlet; it stalls right "
            "and recovers as fast as ever.",
            Evidence("demand pressure", demand, "Pa", now.usual_pa, now.usual_pa),
            Evidence("dip width", event.features.get("dip_s"), "s", None, context.of("dip_s")),
            causes=((Kind.RESTRICTED_SUCTION, sure), (Kind.AIR_SAG, 1.0 - sure)),
        )
