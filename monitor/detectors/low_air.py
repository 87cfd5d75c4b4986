"""Low air: the pump stalls below what its set point gives."""

from dataclasses import dataclass

from monitor.advice.kinds import Kind
from monitor.detectors.base import ALL_EVENTS, Detector, need
from monitor.detectors.context import Context
from monitor.detectors.finding import Evidence, Finding
from monitor.signals.types import Episode
from monitor.units import PA_PER_PSI


@dataclass(frozen=True, slots=True)
class Reading:
    """A pressure that tells of the air, what it should be, and by how much (Pa) it lies under the
    air itself: lift and friction for a stall, nothing for the sensor."""

    value_pa: float
    expected_pa: float
    under_air_pa: float = 0.0
    how: str = "the air reads"
    what: str = "air pressure"


@dataclass(slots=True)
class LowAir(Detector):
    """What it finds: air supply pressure below the pump's set point, or below 20 psi.

    How it looks: after a draw the line stalls below air set pressure less lift less friction;
    rate and pressure fall together along the outlet's curve. An idle line shows nothing, because
    the check balls hold the old pressure; it shows at the next draw.

    Needs: one draw that ends in a stall. An air sensor says it at once, also at rest.

    Settings: low_share 0.20 of the expected stall pressure (chosen: friction of 0.3 to 5 psi,
    a sensor of 1 % of 150 psi and a hand's readjustment of a regulator stay within it);
    least_pa 6 psi (the sum of those errors at a low set point); clear_share 0.10 (deadband);
    floor_pa 20 psi (common practice, the least the air valve works on);
    still_pa 0.3 psi, the fall within three seconds under which a line rests.

    Blind: while idle without an air sensor; to a loss under low_share; a set point turned down
    by hand looks the same, so a change of that size must be logged or entered in the site file.

    What to do: read the gauge at the pump at rest and in a draw; regulator, filter bowl, coupler.

    References: force balance of an air-driven pump at rest (1:1 ratio less friction and lift);
    ISO 6358 for flows.
    """

    low_share: float = 0.20
    least_pa: float = 6.0 * PA_PER_PSI
    clear_share: float = 0.10
    floor_pa: float = 20.0 * PA_PER_PSI
    still_pa: float = 0.3 * PA_PER_PSI
    kind = Kind.LOW_AIR
    events = ALL_EVENTS

    def __post_init__(self) -> None:
        need(0.0 < self.clear_share < self.low_share < 1.0, "low_air.low_share")
        need(self.least_pa > 0.0, "low_air.least_pa")

    def update(self, event: Episode, context: Context) -> Finding:
        """Judge by the air sensor where fitted, else by the stall a draw ended on."""
        f = event.features
        air = f.get("air_pa") if event.what == "dead-head" else f.get("air_after_pa")
        if event.open_ and event.what != "dead-head":
            air = None  # under flow a sagging supply reads low too
        stall = f.get("stall_after_pa")
        judged = event.what != "dead-head" and stall is not None and self._pushed(event, context)
        if air is not None and not (judged and air < 0.9 * context.scales.air_set_pa):
            return self._judge(event, context, Reading(air, context.scales.air_set_pa))
        if stall is None or not judged or self._drew_as_ever(event, context, stall):
            return self.unknown(event, context)
        under = context.scales.air_set_pa - context.scales.stall_pa
        level = self._unhidden(event, context, stall)
        return self._judge(
            event,
            context,
            Reading(level, context.stall_pa, under, "it stalls at", "stall pressure"),
        )

    def _drew_as_ever(self, event: Episode, context: Context, stall: float) -> bool:
        """A stall under the usual after a draw at its usual pressure: then the usual stall is that
        of a line held above the air, and this one was not held."""
        demand = context.at_flow("demand_pa", event)
        low = stall < (1.0 - self.clear_share) * context.stall_pa
        return low and demand is not None and demand.ratio > 1.0 - 0.3 * self.low_share

    def _unhidden(self, event: Episode, context: Context, stall: float) -> float:
        """The stall pressure less what the line holds above the air after the draw.

        Where both demand and stall fell, and demand by more, the moving column has pushed the line
        above the air; the demand pressure, which no momentum holds up, then gives the ratio.
        """
        demand = context.against("demand_pa", event.features.get("demand_pa"))
        usual = context.of("stall_after_pa")
        if demand is None or usual is None or stall > 0.93 * usual or demand.ratio > 0.85:
            return stall
        rising = event.features.get("tail_fall_pa")
        firm = context.against("dip_pa", event.features.get("dip_pa"), 0.01)
        if rising is not None and rising < -self.still_pa / 3.0:
            return stall  # it comes up again: a sag
        if firm is not None and firm.ratio > 1.05:
            return stall  # deeper dips: the exhaust
        flow = context.against("conductance", event.features.get("conductance"))
        if flow is None or abs(flow.ratio - 1.0) > 0.08:
            return stall
        return min(stall, demand.ratio * context.stall_pa)

    def _pushed(self, event: Episode, context: Context) -> bool:
        """The pump itself brought the line to this level (it did not race, nor fall silent)."""
        f = event.features
        if (f.get("race_strokes") or 0) >= 5:
            return False
        if event.strokes == 0:  # a draw of less than a stroke: a pump with air would restore it
            end, falling = f.get("stall_after_pa") or 0.0, f.get("tail_fall_pa")
            before = f.get("stall_before_pa")
            if before is None or before < 0.9 * context.stall_pa:
                return False  # it has been sinking for longer: not this draw
            if context.announced or falling is None or falling > self.still_pa:
                return False  # with the air off for work a line seeps down, and goes on
            return 0.35 * context.stall_pa < end < 0.85 * context.stall_pa
        stall, after = f.get("stall_after_pa"), f.get("after_stroke_pa")
        fell = after is not None and stall is not None and after - stall > 0.25 * context.stall_pa
        return not fell

    def _judge(self, event: Episode, context: Context, read: Reading) -> Finding:
        value, expected = read.value_pa, read.expected_pa
        margin = max(self.low_share * expected, self.least_pa)
        low = value < expected - margin
        if context.scales.air_set_pa >= 1.1 * self.floor_pa:
            low = low or value + read.under_air_pa < self.floor_pa - context.scales.accuracy_pa
        if not low:
            if value >= expected - max(self.clear_share * expected, 0.6 * self.least_pa):
                return self.no(event, context)
            return self.unknown(event, context)
        short = (expected - value) / expected
        return self.yes(
            event,
            context,
            (0.7 + 0.29 * min(1.0, (expected - value) / (2.0 * margin)), 0.3 + short),
            f"Low air: {read.how} {context.show.pressure(value)} where "
            f"{context.show.pressure(expected)} is expected.",
            Evidence(read.what, value, "Pa", expected - margin, expected + margin),
            causes=((Kind.LOW_AIR, 0.9), (Kind.PRESSURE_SENSOR, 0.1)),
        )
