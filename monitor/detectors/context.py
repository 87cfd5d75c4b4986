"""What a detector may know besides the event: the pump, physics' scales, and its own past."""

from bisect import insort
from collections import deque
from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np

from monitor.advice.kinds import Kind
from monitor.signals.scales import Scales
from monitor.signals.types import Episode, FloatArray
from monitor.site import Pump, Site
from monitor.units import DISPLAYS, PA_PER_PSI, Display

LEARNED = (
    "strokes",
    "stall_after_pa",
    "demand_pa",
    "rate_hz",
    "duration_s",
    "dip_pa",
    "dip_s",
    "fall_pa_s",
    "recovery_s",
    "asymmetry",
    "ragged",
    "strokes_to_stall",
    "interval_cv",
    "interval_s",
    "trend_pa",
    "spread_pa",
    "tail_std_pa",
    "dip_share",
    "deepest_pa",
    "demand_rate",
    "conductance",
    "firmness",
    "dry_start_strokes",
)
ANY_LENGTH = frozenset(
    {
        "stall_after_pa",
        "dip_pa",
        "deepest_pa",
        "duration_s",
        "demand_rate",
        "spread_pa",
        "tail_std_pa",
        "strokes",
    }
)
"""Features that one stroke is enough for."""
ANY_FLOW = frozenset(
    {
        "stall_after_pa",
        "duration_s",
        "demand_rate",
        "tail_std_pa",
        "ragged",
        "interval_cv",
        "strokes",
        "dip_share",
        "deepest_pa",
    }
)
"""Features that do not need one flow throughout the draw."""
MOVED_SHARE = 0.12
ANNOUNCED_S = 4 * 3600.0
LEAST_SET_PA, MOST_SET_PA = 18.0 * PA_PER_PSI, 105.0 * PA_PER_PSI
"""Air of 20 to 100 psi is allowed (common practice); friction and overshoot at the stall."""
KEPT_DRAWS = 60
"""Draws a usual value is taken over: a median of 60 has a standard error of 0.16 sigma."""
FEW_STROKES = 6
BY_FLOW = ("demand_pa", "dip_pa", "dip_s", "interval_s", "conductance", "stall_after_pa")
PRESSURE_REACH = 0.01
"""How far (of the stall pressure) a demand pressure may lie from those seen to be judged by them:
noise of a mean of seconds and the accuracy of a regulator (chosen)."""
ONE_OUTLET = 1.12
"""Largest over smallest conductance, a tenth of the draws left out at either end, up to which a
pump is taken to feed one outlet: three strokes of 3 % jitter give 1.07, two nozzle sizes 1.5 and
more. A median deviation would not do: of two outlets it sees but the one that is used more."""
LAG = 2
"""A draw counts as usual once so many after it have raised nothing: the draws in which a fault
shows itself must not move the mark it is judged by."""
ANCHOR = 40
"""Draws after the start or the last repair that later ones are held against: what comes over months
moves the last sixty with it. A median of forty repeats within a sixth of a draw's spread."""
MATURE = 7
"""Draws of a known outlet before anything is held back: a start must not take longer (chosen)."""
PROBATION = 10
"""Draws after a finding has ended that must raise nothing before any of them counts as usual: one
draw that looks sound does not prove a pump sound (chosen)."""
REACH = 0.2
"""How far (logarithm) an outlet may lie from those seen to be judged by them."""
FAR = 2.0
"""Reaches within which LIKE draws must lie, else there is nothing to judge by (chosen)."""
LIKE = 3
"""Like draws a line is read off: one outlet's repeat within 1 %, and two of three agree."""
ENOUGH = 5
"""Draws before a usual value is used at all: a median of 5 withstands two odd ones."""


_FIVE_PERCENT = tuple((round(0.05 * (n - 1)), round(0.95 * (n - 1))) for n in range(KEPT_DRAWS + 1))
"""Where the 5th and the 95th percentile of so many sorted values stand."""


def _median(rising: list[float]) -> float:
    half = len(rising) // 2
    return rising[half] if len(rising) % 2 else 0.5 * (rising[half - 1] + rising[half])


@dataclass(slots=True)
class Usual:
    """A running picture of one feature over the last draws; its figures are None before enough.

    median; low, high: 5th and 95th percentile. Asked at every event, they are made once a draw.
    """

    values: deque[float] = field(default_factory=lambda: deque(maxlen=KEPT_DRAWS))
    median: float | None = None
    low: float | None = None
    high: float | None = None
    _rising: list[float] = field(default_factory=list)
    _spread: float | None = None

    def add(self, value: float) -> None:
        """Take one draw's value."""
        rising = self._rising
        if len(rising) == KEPT_DRAWS:
            rising.remove(self.values[0])
        self.values.append(value)
        insort(rising, value)
        self._spread = None
        if self.known:
            low, high = _FIVE_PERCENT[len(rising)]
            self.median, self.low, self.high = _median(rising), rising[low], rising[high]

    def _at(self, share: float) -> float:
        return self._rising[round(share * (len(self._rising) - 1))]

    @property
    def known(self) -> bool:
        """Enough draws to be used."""
        return len(self._rising) >= ENOUGH

    @property
    def spread(self) -> float | None:
        """Robust standard deviation, None before enough draws."""
        if self._spread is None and self.median is not None:
            middle, half = self.median, len(self._rising) // 2
            off = [middle - x for x in self._rising[:half]]
            off += [x - middle for x in self._rising[half:]]
            self._spread = 1.4826 * _median(sorted(off))
        return self._spread

    @property
    def range_ratio(self) -> float | None:
        """90th over 10th percentile; None before enough draws."""
        if not self.known:
            return None
        low = self._at(0.1)
        return self._at(0.9) / low if low > 0 else None


@dataclass(frozen=True, slots=True)
class Shift:
    """A value beside the usual one: their ratio, and the difference in usual spreads."""

    value: float
    usual: float
    ratio: float
    z: float


def _off_line(
    x: FloatArray, y: FloatArray, value: float, reach: float, floor_share: float
) -> Shift | None:
    """A value at x = 0 against the line through the known points within reach (at least LIKE);
    None where no known point is near."""
    if not x.min() - reach < 0.0 < x.max() + reach:
        return None
    some = float(np.sort(np.abs(x))[min(len(x), LIKE) - 1])
    if some > FAR * reach:
        return None
    near = np.abs(x) <= max(reach, some)
    x, y = x[near], y[near]
    slope = 0.0
    if float(np.ptp(x)) > 0.005 * reach:
        slope = float(((x - x.mean()) * (y - y.mean())).sum() / ((x - x.mean()) ** 2).sum())
    expected = float(y.mean() - slope * x.mean())
    noise = float((y - expected - slope * x).std())
    scale = max(noise, floor_share * abs(expected), 1e-12)
    ratio = value / expected if expected else float("inf")
    return Shift(value, expected, ratio, (value - expected) / scale)


@dataclass(slots=True)
class Context:
    """One pump as its detectors see it. Learning stops while a finding stands."""

    site: Site
    pump: Pump
    scales: Scales
    usual: dict[str, Usual] = field(default_factory=lambda: {k: Usual() for k in LEARNED})
    flows: deque[tuple[float, dict[str, float | None]]] = field(
        default_factory=lambda: deque(maxlen=KEPT_DRAWS)
    )
    anchor: list[tuple[float, dict[str, float | None]]] = field(default_factory=list)
    recent: deque[Episode] = field(default_factory=lambda: deque(maxlen=40))
    waiting: deque[Episode] = field(default_factory=deque)
    probation: int = 0
    standing: dict[Kind, float] = field(default_factory=dict)
    notes: dict[str, float] = field(default_factory=dict)
    neighbours_low: int = 0
    air_rest_pa: float | None = None
    announced: bool = False
    announced_pa: float | None = None
    announced_ts: float = 0.0
    _asked: Episode | None = None
    _answers: dict[tuple[str, float], Shift | None] = field(default_factory=dict)
    """Several detectors ask the same of one event, and nothing is learnt in between."""

    @property
    def show(self) -> Display:
        """How the site wants its numbers, for sentences."""
        return DISPLAYS[self.site.units]

    def of(self, feature: str) -> float | None:
        """This pump's usual value of a feature, None before enough draws."""
        return self.usual[feature].median

    @property
    def stall_pa(self) -> float:
        """The stall pressure to expect: learned where it fits the set point, else computed."""
        learned = self.of("stall_after_pa")
        expected = self.scales.stall_pa if self.announced_pa is None else self.announced_pa
        if learned is None or abs(learned - expected) > max(0.12 * expected, 41_400.0):
            return expected
        return learned

    @property
    def race_hz(self) -> float:
        """A rate no draw of this pump reaches with liquid in it."""
        own = self.usual["rate_hz"].high
        floor = 0.35 * self.scales.dry_rate_hz
        return floor if own is None else max(floor, min(1.5 * own, 0.8 * self.scales.dry_rate_hz))

    def against(self, name: str, value: float | None, floor_share: float = 0.005) -> Shift | None:
        """How a value stands against this pump's usual; None before enough draws."""
        if value is None:
            return None
        usual = self.usual[name]
        middle, spread = usual.median, usual.spread
        if middle is None or spread is None:
            return None
        scale = max(spread, floor_share * abs(middle), 1e-12)
        ratio = value / middle if middle else float("inf")
        return Shift(value, middle, ratio, (value - middle) / scale)

    @property
    def one_outlet(self) -> bool:
        """Do this pump's draws all go through one outlet?"""
        ratio = self.usual["conductance"].range_ratio
        return ratio is not None and ratio < ONE_OUTLET

    def at_flow(self, name: str, event: Episode, floor_share: float = 0.005) -> Shift | None:
        """How a draw's value stands against this pump's own at the same outlet.

        On a pump whose draws differ (several bays or functions) the usual value is read off a
        local line over the outlets seen, on the logarithm of the conductance; on a pump of one
        outlet it is the median. None where no like draw is known.
        """
        if self._asked is not event:
            self._asked, self._answers = event, {}
        key = name, floor_share
        if key not in self._answers:
            self._answers[key] = self._at_flow(name, event, floor_share)
        return self._answers[key]

    def _at_flow(self, name: str, event: Episode, floor_share: float) -> Shift | None:
        value, k = event.features.get(name), event.features.get("conductance")
        if value is None or k is None or k <= 0 or not self.usual["conductance"].known:
            return None
        if self.one_outlet:
            return self.against(name, value, floor_share)
        known = [(a, b[name]) for a, b in self.flows if b.get(name) is not None]
        if len(known) < ENOUGH:
            return None
        x = np.log(np.array([a for a, _ in known])) - np.log(k)
        return _off_line(x, np.array([b for _, b in known], np.float64), value, REACH, floor_share)

    def at_pressure(self, name: str, event: Episode, floor_share: float = 0.005) -> Shift | None:
        """How a draw's value stands against this pump's own at the same demand pressure.

        Gas and slip make the pump stroke more while outlet and pressure stay: where the outlets
        of a pump differ, the pressure tells which one it is. On a pump of one outlet: the median.
        """
        value, demand = event.features.get(name), event.features.get("demand_pa")
        if value is None or demand is None or not self.usual["conductance"].known:
            return None
        if self.one_outlet:
            return self.against(name, value, floor_share)
        known = [
            (b["demand_pa"], b[name])
            for _, b in self.flows
            if b["demand_pa"] is not None and b.get(name) is not None
        ]
        if len(known) < ENOUGH:
            return None
        x = (np.array([a for a, _ in known], np.float64) - demand) / self.stall_pa
        y = np.array([b for _, b in known], np.float64)
        return _off_line(x, y, value, PRESSURE_REACH, floor_share)

    def since_start(self, name: str, event: Episode) -> Shift | None:
        """How a draw's value stands against this pump's first draws since its start or its last
        repair, at the same outlet; None before enough of them, or where none is like it."""
        value, k = event.features.get(name), event.features.get("conductance")
        if value is None or k is None or k <= 0 or len(self.anchor) < ANCHOR:
            return None
        known = [(a, b[name]) for a, b in self.anchor if b.get(name) is not None]
        if len(known) < ANCHOR // 2:
            return None
        x = np.log(np.array([a for a, _ in known])) - np.log(k)
        return _off_line(x, np.array([b for _, b in known], np.float64), value, REACH, 0.002)

    def first_at_pressure(self, name: str, event: Episode) -> Shift | None:
        """The same at the same demand pressure: slip and gas leave it, and take more strokes."""
        value, demand = event.features.get(name), event.features.get("demand_pa")
        if value is None or demand is None or len(self.anchor) < ANCHOR:
            return None
        known = [
            (b["demand_pa"], b[name])
            for _, b in self.anchor
            if b["demand_pa"] is not None and b.get(name) is not None
        ]
        if len(known) < ANCHOR // 2:
            return None
        x = (np.array([a for a, _ in known], np.float64) - demand) / self.stall_pa
        y = np.array([b for _, b in known], np.float64)
        return _off_line(x, y, value, PRESSURE_REACH, 0.005)

    def learn(self, event: Episode) -> None:
        """Take a finished draw into the usual values, unless something is wrong."""
        self._asked = None
        if event.what == "dead-head" and event.features.get("air_pa") is not None:
            self.air_rest_pa = event.features["air_pa"]
        if event.open_ or event.what == "dead-head":
            return
        self.recent.append(event)
        if any(k is not Kind.UNUSUAL for k in self.standing):
            self.waiting.clear()
            self.probation = PROBATION
            return
        self.probation = max(0, self.probation - 1)
        if event.what == "prime" or event.features.get("cut"):
            return
        self.waiting.append(event)
        lag = LAG if len(self.usual["conductance"].values) >= MATURE else 0
        lag = PROBATION if self.probation else lag
        while len(self.waiting) > lag:
            self._take(self.waiting.popleft())

    def _take(self, event: Episode) -> None:
        """A draw that counts as usual."""
        few = event.strokes < 2
        even = steady(event)
        k = event.features.get("conductance")
        if even and event.strokes >= 3 and k is not None and k > 0:
            self.flows.append((k, {name: event.features.get(name) for name in BY_FLOW}))
            if len(self.anchor) < ANCHOR:
                self.anchor.append(self.flows[-1])
        for name, usual in self.usual.items():
            value = derived(name, event)
            if value is None or (few and name not in ANY_LENGTH):
                continue
            if even or name in ANY_FLOW:
                usual.add(value)

    def repaired(self, kinds: Iterable[Kind]) -> None:
        """Work was logged: what stood is to be judged anew, else nothing would ever be learned of
        the pump as it is now, and no verdict could end."""
        for kind in kinds:
            self.standing.pop(kind, None)

    def begin(self, first: Iterable[Episode]) -> None:
        """Hold later draws against these, the first after the start or the last repair: a start of
        the service reads only the last weeks, and what comes over months is older."""
        self.anchor.clear()
        for event in first:
            k = event.features.get("conductance")
            if k is None or k <= 0 or event.strokes < 3 or not steady(event):
                continue
            self.anchor.append((k, {name: event.features.get(name) for name in BY_FLOW}))
            if len(self.anchor) == ANCHOR:
                break

    def announce(self, ts: float) -> None:
        """A change of the set point was logged, perhaps before it was made: stalls are followed
        for four hours."""
        self.announced = True
        self.announced_ts = ts

    def hear(self, event: Episode) -> None:
        """Take stalls after an announced change as the expected ones."""
        stall = event.features.get("stall_after_pa")
        if self.announced and stall is not None and event.strokes and not event.open_:
            if LEAST_SET_PA <= stall <= MOST_SET_PA:
                self.announced_pa = stall
            values = self.usual["stall_after_pa"].values
            if values and abs(stall - values[-1]) > MOVED_SHARE * values[-1]:
                self.rebase()  # the change itself: what was learned since the note is of before
            self.announced = event.end_ts - self.announced_ts <= ANNOUNCED_S

    def rebase(self) -> None:
        """A logged repair or change of set point: what was usual no longer counts."""
        self._asked = None
        for name in self.usual:
            self.usual[name] = Usual()
        self.recent.clear()
        self.waiting.clear()
        self.flows.clear()
        self.anchor.clear()


def steady(event: Episode) -> bool:
    """One flow from first stroke to last: no second bay came or went in between."""
    f = event.features
    if event.strokes < 3:
        return event.strokes >= 1
    if event.strokes == 3:
        first, second = np.diff(event.stroke_ts).tolist()
        return bool(abs(first - second) < 0.12 * max(first, second))
    if event.strokes <= FEW_STROKES:
        t = np.diff(event.stroke_ts)
        return bool(np.ptp(t) < 0.35 * np.median(t))  # a median deviation overlooks one in four
    cv, split = f.get("interval_cv"), f.get("split_rate_ratio")
    even = cv is not None and cv < 0.12
    return even and (split is None or 0.8 < split < 1.25)


def derived(name: str, event: Episode) -> float | None:
    """A learned number of an episode: a feature, or one made of several."""
    f = event.features
    if name == "duration_s":
        return event.duration_s
    if name == "firmness":
        return firmness(event)
    if name == "strokes":
        return float(event.strokes) if event.strokes else None
    if name == "dip_share":
        dips = f.get("dips")
        return dips / event.strokes if dips is not None and event.strokes else None
    if name == "demand_rate":
        open_s = f.get("demand_s")
        return event.strokes / open_s if open_s is not None and open_s >= 3.0 else None
    return f.get(name)


def firmness(event: Episode) -> float | None:
    """Dip per flow, Pa per (1/s) of rate: dead time over line compliance; a soft line has little.

    With one or two strokes the rate is not known and the dip alone stands.
    """
    dip, rate = event.features.get("dip_pa"), event.features.get("rate_hz")
    if dip is None:
        return None
    return dip / rate if rate and event.strokes >= 3 else None
