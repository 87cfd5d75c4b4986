"""A line gone soft: gas at rest in it takes the depth from a pump's dips."""

from collections import deque
from dataclasses import dataclass, field

from monitor.detectors.context import Context, firmness, steady
from monitor.detectors.finding import Presence
from monitor.detectors.outlets import Shift
from monitor.detectors.undelivered import LIFT_SHARE
from monitor.hydraulics.line import compliance_from_dip, gas_from_compliance
from monitor.signals.dips import LEAST_DIP_PA
from monitor.signals.order import median
from monitor.signals.types import Episode
from monitor.units import PA_PER_PSI, STANDARD_ATMOSPHERE_PA

GULP_S = 7200.0
GULP_SHARE = 0.9
"""Of the usual time, under which a stroke took gas with it (chosen: jitter is 0.5 to 3 %)."""
CHANGE_S, FIRST_STROKES = 300.0, 6
"""Rest in which a drum may be changed, and strokes in which its gas passes then (chosen)."""
GULP_STROKES = 60
"""A few hose volumes (computed: 3 L of hose holds 50 strokes of 60 mL)."""
SAME_FLOW = 0.05
"""Within which the strokes for a pressure are as ever (chosen: jitter is 0.5 to 3 %)."""
SAME_PRESSURE = 0.97
"""Of the usual in a draw: less, and the pump is starved or short of air (chosen)."""
ONE_STROKE = 2.0
"""Usual intervals within which a valve was open that brought a single stroke (computed)."""
DIP_OVER_S = 0.6
"""A dip is over by then (chosen: a valve takes 0.1 to 0.3 s)."""
ONE_STEP = 0.55
"""Share of a dip that falls in one sample, over which it falls within two samples and its slope is
not seen: half, and a tenth for noise (computed)."""
NO_DIP = 0.2
"""The level before is read as well as that, as a share of the dip (chosen): lower is no dip."""
FIRM_DIP_PA = 1.5 * PA_PER_PSI
"""A pump's dips are seen well from here on: six times a 0.25 psi noise (computed)."""
ALL_GONE = 0.4
"""Under this share of the usual even the deepest dip is soft; their spread is noise by then."""


def _stall_pa(event: Episode) -> float | None:
    """The stall the draw ended on, or the one before where its line had not filled yet."""
    f = event.features
    after, demand = f.get("stall_after_pa"), f.get("demand_pa")
    filled = after is not None and (demand is None or after >= demand)
    return after if filled else f.get("stall_before_pa")


def _same_air(event: Episode, context: Context) -> bool:
    """Is the stall as this pump has it? Dips scale with the air pressure."""
    stall = _stall_pa(event)
    return stall is None or abs(stall - context.stall_pa) <= 0.12 * context.stall_pa


def _under(context: Context, firm: Shift, deep: Shift) -> bool:
    """Are the usual and the deepest dip of a draw both under all but a few of this pump's?"""
    lows = context.usual["dip_pa"].low, context.usual["dip_max_pa"].low
    return all(low is not None and x.value < low for low, x in zip(lows, (firm, deep), strict=True))


def usual_compliance_ml_pa(context: Context) -> float | None:
    """This pump's line (mL/Pa) as its usual dips tell it; None where they do not."""
    rate, fall = context.of("rate_hz"), context.of("fall_pa_s")
    if not rate or not fall or fall <= 0:
        return None
    return compliance_from_dip(rate * context.scales.displacement_ml, fall)


def _first_strokes(event: Episode, context: Context) -> bool:
    """Have few strokes come since a rest that was long enough to change a drum in?"""
    since = 0
    for run in (event, *reversed(context.recent)):
        if run is not event:
            since += run.strokes
        if since >= FIRST_STROKES:
            return False
        if (run.features.get("rest_before_s") or 0.0) >= CHANGE_S and run.strokes:
            return True
    return False


def _in_one_step(event: Episode, context: Context, dip_pa: float) -> bool:
    """Does most of such a dip fall from one sample to the next, its slope unseen?"""
    fall = context.of("fall_pa_s")
    return fall is not None and fall * (event.features.get("sample_s") or 0.0) > ONE_STEP * dip_pa


def _gas_strokes(times: float, event: Episode, context: Context) -> float:
    """Gas (strokes of it, at atmosphere) that makes the line so many times as soft as usual, at the
    least: its saw may be slower by no more than the root of that."""
    usual, demand = usual_compliance_ml_pa(context), event.features.get("demand_pa")
    if usual is None or demand is None:
        return 0.0
    found = gas_from_compliance(times * usual, usual, demand + STANDARD_ATMOSPHERE_PA)
    return found.isothermal_ml / context.scales.displacement_ml


def _short_strokes(event: Episode, context: Context) -> float:
    """Gas (strokes of it) that this draw's strokes brought along: what their times lack."""
    usual = context.at_pressure("interval_s", event)
    return 0.0 if usual is None else float((1.0 - event.intervals_s / usual.usual).sum())


@dataclass(slots=True)
class SoftLine:
    """The dips of draw after draw, and what they say of the line.

    A dip is dead time x flow / compliance, so that share 0.8 of this pump's usual one is 1.25 times
    the compliance; by z 5 of its spread. Gas on its way through does the same for a while: draws 3
    in a row tell of gas at rest (not within two hours and sixty strokes of a gulp of gas, which a
    drum change brings and which goes with the flow; within stay_share 0.12 of each other, for gas
    that is carried off lets them come back), or one of sure_strokes 4 with the usual dip under
    plain_share 0.6 and by sure_z 8, the deepest soft within alike 1.25 as well (not right after a
    single soft stroke, nor by fewer strokes than four among the first six after five minutes of
    rest: a gulp could have passed unseen).
    """

    share: float = 0.8
    z: float = 5.0
    sure_strokes: int = 4
    sure_z: float = 8.0
    alike: float = 1.25
    plain_share: float = 0.6
    draws: int = 3
    stay_share: float = 0.12
    gas_strokes: float = 1.0
    shallow_share: float = 0.9
    _soft_draws: int = 0
    _soft_dips: deque[float] = field(default_factory=lambda: deque(maxlen=3))
    _gulp_ts: float | None = None
    _since_gulp: int = 0

    def hear(self, event: Episode, context: Context) -> None:
        """Remember the last stroke that came much too soon; before judging, at every run."""
        usual, t = context.of("interval_s"), event.intervals_s
        if not len(t):
            return
        least = float(t.min())
        own = median(t) if len(t) >= 3 else None
        flow = context.at_pressure("conductance", event)
        lifted = flow is not None and event.strokes >= 3 and 1.08 < flow.ratio < LIFT_SHARE
        if lifted or any(x is not None and least < GULP_SHARE * x for x in (usual, own)):
            self._gulp_ts = event.end_ts
            self._since_gulp = 0
        elif not event.open_:
            self._since_gulp += event.strokes

    def gulped(self, ts: float) -> None:
        """A drum was changed: gas came with it, seen or not."""
        self._gulp_ts = max(ts, self._gulp_ts or ts)
        self._since_gulp = 0

    def judge(self, event: Episode, context: Context) -> Presence:
        """Gas sits in the line: yes, no (its dips are as ever), or nothing to say."""
        if self._slack(event, context):
            return Presence.YES
        soft = self._soft(event, context)
        if soft:
            self._soft_draws += 1
            self._soft_dips.append(event.features.get("dip_pa") or 0.0)
            lasting = self._calm(event) and self._soft_draws >= self.draws and self._stays()
            told = lasting or self._plainly_soft(event, context)
            return Presence.YES if told else Presence.CANNOT_TELL
        if soft is None and self._soft_draws:
            return Presence.CANNOT_TELL
        healthy = (event.features.get("stall_after_pa") or 0.0) > 0.6 * context.stall_pa
        if not event.open_ and event.strokes >= 1 and healthy:
            self._soft_draws = 0
            return Presence.NO
        return Presence.CANNOT_TELL

    def _slack(self, event: Episode, context: Context) -> bool:
        """Does the pressure fall so much more slowly at each reversal, at this pump's usual flow,
        that one draw is enough? Compliance is flow over slope, and the slope repeats better than
        the depth, for which the valve's time counts as well."""
        if not self._calm(event) or self._comes_back() or event.open_:
            return False
        if self.unseen(event, context):
            return False
        if event.strokes == 1:
            return self._one_soft(event, context)
        if not self._as_ever(event, context):
            return False
        if self._long_saw(event, context):
            return True
        slope = context.at_flow("fall_pa_s", event, 0.01)
        steepest, low = event.features.get("fall_max_pa_s"), context.usual["fall_pa_s"].low
        if slope is None or steepest is None or low is None or not context.one_outlet:
            return False
        if (context.of("dip_pa") or 0.0) < LEAST_DIP_PA:
            return False  # hardly more than noise
        dip = context.against("dip_pa", event.features.get("dip_pa"), 0.01)
        if dip is None:
            return False
        unseen = _in_one_step(event, context, dip.usual)
        if dip.ratio > self.plain_share and (unseen or event.strokes < self.sure_strokes):
            return False
        surest = min(slope.z, dip.z)
        plain = slope.ratio < self.plain_share and slope.z < -self.z
        return plain and surest < -self.sure_z and steepest < low

    def unseen(self, event: Episode, context: Context) -> bool:
        """May gas have come unseen? A single soft stroke has no time between strokes that would
        show a gulp, and of the first few after a rest in which a drum may have been changed one or
        two are quick."""
        last = next((run for run in reversed(context.recent) if run.strokes), None)
        single = last is not None and last.strokes == 1
        dip = last.features.get("dip_pa") if last is not None and single else None
        first = event.strokes < self.sure_strokes and _first_strokes(event, context)
        return first or bool(self._softer(context, "dip_pa", dip))

    def _long_saw(self, event: Episode, context: Context) -> bool:
        """Do the teeth between strokes take so much longer, at this pump's usual flow? They grow
        with the compliance, or with its root, and there are many in a draw."""
        saw = context.against("saw_s", event.features.get("saw_s"), 0.01)
        high = context.usual["saw_s"].high
        if saw is None or high is None or not context.one_outlet:
            return False
        longer = saw.ratio > 1.0 / self.share and saw.z > self.sure_z and saw.value > high
        if not longer or not self._shallower(event, context) or self._sunk(event, context):
            return False
        gas = _gas_strokes(saw.ratio, event, context)
        return gas >= self.gas_strokes and gas > 2.0 * _short_strokes(event, context)

    def _sunk(self, event: Episode, context: Context) -> bool:
        """Is the draw's pressure under the usual? What is starved or short of air moves along the
        outlet's curve: its dips are shallow, and its piston creeps otherwise."""
        demand = context.against("demand_pa", event.features.get("demand_pa"))
        return demand is not None and demand.ratio < SAME_PRESSURE

    def _shallower(self, event: Episode, context: Context) -> bool:
        """Are the dips shallower, too? A saw of which every second tooth is missed seems slow."""
        dip = context.against("dip_pa", event.features.get("dip_pa"), 0.01)
        return dip is not None and dip.ratio < self.shallow_share

    def _as_ever(self, event: Episode, context: Context) -> bool:
        """Stall and flow as this pump has them, and one flow throughout."""
        if event.what == "prime" or not steady(event) or not _same_air(event, context):
            return False
        flow = context.at_pressure("conductance", event)
        return flow is not None and abs(flow.ratio - 1.0) < SAME_FLOW

    def _one_soft(self, event: Episode, context: Context) -> bool:
        """The dip of a single stroke, far under all that this pump's strokes leave.

        One stroke has no rate, and one into a leak or a valve that just closed dips as little:
        a demand signal must say that a valve was open through the dip, for no longer than a pump
        of this flow waits for its next stroke.
        """
        f = event.features
        dip, low = context.against("dip_pa", f.get("dip_pa"), 0.01), context.usual["dip_pa"].low
        fall = context.against("fall_pa_s", f.get("fall_max_pa_s"), 0.01)
        open_s, after_s, usual_s = (
            f.get("demand_s"),
            f.get("open_after_s"),
            context.of("interval_s"),
        )
        if dip is None or low is None or fall is None or usual_s is None or not context.one_outlet:
            return False
        if open_s is None or after_s is None or after_s < DIP_OVER_S:
            return False
        if open_s > ONE_STROKE * usual_s:
            return False  # so long open for one stroke: the flow was less
        if dip.usual < FIRM_DIP_PA or dip.value > low or dip.ratio < -NO_DIP:
            return False
        gone = dip.ratio < ALL_GONE and dip.z < -self.sure_z
        if _in_one_step(event, context, dip.usual):
            return gone
        if gone and dip.value < LEAST_DIP_PA:
            return True  # what falls from sample to sample is noise by then
        soft = max(fall.ratio, dip.ratio) < self.plain_share and max(fall.z, dip.z) < -self.z
        return soft and min(fall.z, dip.z) < -self.sure_z

    def _plainly_soft(self, event: Episode, context: Context) -> bool:
        """One draw is enough when its dips are gone by half, and no gulp of gas passed lately:
        after a drum change a single fast stroke brings soft dips that are gone with it."""
        firm = context.against("dip_pa", event.features.get("dip_pa"), 0.01)
        deep = context.against("dip_max_pa", event.features.get("dip_max_pa"), 0.01)
        if firm is None or deep is None or not self._calm(event) or self._comes_back():
            return False
        if self.unseen(event, context):
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
        if _in_one_step(event, context, firm.usual):
            return False  # strokes in step with the samples miss as much of every dip
        sure = min(firm.z, deep.z) < -self.sure_z
        return same and sure and max(firm.ratio, deep.ratio) < self.share

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

    def _all_soft(self, event: Episode, context: Context) -> bool:
        """Of two or three strokes, even the deepest dip is far under the usual."""
        deepest, usual = event.features.get("dip_max_pa"), context.usual["dip_pa"].low
        few = 2 <= event.strokes < self.sure_strokes
        if deepest is None or usual is None or usual < FIRM_DIP_PA:
            return False
        return few and deepest < 0.6 * usual

    def _soft(self, event: Episode, context: Context) -> bool | None:
        """Dips far weaker than this pump's own at like flow; None when it cannot be said."""
        if event.what == "prime" or (event.features.get("race_strokes") or 0) >= 3:
            return None
        if (event.open_ and event.strokes < 8) or not steady(event):
            return None
        opened = (event.features.get("fell_pa") or 0.0) > 0.5 * PA_PER_PSI
        if event.strokes < 3 and not (opened or event.features.get("demand_s")):
            return None  # a stroke into a leak dips less than one into an open valve
        if event.strokes < 2 and not event.features.get("demand_s"):
            return None  # nor has a single one a rate: another outlet's flow may be less
        if not _same_air(event, context):
            return None
        if self._sunk(event, context):
            return None
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
        if middle < FIRM_DIP_PA and name != "firmness":
            return None
        return value < self.share * middle and middle - value > self.z * spread
