"""What is usual for one pump, learnt from its draws, and the catch-all that says 'unusual'.

Each feature has its own learnt level with CUSUM and EWMA (`learned.py`); rows of their scores go
to a robust distance and an isolation forest (`joint.py`). All tests together keep a quarter of
one false alarm a pump-month. Nothing is stored: a restart feeds stored episodes to `rebuild`.
"""

from collections import deque
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from heapq import merge
from math import isfinite

import numpy as np

from monitor.advice.kinds import Kind
from monitor.detectors.finding import Evidence, Finding, Presence
from monitor.detectors.joint import NEEDED, Fitter, Joint, Model, Ticket, fit_at_once
from monitor.detectors.learned import Learned, Learning, Move
from monitor.errors import BadSettings
from monitor.signals.types import Episode
from monitor.units import PA_PER_PSI


@dataclass(frozen=True, slots=True)
class Feature:
    """A number of a draw that is learnt.

    floor (own unit), floor_share (of its usual size): the smallest spread that counts, twice the
    change nobody needs to hear of, because the CUSUM forgives half a spread. follows_air: it
    moves when the air set point does, without anything being wrong.
    """

    name: str
    words: str
    unit: str
    floor: float
    floor_share: float = 0.02
    follows_air: bool = False


DRUM_PA = 2.6 * PA_PER_PSI
"""Twice what a drum's level can move a pressure: 0.9 m of liquid (computed: 1.3 psi)."""

FEATURES: tuple[Feature, ...] = (
    Feature("stall_after_pa", "stall pressure", "Pa", DRUM_PA, 0.05, follows_air=True),
    Feature("demand_pa", "pressure during a draw", "Pa", DRUM_PA, 0.05, follows_air=True),
    Feature("rate_hz", "stroke rate", "1/s", 0.01, 0.08, follows_air=True),
    Feature(
        "conductance", "stroke rate for its pressure", "1/(s Pa^0.5)", 1e-5, 0.08, follows_air=True
    ),
    Feature("dip_pa", "depth of the reversal dips", "Pa", 0.5 * PA_PER_PSI, 0.2, follows_air=True),
    Feature("dip_s", "width of the reversal dips", "s", 0.02, 0.2, follows_air=True),
    Feature("asymmetry", "long-short alternation", "", 0.04),
    Feature("ragged", "raggedness of the strokes", "", 0.05),
    Feature("recovery_strokes", "time back to stall", "stroke times", 2.0, 0.2, follows_air=True),
    Feature("strokes_to_stall", "strokes back to stall", "strokes", 1.0, 0.1, follows_air=True),
    Feature("gas_ml", "gas in the line", "mL", 20.0, 0.2, follows_air=True),
    Feature("dry_start_strokes", "dry strokes at the start", "strokes", 1.0),
    Feature("idle_strokes_per_h", "strokes at rest", "strokes/h", 0.5),
)
"""Floors other than a drum's are chosen: 4 % of a rate (a stopwatch), a tenth of a dip, half a
stroke, a tenth of the gas; a leak of a quarter of a stroke an hour is 15 mL/h. The time back to
stall counts in strokes of that draw: wherever in a stroke the valve closed, the pump may take
what is left of it."""

STALL = "stall_after_pa"

OUTLET = frozenset({"rate_hz", "conductance", "demand_pa", "dip_pa", "dip_s"})
"""What another outlet changes while nothing is wrong."""

NEAR_LOW, NEAR_HIGH = 0.97, 1.03
STILL_THERE, LOOKED_BACK = 3, 30
"""Of so many last draws as ever that show the old outlet is still in use (chosen: an hour of a busy
bay may be without the other one)."""

DRAWN_PA = 0.7 * PA_PER_PSI
"""A fall before a stroke beyond the noise of a line at rest (computed for the class)."""

MANY_STROKES = 12
"""Strokes from which raggedness and alternation are the pump's: each time a bay comes or goes two
of the differences are odd that a median is taken of, and that twice are under half of nine."""

LEAST_REST_S = 900.0
"""Rest over which idle strokes give a rate (chosen: one stroke in 15 min is 4 mL/min at 60 mL)."""

STEP_PA = 3.0 * PA_PER_PSI
STEP_SHARE = 0.05
"""A stall pressure that is off by more than max(3 psi, 5 %) may be a new set point (chosen: three
times a 1 % transducer's allowance at 100 psi)."""

SETTLED_DRAWS = 10
"""Draws that must agree before a new set point is believed (chosen: a median of ten)."""

SET_POINT_PA = (20.0 * PA_PER_PSI, 100.0 * PA_PER_PSI)
"""Air supply a pump of the class may have (common practice, no published source)."""

REVIEW_S = 86_400.0
"""The forest looks once a day (chosen: some 40 ms of work for a slow catch-all)."""

JUDGED_AGAIN = 40
"""Draws judged again at a start: what a chart remembers of a shift of one sigma (computed)."""

Row = tuple[float, dict[str, float]]
"""When a draw ended, and its values."""

RESTART_ALL = frozenset({"pump changed", "seals", "foot valve cleaned", "accepted as usual"})
RESTART_AIR = frozenset({"set point changed"})
CALM_ONLY = frozenset({"drum changed"})
"""Work entries by what they do here; every other kind leaves the baseline alone."""


@dataclass(slots=True)
class Baseline:
    """One pump's baseline; feed finished episodes in time order. Bounded memory, no clock.

    update(episode, learn=False) while any finding stands: a fault does not become normal.
    note(ts, what) after work; rebuild(...) at start. usual(feature) is for display.
    """

    pump: str
    features: tuple[Feature, ...] = FEATURES
    learning: Learning = field(default_factory=Learning)
    fitter: Fitter = fit_at_once
    learned: dict[str, Learned] = field(init=False)
    joint: Joint = field(init=False)
    _pending: list[tuple[float, dict[str, float]]] = field(default_factory=list, init=False)
    _wandering: bool = field(default=False, init=False)
    _idle: tuple[float, float] = field(default=(0.0, 0.0), init=False)
    _as_ever: deque[bool] = field(default_factory=lambda: deque(maxlen=LOOKED_BACK), init=False)
    _reviewed_ts: float | None = field(default=None, init=False)
    _forest: bool = field(default=False, init=False)
    _asked: Ticket | None = field(default=None, init=False, repr=False)
    _strange_since: float | None = field(default=None, init=False)

    def __post_init__(self) -> None:
        names = [f.name for f in self.features]
        if not names or len(set(names)) != len(names):
            raise BadSettings([f"baseline of {self.pump}: features must be named, each once"])
        tests = 2 * len(names) + 2
        self.learned = {
            f.name: Learned(f.name, f.floor, tests, f.floor_share, self.learning)
            for f in self.features
        }
        self.joint = Joint(
            len(names),
            self.learned[names[0]].limits.arl0,
            self.learning.window_draws,
            fitter=self.fitter,
        )

    # ------------------------------------------------------------------ asking

    @property
    def ready(self) -> bool:
        """Has any feature seen enough draws to be judged?"""
        return any(one.ready for one in self.learned.values())

    @property
    def settling(self) -> bool:
        """Is a new set point suspected, and its draws awaited?"""
        return bool(self._pending)

    def usual(self, feature: str) -> tuple[float, float] | None:
        """(low, high) of a feature, 95 % of the learnt draws; None before enough or if unknown."""
        one = self.learned.get(feature)
        return one.usual() if one else None

    def robust_z(self, feature: str, value: float) -> float | None:
        """How many robust sigmas a value lies from the feature's median; None before enough."""
        one = self.learned.get(feature)
        return one.robust_z(value) if one else None

    def moves(self) -> list[Move]:
        """The features that have left their usual level, the farthest first."""
        found = [one.move for one in self.learned.values() if one.move]
        return sorted(found, key=lambda move: -abs(move.sigmas))

    # ------------------------------------------------------------------ living

    def note(self, ts: float, what: str) -> None:
        """A work entry of this kind (its words in the log): re-base what it re-bases."""
        if what in RESTART_ALL:
            self._restart(self.learned)
        elif what in RESTART_AIR:
            self._restart(f.name for f in self.features if f.follows_air)
        elif what in CALM_ONLY:
            self.calm()
        if what in RESTART_ALL | RESTART_AIR | CALM_ONLY:
            self._pending, self._wandering = [], False
            self._idle, self._forest, self._reviewed_ts = (0.0, 0.0), False, ts
            self._asked = None

    def calm(self) -> None:
        """Charts back to zero, what was learnt stays: a named fault has ended, and the days it
        lasted shall not speak for themselves once more."""
        for one in self.learned.values():
            one.calm()
        self.joint.calm()
        self._forest, self._strange_since = False, None

    def _restart(self, names: Iterable[str]) -> None:
        for name in list(names):
            self.learned[name].restart()
        self.joint.restart()

    def rebuild(
        self,
        episodes: Iterable[Episode],
        notes: Iterable[tuple[float, str]] = (),
        held: Sequence[tuple[float, float]] = (),
    ) -> None:
        """Learn again from stored episodes, oldest first.

        notes: (ts, kind of work entry), in time order. held: spans [from, to] in which a finding
        stood. The last window of draws is learnt at once, only the last few are judged again, so
        that a site's start does not wait for months to be relived.
        """
        rows: deque[Row] = deque(maxlen=self.learning.window_draws + JUDGED_AGAIN)
        events: Iterable[tuple[float, Episode | str]] = ((e.end_ts, e) for e in episodes)
        for ts, thing in merge(notes, events, key=lambda pair: pair[0]):
            if isinstance(thing, str):
                self.note(ts, thing)
                rows = self._after(thing, rows)
                continue
            values = self._look(thing)
            if values is not None and not any(a <= ts <= b for a, b in held):
                rows.append((ts, values))
        learnt = list(rows)[:-JUDGED_AGAIN]
        self._learn_all(learnt)
        for ts, values in list(rows)[len(learnt) :]:
            self._feed(ts, values, learn=True)

    def _after(self, what: str, rows: deque[Row]) -> deque[Row]:
        """What of the rows so far still counts after a work entry."""
        if what in RESTART_ALL:
            rows.clear()
        if what in RESTART_AIR:
            gone = {f.name for f in self.features if f.follows_air}
            kept = [(ts, {k: v for k, v in row.items() if k not in gone}) for ts, row in rows]
            return deque(kept, maxlen=rows.maxlen)
        return rows

    def _learn_all(self, rows: Sequence[Row]) -> None:
        scores = np.full((len(rows), len(self.features)), np.nan)
        since = _last_step([values.get(STALL) for _, values in rows])
        for column, feature in enumerate(self.features):
            first = since if feature.follows_air else 0
            here = [i for i in range(first, len(rows)) if feature.name in rows[i][1]]
            times = np.array([rows[i][0] for i in here], np.float64)
            values = np.array([rows[i][1][feature.name] for i in here], np.float64)
            scores[here, column] = self.learned[feature.name].learn_all(times, values)
        self.joint.learn_all(scores)

    def update(self, episode: Episode, *, learn: bool = True) -> Finding:
        """Judge one episode; only a finished, whole draw of three strokes or more can tell."""
        if not self._take(episode, learn=learn):
            return self._finding(episode, Presence.CANNOT_TELL)
        self._review(episode.end_ts)
        strange = self.joint.strange or self._forest
        if not strange:
            self._strange_since = None
        elif self._strange_since is None:
            self._strange_since = episode.start_ts
        if self.settling or not (strange or self._telling()):
            return self._finding(episode, Presence.NO)
        return self._unusual(episode)

    def _telling(self) -> list[Move]:
        """Moves worth a word: beyond what is usual, and not merely another outlet's draws among
        the old one's (a bay that is hardly used, a new nozzle)."""
        moves = [m for m in self.moves() if not m.low <= m.recent <= m.high]
        if all(m.name in OUTLET for m in moves) and sum(self._as_ever) >= STILL_THERE:
            return []
        return moves

    def _take(self, episode: Episode, *, learn: bool) -> bool:
        """Feed the features; False when the episode tells nothing (or too little is known)."""
        values = self._look(episode)
        if values is None:
            return False
        was_ready = self.ready
        self._feed(episode.end_ts, values, learn=learn)
        return was_ready

    def _look(self, episode: Episode) -> dict[str, float] | None:
        """What an episode says of a draw; None when it is none, or not a whole one."""
        if episode.open_:
            return None
        if episode.what != "draw":
            self._rest(episode)
            return None
        if episode.strokes < 3 or episode.features.get("cut"):
            return None
        return self._values(episode)

    def _feed(self, ts: float, values: dict[str, float], *, learn: bool) -> None:
        """One draw's values to every test."""
        self._step(ts, values, learn=learn)
        usual, flow = self.usual("conductance"), values.get("conductance")
        if usual is not None and flow is not None:
            low, high = usual
            self._as_ever.append(bool(low * NEAR_LOW <= flow <= high * NEAR_HIGH))
        row = np.full(len(self.features), np.nan)
        for i, feature in enumerate(self.features):
            value = values.get(feature.name)
            if value is None or (self._pending and feature.follows_air):
                continue
            self.learned[feature.name].update(ts, value, learn=learn)
            score = self.learned[feature.name].last_score
            row[i] = np.nan if score is None else score
        if not self._pending:
            self.joint.arl0 = next(iter(self.learned.values())).limits.arl0
            self.joint.update(row, learn=learn and not self.moves())

    def _rest(self, episode: Episode) -> None:
        """Strokes at rest and the time rested, until the next draw asks for their rate."""
        strokes, rest_s = self._idle
        fell = episode.features.get("fell_pa") or 0.0
        if episode.what == "idle strokes" and fell <= DRAWN_PA:
            strokes += episode.strokes  # a valve that opens lowers the line first: a short draw
        if episode.what in ("idle strokes", "dead-head"):
            rest_s += episode.duration_s
        self._idle = strokes, rest_s

    def _values(self, episode: Episode) -> dict[str, float]:
        """The draw's known features, with the three that are made here."""
        found = {k: v for k, v in episode.features.items() if v is not None and isfinite(v)}
        rate, root = found.get("rate_hz"), found.get("sqrt_demand")
        if rate is not None and root:
            found["conductance"] = rate / root
        if rate is not None and "recovery_s" in found:
            found["recovery_strokes"] = found["recovery_s"] * rate
        if episode.strokes < MANY_STROKES:
            found.pop("ragged", None)
            found.pop("asymmetry", None)
        strokes, rest_s = self._idle
        if rest_s >= LEAST_REST_S:
            found["idle_strokes_per_h"] = strokes * 3600.0 / rest_s
        self._idle = 0.0, 0.0
        return found

    # ------------------------------------------------------------------ set point

    def _step(self, ts: float, values: dict[str, float], *, learn: bool) -> None:
        """Notice a stall pressure that has jumped to a new, steady level within the allowed range.

        For up to ten draws what follows the air is not judged here (the kinds 'low air' and 'high
        air' are). If the ten agree they are learnt anew, without an alarm; if not, a pressure that
        wanders is judged like anything else until it comes back.
        """
        stall, one = values.get(STALL), self.learned.get(STALL)
        if stall is None or one is None or one.level is None or not one.ready:
            return
        off = abs(stall - one.level.median)
        if off <= max(STEP_PA, STEP_SHARE * one.level.median, 4 * one.level.spread):
            self._pending, self._wandering = [], False
            return
        if self._wandering or not learn:
            self._pending = []
            return
        self._pending.append((ts, values))
        if not SET_POINT_PA[0] <= stall <= SET_POINT_PA[1]:
            self._pending, self._wandering = [], True
        elif len(self._pending) == SETTLED_DRAWS:
            pending, self._pending = self._pending, []
            levels = np.array([v[STALL] for _, v in pending])
            middle = float(np.median(levels))
            self._wandering = bool(np.ptp(levels) > 2 * max(STEP_PA, STEP_SHARE * middle))
            if not self._wandering:
                self._relearn(pending)

    def _relearn(self, pending: list[tuple[float, dict[str, float]]]) -> None:
        followers = [f.name for f in self.features if f.follows_air]
        self._restart(followers)
        # The last draw is fed by the caller in the ordinary way.
        for ts, values in pending[:-1]:
            for name in followers:
                if name in values:
                    self.learned[name].learn(ts, values[name])

    # ------------------------------------------------------------------ saying

    def _review(self, ts: float) -> None:
        """Ask the forest once a day."""
        if self._reviewed_ts is None:
            self._reviewed_ts = ts
        if ts - self._reviewed_ts >= REVIEW_S and (asked := self.joint.review()) is not None:
            self._reviewed_ts, self._asked = ts, asked
        if self._asked is not None and self._asked.done:
            odd = self._asked.answer
            self._forest = not (odd is None or isinstance(odd, Model)) and sum(odd) >= NEEDED
            self._asked = None

    def _finding(self, episode: Episode, presence: Presence) -> Finding:
        return Finding(self.pump, Kind.UNUSUAL, presence, episode.end_ts, episode.start_ts)

    def _unusual(self, episode: Episode) -> Finding:
        moves = self._telling()[:3]
        pointed = [(m.name, m.direction, m.recent) for m in moves] or self._pointed(episode)
        words = {f.name: f.words for f in self.features}
        parts = [f"{words[name]} {'higher' if d > 0 else 'lower'}" for name, d, _ in pointed]
        what = ", ".join(parts) + " than usual" if parts else "its numbers together, none alone"
        since = min([m.since_ts for m in moves] + [self._strange_since or episode.start_ts])
        return Finding(
            self.pump,
            Kind.UNUSUAL,
            Presence.YES,
            episode.end_ts,
            since,
            confidence=0.5 if moves else 0.3,
            severity=0.2,
            sentence=f"Unusual for this pump: {what}.",
            evidence=tuple(self._evidence(name, value) for name, _, value in pointed),
            causes=((Kind.UNUSUAL, 1.0),),
        )

    def _pointed(self, episode: Episode) -> list[tuple[str, int, float | None]]:
        """What the joint distance points at: (feature, direction, its value in this draw)."""
        found = []
        for index, score in self.joint.moved()[:3]:
            name = self.features[index].name
            if abs(score) >= 1.0:
                found.append((name, 1 if score > 0 else -1, episode.features.get(name)))
        return found

    def _evidence(self, name: str, value: float | None) -> Evidence:
        feature = next(f for f in self.features if f.name == name)
        low, high = self.usual(name) or (None, None)
        return Evidence(feature.words, value, feature.unit, low, high)


def _last_step(stalls: Sequence[float | None]) -> int:
    """Index from which the stall pressure has been on its present level: behind the last ten draws
    in a row that were off it by more than a set point's step."""
    known = [(i, p) for i, p in enumerate(stalls) if p is not None]
    if len(known) < SETTLED_DRAWS:
        return 0
    now = float(np.median([p for _, p in known[-SETTLED_DRAWS:]]))
    run = 0
    for back in range(len(known) - 1, -1, -1):
        run = run + 1 if abs(known[back][1] - now) > max(STEP_PA, STEP_SHARE * now) else 0
        if run == SETTLED_DRAWS:
            return known[back + SETTLED_DRAWS - 1][0] + 1
    return 0
