"""Airlock: gas trapped at the discharge interrupts the flow."""

from dataclasses import dataclass, field

from monitor.advice.kinds import Kind
from monitor.detectors.base import RUNS, Detector, need
from monitor.detectors.context import Context
from monitor.detectors.finding import Evidence, Finding, Presence
from monitor.detectors.lost_prime import burst
from monitor.detectors.racing import Race, race, shut, thinned
from monitor.detectors.soft_line import SoftLine, usual_compliance_ml_pa
from monitor.detectors.undelivered import idle_gas
from monitor.hydraulics.line import compliance_from_dip, gas_from_compliance
from monitor.signals.types import Episode
from monitor.units import STANDARD_ATMOSPHERE_PA

SHALLOW = (Kind.RESTRICTED_SUCTION, Kind.AIR_SAG, Kind.ICING)
"""What makes dips shallow without any gas: chambers that fill late, less air, a slow exhaust."""
FALL_DOUBT = 0.3
"""Doubt of a slope read off samples 50 ms apart in a dip of 0.1 to 0.3 s: up to half a sample of
its fall is missed (chosen)."""


@dataclass(slots=True)
class Airlock(Detector):
    """What it finds: gas trapped in the pump head or the discharge line.

    How it looks: either the pump races against a held pressure without dips and without
    delivering; or the line is spongy: many more strokes from the fall of pressure to the stall
    than hose and liquid need, the volume following from Boyle's law.

    Needs: pressure and strokes.

    Settings: race_strokes 10 (chosen: a re-prime after a drum change takes fewer at pressure; with
    every valve shut nothing primes, and any race will do);
    extra_strokes 3 more to the stall than the hose takes (one is the counting error, computed).
    Dips that have gone soft, all alike, at the same flow (the line's compliance up by a quarter, in
    three draws, or plainly in one), or that fall at 0.6 of their usual slope or less, or a saw
    between strokes that is slower by a quarter. 1.6 times the usual strokes, evenly spaced (gas
    over the balls is compressed and let go again, the same on every stroke), that leave the
    pressure or the dips as no flow would. It has ended where dips and strokes are as ever, the
    latter within ended_share 1.15.

    Blind: to gas under one stroke's worth when draws end near stall; to draws of a single stroke
    where no demand signal says that a valve was open; counter bounce looks like racing and is left
    to the counter's own check.

    What to do: air off, relieve and remove the discharge line, refit, open a bay's low-pressure
    function, air on again; prime completes while it runs.

    References: Boyle's law with isothermal band; a chamber of gas reaches P_suction r^n at most.
    """

    race_strokes: int = 10
    extra_strokes: float = 3.0
    ended_share: float = 1.15
    _line: SoftLine = field(default_factory=SoftLine)
    kind = Kind.AIRLOCK
    events = RUNS

    def __post_init__(self) -> None:
        need(self.race_strokes >= 5, "airlock.race_strokes")
        need(self.extra_strokes >= 1.0, "airlock.extra_strokes")

    def gulped(self, ts: float) -> None:
        """Gas passes through the line now."""
        self._line.gulped(ts)

    def update(self, event: Episode, context: Context) -> Finding:
        """Judge a run, also while it lasts."""
        f = event.features
        self._line.hear(event, context)
        if event.what == "dead-head" or (f.get("bounce_share") or 0.0) > 0.2:
            return self.unknown(event, context)
        now = race(event, context)
        if now is not None:
            if now.kind is Kind.AIRLOCK and (now.strokes >= self.race_strokes or shut(event)):
                return self._racing(event, context, now)
            return self.unknown(event, context)
        if idle_gas(event, context):
            passing = self._line.unseen(event, context)
            return (self.unknown if passing else self._lifted)(event, context)
        if self._spongy(event, context):
            return self._refill(event, context)
        said = self._line.judge(event, context)
        if said is Presence.YES:
            shallow = any(k in context.standing for k in SHALLOW)
            return (self.unknown if shallow else self._softened)(event, context)
        flow = context.at_pressure("conductance", event)
        ended = said is Presence.NO and (flow is None or flow.ratio < self.ended_share)
        return (self.no if ended else self.unknown)(event, context)

    def _spongy(self, event: Episode, context: Context) -> bool:
        """Strokes on the final rise, beyond what the hose takes."""
        n, rise = event.features.get("strokes_to_stall"), event.features.get("rise_pa")
        if n is None or rise is None:
            return False
        found = burst(event, context)
        if found is not None and found[0] >= 3 and (event.features.get("rest_before_s") or 0) >= 60:
            return False  # a suction line that ran empty at rest
        if thinned(event, context.of("interval_s")):
            return False  # gas came with the liquid
        hose = context.scales.line_ml_per_pa * rise / context.scales.displacement_ml
        return n >= 1.0 + hose + self.extra_strokes

    def _racing(self, event: Episode, context: Context, now: Race) -> Finding:
        return self.yes(
            event,
            context,
            (now.sure, 0.9),
            f"Airlock: the pump races at {now.rate_hz:.1f} strokes a second against a held "
            f"{context.show.pressure(now.pressure_pa)} and delivers nothing.",
            Evidence("stroke rate", now.rate_hz, "1/s", None, context.race_hz),
            Evidence("pressure", now.pressure_pa, "Pa"),
            Evidence("pressure swing", now.swing_pa, "Pa"),
            causes=((Kind.AIRLOCK, now.sure), (Kind.MISSED_PRIME, 1.0 - now.sure)),
        )

    def _lifted(self, event: Episode, context: Context) -> Finding:
        rate = event.features.get("rate_hz")
        return self.yes(
            event,
            context,
            (0.8, 0.8),
            f"Airlock: {rate or 0:.2f} strokes a second at full pressure, several times what this "
            "pump needs; most of them move gas.",
            Evidence("stroke rate", rate, "1/s", None, context.usual["rate_hz"].high),
            Evidence("pressure", event.features.get("demand_pa"), "Pa"),
            causes=((Kind.AIRLOCK, 0.75), (Kind.AIR_IN_SUCTION, 0.25)),
        )

    def _gas(self, event: Episode, context: Context) -> Evidence:
        """Gas (mL at atmosphere) that makes the line so much softer than it used to be.

        Compliance from how fast pressure falls at a reversal, now and usually; half way between
        slow and fast gas, and no sharper than its pressures tell.
        """
        rate, fall = event.features.get("rate_hz"), event.features.get("fall_pa_s")
        before = usual_compliance_ml_pa(context)
        if not rate or not fall or fall <= 0 or before is None:
            return Evidence("trapped gas", None, "mL")
        now = compliance_from_dip(rate * context.scales.displacement_ml, fall)
        stall = event.features.get("stall_after_pa") or context.stall_pa
        pressure = event.features.get("demand_pa") or stall
        found = gas_from_compliance(now, before, pressure + STANDARD_ATMOSPHERE_PA)
        if found.isothermal_ml <= 0.0:
            return Evidence("trapped gas", None, "mL")
        doubt = FALL_DOUBT * (now + before) / (now - before)
        return Evidence(
            "trapped gas",
            0.5 * (found.isothermal_ml + found.adiabatic_ml),
            "mL",
            low=max(0.0, 1.0 - doubt) * found.isothermal_ml,
            high=(1.0 + doubt) * found.adiabatic_ml,
        )

    def _refill(self, event: Episode, context: Context) -> Finding:
        f = event.features
        counted = f.get("gas_low_ml"), f.get("gas_high_ml")
        return self.yes(
            event,
            context,
            (0.8, min(0.9, 0.4 + (f.get("gas_ml") or 0.0) / 2000.0)),
            f"Airlock: {f.get('strokes_to_stall') or 0:.0f} strokes from the fall to the stall; "
            f"about {f.get('gas_ml') or 0:.0f} mL of gas (at atmosphere) is trapped.",
            Evidence("strokes to stall", f.get("strokes_to_stall"), "strokes", 0.0, 2.0),
            Evidence("trapped gas", f.get("gas_ml"), "mL", None, None, *counted),
            causes=((Kind.AIRLOCK, 0.8), (Kind.AIR_IN_SUCTION, 0.2)),
        )

    def _softened(self, event: Episode, context: Context) -> Finding:
        f = event.features
        dip = f.get("dip_pa")
        return self.yes(
            event,
            context,
            (0.75, 0.5),
            f"Airlock: the dips of the strokes have gone soft, {context.show.pressure(dip or 0)} "
            "where this pump shows "
            f"{context.show.pressure(context.of('dip_pa') or 0)}; gas sits in the line.",
            Evidence("dip", dip, "Pa", context.usual["dip_pa"].low, context.usual["dip_pa"].high),
            self._gas(event, context),
            causes=((Kind.AIRLOCK, 0.7), (Kind.DIAPHRAGM, 0.15), (Kind.AIR_IN_SUCTION, 0.15)),
        )
