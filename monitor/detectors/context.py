"""What a detector may know besides the event: the pump, physics' scales, and its own past."""

from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from functools import wraps
from typing import Any, TypeVar, cast

from monitor.advice.kinds import Kind
from monitor.detectors.outlets import Draws, Shift, by_flow, by_pressure, record
from monitor.detectors.usual import ENOUGH, KEPT_DRAWS, Usual
from monitor.signals.order import median
from monitor.signals.scales import Scales
from monitor.signals.types import Episode
from monitor.site import Pump, Site
from monitor.units import DISPLAYS, PA_PER_PSI, Display

Answer = TypeVar("Answer")

LEARNED = (
    "strokes",
    "stall_after_pa",
    "demand_pa",
    "rate_hz",
    "duration_s",
    "dip_pa",
    "dip_max_pa",
    "dip_s",
    "fall_pa_s",
    "saw_s",
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
        "dip_max_pa",
        "deepest_pa",
        "duration_s",
        "demand_rate",
        "spread_pa",
        "tail_std_pa",
        "strokes",
        "dip_share",
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
FEW_STROKES = 6
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
ANCHOR_AGE_S = 3 * 86_400.0
"""Age of the last of them from which they count: days and nights have gone by (chosen)."""
MATURE = 7
"""Draws of a known outlet before anything is held back: a start must not take longer (chosen)."""
PROBATION = 10
"""Draws after a finding has ended that must raise nothing before any of them counts as usual: one
draw that looks sound does not prove a pump sound (chosen)."""


@dataclass(slots=True)
class Context:
    """One pump as its detectors see it. Learning stops while a finding stands."""

    site: Site
    pump: Pump
    scales: Scales
    usual: dict[str, Usual] = field(default_factory=lambda: {k: Usual() for k in LEARNED})
    flows: Draws = field(default_factory=lambda: Draws(KEPT_DRAWS))
    anchor: Draws = field(default_factory=lambda: Draws(ANCHOR))
    anchor_ts: float = 0.0
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
    heard_pa: float | None = None
    """The last stall since a change of the set point was announced."""
    answers: dict[tuple[object, ...], Any] = field(default_factory=dict)
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
        key = event, "flow", name, floor_share
        if key not in self.answers:
            self.answers[key] = self._at_flow(name, event, floor_share)
        return cast("Shift | None", self.answers[key])

    def _at_flow(self, name: str, event: Episode, floor_share: float) -> Shift | None:
        value, k = event.features.get(name), event.features.get("conductance")
        if value is None or k is None or k <= 0 or not self.usual["conductance"].known:
            return None
        if self.one_outlet:
            return self.against(name, value, floor_share)
        return by_flow(self.flows, name, event, ENOUGH, floor_share)

    def at_pressure(self, name: str, event: Episode, floor_share: float = 0.005) -> Shift | None:
        """How a draw's value stands against this pump's own at the same demand pressure.

        Gas and slip make the pump stroke more while outlet and pressure stay: where the outlets
        of a pump differ, the pressure tells which one it is. On a pump of one outlet: the median.
        """
        key = event, "pressure", name, floor_share
        if key not in self.answers:
            self.answers[key] = self._at_pressure(name, event, floor_share)
        return cast("Shift | None", self.answers[key])

    def _at_pressure(self, name: str, event: Episode, floor_share: float) -> Shift | None:
        value, demand = event.features.get(name), event.features.get("demand_pa")
        if value is None or demand is None or not self.usual["conductance"].known:
            return None
        if self.one_outlet:
            return self.against(name, value, floor_share)
        return by_pressure(self.flows, name, event, self.stall_pa, ENOUGH, floor_share)

    def _old(self, event: Episode) -> bool:
        """Are enough of the first draws known, and as long ago as they must be to hold slow change
        against them? A cold morning is none."""
        return len(self.anchor) == ANCHOR and event.end_ts - self.anchor_ts > ANCHOR_AGE_S

    def since_start(self, name: str, event: Episode) -> Shift | None:
        """How a draw's value stands against this pump's first draws since its start or its last
        repair, at the same outlet; None before enough of them, or where none is like it."""
        if not self._old(event):
            return None
        return by_flow(self.anchor, name, event, ANCHOR // 2, 0.002)

    def first_at_pressure(self, name: str, event: Episode) -> Shift | None:
        """The same at the same demand pressure: slip and gas leave it, and take more strokes."""
        if not self._old(event):
            return None
        return by_pressure(self.anchor, name, event, self.stall_pa, ANCHOR // 2)

    def learn(self, event: Episode) -> None:
        """Take a finished draw into the usual values, unless something is wrong."""
        self.answers.clear()
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
        kept = record(event) if even else None
        if kept is not None:
            self.flows.add(kept)
            if len(self.anchor) < ANCHOR:
                self.anchor.add(kept)
                self.anchor_ts = event.end_ts
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
            kept = record(event) if steady(event) and len(self.anchor) < ANCHOR else None
            if kept is not None:
                self.anchor.add(kept)
                self.anchor_ts = event.end_ts

    def announce(self, ts: float) -> None:
        """A change of the set point was logged, perhaps before it was made: stalls are followed
        for four hours."""
        self.announced = True
        self.announced_ts = ts
        self.heard_pa = None

    def hear(self, event: Episode) -> None:
        """Take stalls after an announced change as the expected ones."""
        stall = event.features.get("stall_after_pa")
        if self.announced and stall is not None and event.strokes and not event.open_:
            values = self.usual["stall_after_pa"].values
            before = self.heard_pa or (values[-1] if values else stall)
            self.heard_pa = stall
            if LEAST_SET_PA <= stall <= MOST_SET_PA:
                self.announced_pa = stall
            if abs(stall - before) > MOVED_SHARE * before:
                self.rebase()  # the change itself: what was learned since the note is of before
            self.announced = event.end_ts - self.announced_ts <= ANNOUNCED_S

    def rebase(self) -> None:
        """A logged repair or change of set point: what was usual no longer counts."""
        self.answers.clear()
        for name in self.usual:
            self.usual[name] = Usual()
        self.recent.clear()
        self.waiting.clear()
        self.flows.clear()
        self.anchor.clear()


def once(ask: Callable[[Episode, Context], Answer]) -> Callable[[Episode, Context], Answer]:
    """A question that several detectors ask of one event is worked out for the first of them."""

    @wraps(ask)
    def answered(event: Episode, context: Context) -> Answer:
        key = event, ask
        if key not in context.answers:
            context.answers[key] = ask(event, context)
        return cast("Answer", context.answers[key])

    return answered


def steady(event: Episode) -> bool:
    """One flow from first stroke to last: no second bay came or went in between."""
    f = event.features
    if event.strokes < 3:
        return event.strokes >= 1
    if event.strokes == 3:
        first, second = event.intervals_s.tolist()
        return bool(abs(first - second) < 0.12 * max(first, second))
    if event.strokes <= FEW_STROKES:
        t = event.intervals_s
        apart = float(t.max()) - float(t.min())  # a median deviation overlooks one in four
        return apart < 0.35 * median(t)
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
