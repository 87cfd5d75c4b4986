"""Airlock: gas trapped at the discharge interrupts the flow."""

from collections import deque
from dataclasses import dataclass, field

from monitor.advice.kinds import Kind
from monitor.detectors.base import RUNS, Detector, need
from monitor.detectors.context import Context, firmness, steady
from monitor.detectors.finding import Evidence, Finding
from monitor.detectors.lost_prime import burst
from monitor.detectors.outlets import Shift
from monitor.detectors.racing import Race, race, ran_out, thinned
from monitor.hydraulics.line import compliance_from_dip, gas_from_compliance
from monitor.signals.order import median
from monitor.signals.types import Episode
from monitor.units import PA_PER_PSI, STANDARD_ATMOSPHERE_PA

GULP_S = 7200.0
GULP_SHARE = 0.75
GULP_STROKES = 60
"""A few hose volumes (computed: 3 L of hose holds 50 strokes of 60 mL)."""
FALL_DOUBT = 0.3
"""Doubt of a slope read off samples 50 ms apart in a dip of 0.1 to 0.3 s: up to half a sample of
its fall is missed (chosen)."""


CURVE = 1.6
"""Exponent of the pump's own losses over its stroke rate (computed for the class: 1.6)."""


ALL_GONE = 0.4
"""Under this share of the usual even the deepest dip is soft; their spread is noise by then."""
SAME_DIPS, SAME_PRESSURE = 1.1, 0.002
"""As deep, and as high, as ever: more flow digs deeper dips (dead time x flow) and costs pressure,
if little of it where most of a pump's loss does not go with the flow (chosen)."""


def _on_curve(stall_pa: float, usual_pa: float, times: float) -> float:
    """Pressure (Pa) a pump holds that strokes so many times as fast as usual, by its own losses."""
    return float(stall_pa - max(0.0, stall_pa - usual_pa) * times**CURVE)


def _stall_pa(event: Episode) -> float | None:
    """The stall the draw ended on, or the one before where its line had not filled yet."""
    f = event.features
    after, demand = f.get("stall_after_pa"), f.get("demand_pa")
    filled = after is not None and (demand is None or after >= demand)
    return after if filled else f.get("stall_before_pa")


def _under(context: Context, firm: Shift, deep: Shift) -> bool:
    """Are the usual and the deepest dip of a draw both under all but a few of this pump's?"""
    lows = context.usual["dip_pa"].low, context.usual["dip_max_pa"].low
    return all(low is not None and x.value < low for low, x in zip(lows, (firm, deep), strict=True))


@dataclass(slots=True)
class Airlock(Detector):
    """What it finds: gas trapped in the pump head or the discharge line.

    How it looks: either the pump races against a held pressure without dips and without
    delivering; or the line is spongy: many more strokes from the fall of pressure to the stall
    than hose and liquid need, the volume following from Boyle's law.

    Needs: pressure and strokes.

    Settings: race_strokes 10 (chosen: a re-prime after a drum change takes fewer at pressure);
    extra_strokes 3 more to the stall than the hose takes (one is the counting error, computed);
    soft_share 0.8 of this pump's usual dip per flow over its history, and z 5 of its spread (a
    dip is dead time x flow / compliance: 0.8 is 1.25 times the compliance), in soft_draws 3 draws
    in a row (not within two hours and sixty strokes of a gulp of gas, which a drum change brings
    and which goes with the flow; within stay_share 0.12 of each other, for gas that is carried off
    lets them come back), or one of sure_strokes 4 with the usual dip under plain_share 0.6 and by
    sure_z 8, the deepest soft within alike 1.25 as well; lift_share 1.6 times the usual strokes,
    evenly spaced (gas over the balls is compressed and let go again, the same on every stroke), at
    idle_level 0.99 of the usual pressure with dips under idle_soft 0.7, or at a pressure that
    plainly did not follow the pump's own curve, or with dips under idle_gone 0.3 (two bays at once
    follow the curve and dig deeper dips).

    Blind: to gas under one stroke's worth when draws end near stall; counter bounce looks like
    racing and is left to the counter's own check.

    What to do: air off, relieve and remove the discharge line, refit, open a bay's low-pressure
    function, air on again; prime completes while it runs.

    References: Boyle's law with isothermal band; a chamber of gas reaches P_suction r^n at most.
    """

    race_strokes: int = 10
    extra_strokes: float = 3.0
    soft_share: float = 0.8
    z: float = 5.0
    lift_share: float = 1.6
    idle_soft: float = 0.7
    idle_level: float = 0.99
    idle_gone: float = 0.3
    sure_strokes: int = 4
    sure_z: float = 8.0
    alike: float = 1.25
    plain_share: float = 0.6
    soft_draws: int = 3
    _soft_draws: int = 0
    stay_share: float = 0.12
    _soft_dips: deque[float] = field(default_factory=lambda: deque(maxlen=3))
    _gulp_ts: float | None = None
    _since_gulp: int = 0
    kind = Kind.AIRLOCK
    events = RUNS

    def __post_init__(self) -> None:
        need(self.race_strokes >= 5, "airlock.race_strokes")
        need(0.0 < self.soft_share < 1.0, "airlock.soft_share")
        need(self.extra_strokes >= 1.0 and self.lift_share > 1.0, "airlock.extra_strokes")

    def update(self, event: Episode, context: Context) -> Finding:
        """Judge a run, also while it lasts."""
        f = event.features
        self._note_gulp(event, context)
        if event.what == "dead-head" or (f.get("bounce_share") or 0.0) > 0.2:
            return self.unknown(event, context)
        now = race(event, context)
        if now is not None:
            if now.kind is Kind.AIRLOCK and now.strokes >= self.race_strokes:
                return self._racing(event, context, now)
            return self.unknown(event, context)
        if self._idle_gas(event, context):
            return self._lifted(event, context)
        if self._spongy(event, context):
            return self._refill(event, context)
        return self._by_dips(event, context)

    def _by_dips(self, event: Episode, context: Context) -> Finding:
        """The last word: dips gone soft, dips as ever, or nothing to say."""
        soft = self._soft(event, context)
        if soft:
            self._soft_draws += 1
            self._soft_dips.append(event.features.get("dip_pa") or 0.0)
            lasting = self._calm(event) and self._soft_draws >= self.soft_draws and self._stays()
            if lasting or self._plainly_soft(event, context):
                return self._softened(event, context)
            return self.unknown(event, context)
        if soft is None and self._soft_draws:
            return self.unknown(event, context)
        healthy = (event.features.get("stall_after_pa") or 0.0) > 0.6 * context.stall_pa
        if not event.open_ and event.strokes >= 1 and healthy:
            self._soft_draws = 0
            return self.no(event, context)
        return self.unknown(event, context)

    def _plainly_soft(self, event: Episode, context: Context) -> bool:
        """One draw is enough when its dips are gone by half, and no gulp of gas passed lately:
        after a drum change a single fast stroke brings soft dips that are gone with it."""
        firm = context.against("dip_pa", event.features.get("dip_pa"), 0.01)
        deep = context.against("dip_max_pa", event.features.get("dip_max_pa"), 0.01)
        if firm is None or deep is None or not self._calm(event) or self._comes_back():
            return False
        if not _under(context, firm, deep) or deep.ratio > max(self.alike * firm.ratio, ALL_GONE):
            return False  # gas on its way through leaves some dips firm, gas at rest none
        if event.strokes < self.sure_strokes:
            return self._all_soft(event, context)
        if firm.ratio < self.plain_share and firm.z < -self.sure_z:
            return True
        return self._even_so(event, context, firm, deep)

    def _even_so(self, event: Episode, context: Context, firm: Shift, deep: Shift) -> bool:
        """A fifth is enough where this pump's dips repeat so well that it is eight spreads, both
        the usual and the deepest dip are soft, and the flow is just as ever."""
        flow = context.at_pressure("conductance", event)
        same = flow is not None and abs(flow.ratio - 1.0) < 0.02 and context.one_outlet
        sure = min(firm.z, deep.z) < -self.sure_z
        return same and sure and max(firm.ratio, deep.ratio) < self.soft_share

    def _calm(self, event: Episode) -> bool:
        """No stroke faster than this pump's, now and for two hours and some sixty strokes before:
        no gas passed, or the flow has carried it off."""
        if self._gulp_ts is None:
            return True
        return event.end_ts - self._gulp_ts > GULP_S and self._since_gulp > GULP_STROKES

    def _comes_back(self) -> bool:
        """Was the draw before softer still? Then the flow carries the gas off."""
        last = list(self._soft_dips)
        return self._soft_draws > 1 and last[-2] < (1.0 - self.stay_share) * last[-1]

    def _stays(self) -> bool:
        """Dips that come back from draw to draw tell of gas that the flow carries off."""
        last = list(self._soft_dips)
        return max(last) - min(last) <= self.stay_share * max(last)

    def _note_gulp(self, event: Episode, context: Context) -> None:
        """Remember the last stroke that came much too soon."""
        usual, t = context.of("interval_s"), event.intervals_s
        if not len(t):
            return
        least = float(t.min())
        own = median(t) if len(t) >= 3 else None
        flow = context.at_pressure("conductance", event)
        lifted = flow is not None and event.strokes >= 3 and 1.08 < flow.ratio < self.lift_share
        if lifted or any(x is not None and least < GULP_SHARE * x for x in (usual, own)):
            self._gulp_ts = event.end_ts
            self._since_gulp = 0
        elif not event.open_:
            self._since_gulp += event.strokes

    def _all_soft(self, event: Episode, context: Context) -> bool:
        """Of two or three strokes, even the deepest dip is far under the usual."""
        deepest, usual = event.features.get("dip_max_pa"), context.usual["dip_pa"].low
        few = 2 <= event.strokes < self.sure_strokes
        return few and deepest is not None and usual is not None and deepest < 0.6 * usual

    def _idle_gas(self, event: Episode, context: Context) -> bool:
        """Many times the strokes at no less pressure: strokes that deliver nothing."""
        f = event.features
        if not steady(event) or ran_out(event, context) or self._coming(context, event.strokes):
            return False  # a second bay, or gas that came with the liquid
        usual, rate = context.of("conductance"), f.get("conductance")
        if usual is None or rate is None or rate <= self.lift_share * usual or event.strokes < 2:
            return False
        cv, found = f.get("interval_cv"), burst(event, context)
        if (cv is not None and cv > 0.1) or (f.get("asymmetry") or 0.0) > 0.2:
            return False  # ragged: gas comes in with the liquid; alternating: one side
        rested = (f.get("rest_before_s") or 0.0) >= 120.0
        if rested and found is not None and found[1] and found[0] >= 2:
            return False  # a burst that heals is a suction line that had run empty
        return self._undelivered(event, context, rate / usual)

    def _undelivered(self, event: Episode, context: Context, times: float) -> bool:
        """Do so many times the strokes leave the pressure, or their dips, as no flow would?

        Two bays at once stroke as fast, take the pressure down the pump's own curve and dig deeper
        dips.
        """
        pressure, usual_pa = event.features.get("demand_pa"), context.of("demand_pa")
        firm = context.against("dip_pa", event.features.get("dip_pa"), 0.01)
        spread = context.usual["demand_pa"].spread
        if pressure is None or usual_pa is None or firm is None or spread is None:
            return False
        on_curve = _on_curve(context.stall_pa, usual_pa, times)
        plain = usual_pa - on_curve > self.z * max(spread, 0.003 * usual_pa)
        same = firm.ratio < SAME_DIPS and pressure > usual_pa - max(
            spread, SAME_PRESSURE * usual_pa
        )
        if same and plain and context.one_outlet and event.strokes > 2:
            return True
        deep = context.against("dip_max_pa", event.features.get("dip_max_pa"), 0.01)
        if event.strokes == 2 and (deep is None or deep.ratio > self.idle_soft):
            return False  # one quick stroke: a bay came in between, unless no dip is firm
        if firm.ratio < self.idle_gone and pressure > on_curve:
            return True
        return firm.ratio < self.idle_soft and pressure > self.idle_level * usual_pa

    def _coming(self, context: Context, strokes: int) -> bool:
        """The draw before took more strokes already, but not yet so many: gas on its way in. Of two
        strokes, more already is enough: the one quick stroke may be one side's."""
        past = [e for e in context.recent if e.strokes >= 3]
        usual = context.of("conductance")
        k = past[-1].features.get("conductance") if past else None
        most = self.lift_share * (usual or 0.0) if strokes > 2 else float("inf")
        return bool(usual and k and 1.15 * usual < k < most)

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

    def _soft(self, event: Episode, context: Context) -> bool | None:
        """Dips far weaker than this pump's own at like flow; None when it cannot be said."""
        if event.what == "prime" or (event.features.get("race_strokes") or 0) >= 3:
            return None
        if (event.open_ and event.strokes < 8) or not steady(event):
            return None
        opened = (event.features.get("fell_pa") or 0.0) > 0.5 * PA_PER_PSI
        if event.strokes < 3 and not (opened or event.features.get("demand_s")):
            return None  # a stroke into a leak dips less than one into an open valve
        stall = _stall_pa(event)
        if stall is not None and abs(stall - context.stall_pa) > 0.12 * context.stall_pa:
            return None  # dips scale with the air pressure
        demand = context.against("demand_pa", event.features.get("demand_pa"))
        if demand is not None and demand.ratio < 0.97:
            return None  # starved or short of air: that makes dips shallow, too
        flow = context.against("conductance", event.features.get("conductance"))
        if flow is not None and not 0.85 < flow.ratio < 1.06:
            return None  # another outlet, or strokes that deliver less: not gas at rest in a line
        alone = event.strokes < 3 or not context.usual["firmness"].known
        said = [
            self._softer(context, "firmness", firmness(event)),
            self._softer(context, "dip_pa", event.features.get("dip_pa") if alone else None),
            self._softer(context, "dip_max_pa", event.features.get("dip_max_pa")),
        ]
        if all(one is None for one in said):
            return None
        return any(said)

    def _softer(self, context: Context, name: str, value: float | None) -> bool | None:
        """Is a figure of the dips so far under this pump's usual? None where that is not known, or
        where its dips are hardly more than noise."""
        usual = context.usual[name]
        middle, spread = usual.median, usual.spread
        if value is None or middle is None or spread is None:
            return None
        if middle < 1.5 * PA_PER_PSI and name != "firmness":
            return None
        return value < self.soft_share * middle and middle - value > self.z * spread

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
        usual_rate, usual_fall = context.of("rate_hz"), context.of("fall_pa_s")
        if not rate or not fall or fall <= 0 or not usual_rate or not usual_fall:
            return Evidence("trapped gas", None, "mL")
        own_ml = context.scales.displacement_ml
        now = compliance_from_dip(rate * own_ml, fall)
        before = compliance_from_dip(usual_rate * own_ml, usual_fall)
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
