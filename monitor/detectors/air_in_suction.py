"""Air in suction: the pump draws gas with its liquid."""

from dataclasses import dataclass

import numpy as np

from monitor.advice.kinds import Kind
from monitor.detectors.base import RUNS, Detector, need
from monitor.detectors.context import Context
from monitor.detectors.finding import Evidence, Finding
from monitor.detectors.lost_prime import burst, healing
from monitor.detectors.outlets import Shift
from monitor.detectors.racing import thinned
from monitor.detectors.strip import Strip, after_short_rest, strip
from monitor.signals.features import BoolArray
from monitor.signals.types import Episode

ALIKE = 0.02
"""Within which neighbouring strokes of one outlet repeat: twice their own 1 % (computed)."""


FOOT_M = 0.3
"""Of a dip tube that runs empty while it is out of the drum (chosen)."""


def _foot_strokes(context: Context) -> float:
    """Gas (strokes of it) that a well-made change of drum brings at the most; one at the least."""
    area_m2 = np.pi / 4.0 * context.pump.suction.bore_m**2
    return max(1.0, float(FOOT_M * area_m2 * 1e6) / context.scales.displacement_ml)


def alternates(event: Episode) -> bool:
    """Long and short strokes in turn, beyond what ragged ones do by chance."""
    f = event.features
    a, se, ragged = f.get("asymmetry"), f.get("asymmetry_se"), f.get("ragged")
    if a is None or se is None or ragged is None or (f.get("pairs") or 0.0) < 3:
        return False
    return a > max(0.03, 5.0 * se) and ragged < 0.3 * a


@dataclass(slots=True)
class AirInSuction(Detector):
    """What it finds: a joint, clamp or dip tube above the liquid that lets air in.

    How it looks: more strokes for the same pressure, ragged in time, with softer dips, all
    through the draw and draw after draw.

    Needs: strokes and some history; without it a very ragged draw is told with less weight.

    Settings: more_share 1.07 times the usual strokes for the pressure; ragged_more 0.02 above
    and ragged_times 2.5 times the usual raggedness (stroke jitter of sound pumps 0.5 to 3 %);
    alternate 0.35, above which it is the two sides that differ;
    even_share 1.6, above which gas drawn in would be ragged; times 2 draws in a row, one more
    where they are not ragged, none where their spread is under even_cv 0.03; or the
    strokes of the last three draws together, least 4 intervals, quick_share 0.06 shorter than usual
    at that pressure by z 5 of this pump's own spread, ragged as above, where this draw and one
    before (two, where strokes are quicker by much 0.55) have dips under soft_share 0.9, this one by
    more than soft_z 1 of their spread, and it is quicker by at least fading 0.7 of the quickest.
    What their times lack must be more gas than 0.3 m of dip tube holds, and a stroke of it at the
    least: so much a well-made change of drum brings; beyond plenty 3 times that, and what the whole
    suction line holds, two such draws are enough, the last by faded 0.4 of the quickest. A burst
    after a rest from which the strokes come back to sound 0.9 of the usual time is a suction line
    that ran empty.

    Blind: when draws are of very few strokes; to a trickle under 5 % of the flow.

    What to do: joints above the liquid, clamp, cracked dip tube; a length of clear hose shows it.

    References: volume balance of a chamber partly filled with gas, f = Q / (V_d (1 - share)).
    """

    more_share: float = 1.07
    ragged_more: float = 0.02
    ragged_times: float = 2.5
    alternate: float = 0.35
    even_share: float = 1.6
    times: int = 2
    even_cv: float = 0.03
    least: int = 4
    quick_share: float = 0.06
    z: float = 5.0
    soft_share: float = 0.9
    soft_z: float = 1.0
    fading: float = 0.7
    much: float = 0.55
    plenty: float = 3.0
    faded: float = 0.4
    sound: float = 0.9
    kind = Kind.AIR_IN_SUCTION
    events = RUNS
    _times: int = 0

    def __post_init__(self) -> None:
        need(self.more_share > 1 and self.ragged_times > 1, "air_in_suction.more_share")

    def rebase(self) -> None:
        """Start counting anew."""
        self._times = 0

    def gulped(self, _ts: float) -> None:
        """What was counted was the change's."""
        self.rebase()

    def update(self, event: Episode, context: Context) -> Finding:
        """Judge a closed draw."""
        if self._second_bay(event, context):
            return self.unknown(event, context)
        more = None if event.open_ else self._together(event, context)
        if more is not None:
            return self._say(event, context, more, ragged=True)
        return self._by_draw(event, context)

    def _by_draw(self, event: Episode, context: Context) -> Finding:
        """This draw's strokes against its pressure, for some draws in a row."""
        flow = context.against("conductance", event.features.get("conductance"))
        if event.open_ or event.strokes < 3 or flow is None or self._otherwise(event):
            return self.unknown(event, context)
        firm = context.against("dip_pa", event.features.get("dip_pa"), 0.01)
        soft = firm is not None and firm.ratio < 0.85 and firm.z < -4
        if flow.ratio < self.more_share or flow.z < 4.0:
            self._times = 0
            calm = flow.ratio < 1.0 + 0.5 * (self.more_share - 1.0) and not soft
            return (self.no if calm else self.unknown)(event, context)
        if not soft or self._gas_at_rest(event, context, flow):
            return self.unknown(event, context)
        last = strip(event, context)
        if self._fades(last, self.fading) or self._little(last, context):
            return self.unknown(event, context)
        ragged = self._ragged(event, context)
        if not ragged and (event.features.get("interval_cv") or 0.0) < self.even_cv:
            return self.unknown(event, context)  # so even: slip or gas at rest, not gas drawn in
        self._times += 1
        if self._times < (self.times if ragged else self.times + 1):
            return self.unknown(event, context)
        return self._say(event, context, flow.ratio, ragged=ragged)

    def _together(self, event: Episode, context: Context) -> float | None:
        """Strokes for the pressure over the last draws, when they are quicker than usual, ragged,
        with soft dips."""
        firm = context.at_pressure("dip_pa", event, 0.01)
        if firm is None or firm.ratio > self.soft_share or firm.z > -self.soft_z:
            return None
        if self._rested(event, context) or self._other_matter(event):
            return None
        if not self._mostly_quick(event, context):
            return None
        last = strip(event, context)
        short = after_short_rest(event, context)
        if len(short) >= 2 and float(np.median(short)) < 0.5 * self.quick_share:
            return None  # sound right after a draw: the line runs empty at rest
        n, quicker, ragged = len(last.logs), last.quicker, last.ragged
        if n < self.least or quicker is None or ragged is None:
            return None
        if (last.asymmetry or 0.0) > self.alternate or not self._again(last, context):
            return None
        if self._little(last, context):
            return None
        jitter = max(last.jitter, 0.01)
        least = max(self.quick_share, self.z * jitter / n**0.5)
        told = quicker > least and ragged > self.ragged_times * jitter + self.ragged_more
        return float(np.exp(quicker)) if told else None

    def _again(self, last: Strip, context: Context) -> bool:
        """This draw and another one of the last, quicker with soft dips, and not fading: gas that a
        drum change left is carried off. Where two fifths of each stroke are gas, two others: so
        much comes with a drum change; but never as much in all."""
        so = [x for x, dip in last.quick if x > self.quick_share and dip < self.soft_share]
        most = max(self.plenty * _foot_strokes(context), context.scales.prime_strokes)
        if last.gas_strokes > most and not self._fades(last, self.faded):
            return len(so) >= self.times
        times = self.times + (bool(so) and max(so) > self.much)
        return len(so) >= times and not self._fades(last, self.fading)

    def _fades(self, last: Strip, share: float) -> bool:
        """Are this draw's strokes so much less quick than those of the last ones were?"""
        quick = [x for x, _ in last.quick]
        return bool(quick) and quick[0] < share * max(quick)

    def _little(self, last: Strip, context: Context) -> bool:
        """Is what the last strokes' times lack no more gas than a drum change may bring?"""
        return last.gas_strokes < _foot_strokes(context)

    def _quick(self, event: Episode, context: Context) -> BoolArray | None:
        """Which of this draw's strokes are quicker than usual; None where that is not known."""
        like = context.at_pressure("interval_s", event)
        return None if like is None else event.intervals_s < (1.0 - self.quick_share) * like.usual

    def _mostly_quick(self, event: Episode, context: Context) -> bool:
        """Are more than half of this draw's strokes quick? After a drum change one or two are."""
        quick = self._quick(event, context)
        return quick is not None and len(quick) > 0 and bool(quick.mean() > 0.5)

    def _second_bay(self, event: Episode, context: Context) -> bool:
        """Were all strokes of the first half whole, and only later ones quick, or four quick ones
        in a row alike? Then a second bay came in; a joint lets air in all through the draw, and
        unevenly."""
        quick = self._quick(event, context)
        if quick is None or len(quick) < 4:
            return False
        if quick.any() and not quick[: len(quick) // 2].any():
            return True
        t = event.intervals_s
        alike = quick[1:] & quick[:-1] & (np.abs(np.diff(t)) < ALIKE * t[1:])
        return bool((alike[2:] & alike[1:-1] & alike[:-2]).any())

    def _other_matter(self, event: Episode) -> bool:
        """A race or a bouncing contact."""
        f = event.features
        return (f.get("race_strokes") or 0.0) >= 3 or (f.get("bounce_share") or 0.0) > 0.1

    def _rested(self, event: Episode, context: Context) -> bool:
        """A suction line that ran empty at rest."""
        if (event.features.get("rest_before_s") or 0.0) < 60.0:
            return False
        usual, found = context.of("interval_s"), burst(event, context)
        if healing(event) or thinned(event, usual):
            return True
        if found is None or found[0] < 3:
            return False
        last = float(np.median(np.diff(event.stroke_ts)[-3:]))
        return usual is None or last > self.sound * usual

    def _otherwise(self, event: Episode) -> bool:
        """A race, a bouncing contact or two unequal sides: other kinds' matters."""
        f = event.features
        if self._other_matter(event):
            return True
        return (f.get("asymmetry") or 0.0) > self.alternate or alternates(event)

    def _gas_at_rest(self, event: Episode, context: Context, flow: Shift) -> bool:
        """A suction line that ran empty at rest, or so much gas in even doses over the balls."""
        if self._rested(event, context):
            return True
        even = (event.features.get("interval_cv") or 0.0) < 0.1
        return flow.ratio > self.even_share and even

    def _say(self, event: Episode, context: Context, more: float, *, ragged: bool) -> Finding:
        sure = 0.7 + 0.15 * ragged
        return self.yes(
            event,
            context,
            (sure, min(0.8, 0.2 + max(0.0, more - 1.0))),
            f"Air in suction: {100 * (more - 1):.0f} % more strokes for the same pressure"
            + (", unevenly spaced" if ragged else "")
            + ", with soft dips.",
            Evidence("strokes for the pressure", more, "", 0.95, self.more_share),
            Evidence(
                "raggedness", event.features.get("ragged"), "share", None, context.of("ragged")
            ),
            causes=((Kind.AIR_IN_SUCTION, sure), (Kind.DIAPHRAGM, 1.0 - sure)),
        )

    def _ragged(self, event: Episode, context: Context) -> bool:
        """Intervals far less even than this pump's."""
        for name in ("ragged", "interval_cv"):
            value, usual = event.features.get(name), context.of(name)
            if value is None or usual is None:
                continue
            if value > self.ragged_times * usual + self.ragged_more:
                return True
        return False
