"""Pressure sensor fault: stuck, out of range, noisy, shifted, or not readable."""

from dataclasses import dataclass

from monitor.advice.kinds import Kind
from monitor.detectors.base import ALL_EVENTS, Detector, need
from monitor.detectors.context import Context
from monitor.detectors.finding import Evidence, Finding
from monitor.signals.types import Episode
from monitor.units import PA_PER_PSI

STEADY_S, STEADY_TIMES = 5.0, 3.0
"""Seconds of rest, and times a second's range that all of them span: of normal noise an hour spans
2.3 times as much (computed); beyond, the line moved."""


def _steady(event: Episode, swing_pa: float) -> bool:
    """Did a line at rest keep its level, and for long enough to tell?"""
    f = event.features
    low, high = f.get("low_pa"), f.get("high_pa")
    if low is None or high is None or (f.get("window_s") or 0.0) < STEADY_S:
        return False
    return high - low <= STEADY_TIMES * swing_pa


@dataclass(slots=True)
class PressureSensor(Detector):
    """What it finds: a transducer, cable or converter that does not tell the truth.

    How it looks: strokes leave no trace at all (stuck); values outside what the loop can give
    (broken wire, short); noise far above its own; or everything shifted while rate and dips are
    as ever, which no pump can do, since rate goes with the root of pressure.

    Needs: pressure and strokes; history for noise and shift.

    Settings: under_pa -2.2 psi and over_share 1.025 of full scale (NE 43: 3.6 and 21 mA on 4-20 mA
    over 150 psi are -3.75 and 159 psi; measuring range to -1.9 and 154.7); still_pa 30 Pa of
    spread over 3 strokes and more (a converter step is 50 Pa and more at 16 bit); noise_pa 2 psi
    and noise_times 5 times its own (a creep in a restart band of 5 psi saws with 1.5 psi);
    shift_share 0.08 of the stall pressure while the rate stays within 0.35 of what the shift
    would make of it, and under most_shift_pa 15 psi, a tenth of the range; a shift downward only
    where an air sensor says the air is right; null_share half of the reads failed.

    Blind: to a slow drift without air sensor or a zero check on a vented line.

    What to do: vent the line and read zero; swap the transducer; cable, connector, supply.

    References: NAMUR NE 43 signal levels; orifice law f ~ sqrt(P).
    """

    under_pa: float = -2.2 * PA_PER_PSI
    over_share: float = 1.025
    still_pa: float = 30.0
    noise_pa: float = 2.0 * PA_PER_PSI
    noise_times: float = 5.0
    shift_share: float = 0.08
    most_shift_pa: float = 15.0 * PA_PER_PSI
    null_share: float = 0.5
    kind = Kind.PRESSURE_SENSOR
    events = ALL_EVENTS

    def __post_init__(self) -> None:
        need(self.under_pa < 0 and self.over_share > 1, "pressure_sensor.under_pa")
        need(self.noise_times > 1 and 0 < self.shift_share < 1, "pressure_sensor.noise_times")

    def update(self, event: Episode, context: Context) -> Finding:
        """Judge rests and runs."""
        why = self._why(event, context)
        if why is not None:
            return self._say(event, context, *why)
        f = event.features
        if event.what == "dead-head":
            return self.unknown(event, context)
        spread, noise = f.get("spread_pa"), f.get("tail_std_pa")
        alive = spread is not None and spread > 2 * self.still_pa
        if event.strokes >= 3 and alive and noise is not None and not event.open_:
            return self.no(event, context)
        return self.unknown(event, context)

    def _why(self, event: Episode, context: Context) -> tuple[str, float, float] | None:
        """(what is wrong, value, confidence), or None."""
        f = event.features
        level = f.get("level_pa") if event.what == "dead-head" else f.get("tail_pa")
        if (f.get("null_share") or 0.0) > self.null_share and event.duration_s >= 5.0:
            return "most reads fail", f.get("null_share") or 0.0, 0.95
        if level is not None:
            if level < self.under_pa:
                return "it reads below zero", level, 0.97
            if level > self.over_share * context.scales.full_scale_pa:
                return "it reads beyond its range", level, 0.97
        spread = f.get("spread_pa")
        rate = f.get("last_rate_hz") or f.get("rate_hz") or 0.0
        # A pump that races against a held line moves gas: that leaves no trace either.
        races = rate >= context.race_hz
        if event.strokes >= 3 and spread is not None and spread < self.still_pa and not races:
            return "strokes leave no trace", spread, 0.95
        return self._noisy(event, context) or self._shifted(event, context)

    def _noisy(self, event: Episode, context: Context) -> tuple[str, float, float] | None:
        f = event.features
        noise, usual = f.get("tail_std_pa"), context.of("tail_std_pa")
        if event.what == "dead-head":
            swing = f.get("swing_pa")
            if swing is None or not _steady(event, swing):
                return None
            noise = swing / 5.0  # a second's range is 4 to 5 sigma
        if event.open_ and event.what != "dead-head":
            return None
        if noise is None or noise < self.noise_pa:
            return None
        if usual is not None and noise < self.noise_times * usual:
            return None
        return "it is noisy at rest", noise, 0.8

    def _shifted(self, event: Episode, context: Context) -> tuple[str, float, float] | None:
        """Stall and demand moved alike, yet rate and dips did not follow."""
        f = event.features
        stall, demand = f.get("stall_after_pa"), f.get("demand_pa")
        usual_stall, usual_demand = context.of("stall_after_pa"), context.of("demand_pa")
        if event.open_ or stall is None or demand is None or demand <= 0:
            return None
        if usual_stall is None or usual_demand is None or usual_demand <= 0:
            return None
        moved, along = stall - usual_stall, demand - usual_demand
        if abs(moved) < self.shift_share * usual_stall or abs(along - moved) > 0.35 * abs(moved):
            return None
        rate = context.against("rate_hz", f.get("rate_hz"))
        dip = context.against("dip_pa", f.get("dip_pa"), 0.02)
        if rate is None or dip is None:
            return None
        sure_air = (f.get("air_after_pa") or 0.0) > 0.95 * context.scales.air_set_pa
        if abs(moved) > self.most_shift_pa or (moved < 0 and not sure_air):
            return None  # more than a transducer drifts, or as well the air: that comes first
        physics = (demand / usual_demand) ** 0.5 - 1.0
        same_rate = abs(rate.ratio - 1.0) < 0.35 * abs(physics)
        if not same_rate or abs(dip.ratio - 1.0) > 0.12:
            return None
        return "all values are shifted but the pump runs as ever", moved, 0.85

    def _say(
        self, event: Episode, context: Context, what: str, value: float, sure: float
    ) -> Finding:
        share = what == "most reads fail"
        return self.yes(
            event,
            context,
            (sure, 0.6),
            f"Pressure sensor fault: {what}"
            + (f" ({100 * value:.0f} %)." if share else f" ({context.show.pressure(value)})."),
            Evidence(what, value, "share" if share else "Pa"),
        )
