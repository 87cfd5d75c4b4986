"""Whole sites on one air supply: a common fault is one alarm about the air, other faults are not.

Each case is a wash of several pumps, each of another family, in step on one compressor and main.
Two hours are healthy, then something happens, and the alarms a person would see are counted for
another hour and a half, through the detectors, the siblings and the alarm machine.
"""

import hashlib
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import sqrt
from statistics import median

import numpy as np
from cases import SIMULATOR, cache, keep, pump_of
from score import piece
from table import Report, Row, wilson

from edge.virtual.run import PumpRun
from edge.virtual.site import LiveSite, merge
from edge.virtual.spec import PSI, SONIC, Draw, Fault, PumpSpec, SitePump, SiteSpec, draw_family
from edge.virtual.trace import Chunk
from monitor.advice.kinds import SIDE, Kind, Side
from monitor.alarms.grouping import Family
from monitor.alarms.machine import AlarmMachine
from monitor.alarms.policy import default_policy
from monitor.alarms.types import ANNUNCIATED, Alarm
from monitor.detectors.watch import SiteWatch
from monitor.signals.types import Block
from monitor.site import Site

START_TS = 1_750_000_000.0
ONSET_TS = START_TS + 2 * 3600.0
END_TS = ONSET_TS + 1.5 * 3600.0
BEAT_S = 60.0
AIR = "air:main"
BITES_SHARE = 0.75
"""A pump lacks air when the main gives under this share of its set point: moderate low air."""

Faults = dict[str, tuple[Fault, ...]]
Plan = Callable[[Sequence[PumpSpec]], Faults]


@dataclass(frozen=True, slots=True)
class Scene:
    """What happens to the site at the onset.

    faults: on which pumps; main: what changes in the air system. common: the supply must be named,
    and no pump. together: all pumps draw at the same time, as at a conveyor.
    """

    name: str
    faults: Plan = lambda _specs: {}
    main: Callable[[SiteSpec], SiteSpec] | None = None
    common: bool = False
    together: bool = False


def one_pump(kind: Kind, variant: str = "", at: int = 1) -> Plan:
    """The fault on one pump."""
    return lambda _specs: {f"p{at}": (Fault(str(kind), ONSET_TS, variant=variant),)}


def two_pumps(first: Kind, second: Kind) -> Plan:
    """Two faults of two pumps, half an hour apart."""
    return lambda _specs: {
        "p1": (Fault(str(first), ONSET_TS),),
        "p2": (Fault(str(second), ONSET_TS + 1800.0),),
    }


def every_pump(kind: Kind) -> Plan:
    """The same on all: one cause in the common air."""
    return lambda specs: {f"p{i}": (Fault(str(kind), ONSET_TS),) for i in range(1, len(specs) + 1)}


def thin_main(site: SiteSpec) -> SiteSpec:
    """A main that gives 0.7 of the mean set point when all draw (clogged dryer): ISO 6358
    backwards, at the air they then use."""
    set_pa = sum(p.spec.set_pa for p in site.pumps) / len(site.pumps)
    inlet_pa = 0.5 * (site.low_pa + site.high_pa) + site.atmosphere_pa
    given_pa = 0.7 * set_pa + site.atmosphere_pa
    used = sum(air_used(p.spec, 0.7) for p in site.pumps)
    share = sqrt(1.0 - ((given_pa / inlet_pa - 0.3) / 0.7) ** 2)
    return replace(site, header_c=used / (share * SONIC * inlet_pa))


def air_used(spec: PumpSpec, share: float) -> float:
    """Reference volume of air a second in a draw at this share of the set point."""
    strokes = 1 + spec.air_clearance_ml / spec.displacement_ml
    return spec.usual_flow_m3_s * sqrt(share) * strokes * (share * spec.set_pa + 101_325.0) / 1e5


SCENES = (
    Scene("compressor down", main=lambda s: replace(s, compressor_l_s=0.0), common=True),
    Scene("main at 35 psi", main=lambda s: replace(s, low_pa=33 * PSI, high_pa=35 * PSI),
          common=True),
    Scene("main sags", main=thin_main, common=True, together=True),
    Scene("main is wet", every_pump(Kind.ICING), common=True),
    Scene("nothing, all draw at once", together=True),
    Scene("nothing, each for itself"),
    Scene("low air on one", one_pump(Kind.LOW_AIR)),
    Scene("sag on one", one_pump(Kind.AIR_SAG), together=True),
    Scene("icing on one", one_pump(Kind.ICING)),
    Scene("airlock on one", one_pump(Kind.AIRLOCK)),
    Scene("low air on two", two_pumps(Kind.LOW_AIR, Kind.LOW_AIR)),
    Scene("icing on two", two_pumps(Kind.ICING, Kind.ICING)),
    Scene("sag and restricted suction", two_pumps(Kind.AIR_SAG, Kind.RESTRICTED_SUCTION)),
    Scene("missed prime and leak", two_pumps(Kind.MISSED_PRIME, Kind.NO_DEMAND)),
)  # fmt: skip
SIZES = (3, 6, 4, 5)
"""Pumps at the sites, in turn."""


@dataclass(frozen=True, slots=True)
class Wash:
    """One site and the name of what happens to it."""

    name: str
    seed: int

    @property
    def scene(self) -> Scene:
        """What happens."""
        return next(s for s in SCENES if s.name == self.name)

    @property
    def id(self) -> str:
        """For example 'compressor down/3001'."""
        return f"{self.name}/{self.seed}"

    def specs(self) -> list[PumpSpec]:
        """Pumps of different families; set points of one wash lie close together."""
        rng = np.random.default_rng([self.seed, 31])
        usual_pa = float(rng.uniform(50.0, 75.0)) * PSI
        found = []
        for i in range(SIZES[self.seed % len(SIZES)]):
            spec = draw_family(self.seed * 10 + i)
            set_pa = usual_pa + float(rng.uniform(-10.0, 10.0)) * PSI
            # The same flow at another set point: the tip is what an installer would choose for it.
            tip_m = spec.tip_m * (spec.set_pa / set_pa) ** 0.25
            found.append(replace(spec, set_pa=set_pa, tip_m=tip_m))
        return found

    def site(self) -> SiteSpec:
        """The wash; a receiver of a small compressor, so that it is soon empty."""
        pumps = tuple(SitePump(f"p{i}", spec) for i, spec in enumerate(self.specs(), 1))
        return SiteSpec("bench", pumps, receiver_l=60.0)


def draws_of(wash: Wash, number: int) -> list[Draw]:
    """Draws of one pump; at a conveyor all pumps follow the cars, some seconds apart."""
    rng = np.random.default_rng([wash.seed, 0 if wash.scene.together else number, 7])
    shift_s = 0.7 * number if wash.scene.together else 0.0
    out: list[Draw] = []
    t = START_TS + 40.0
    while t < END_TS - 200.0:
        length_s = float(rng.uniform(10.0, 45.0))
        out.append(Draw(t + shift_s, t + shift_s + length_s))
        t += length_s + float(rng.uniform(20.0, 120.0))
    return out


class Planned(LiveSite):
    """A live site whose draws are laid out beforehand."""

    def _plan(self, to_ts: float) -> None:
        """All draws are known."""


def record(wash: Wash) -> tuple[dict[str, Block], float]:
    """Each pump's block (pressure and strokes only), and when the common air began to lack."""
    site, faults = wash.site(), wash.scene.faults(wash.specs())
    drawn = {f"p{i}": draws_of(wash, i) for i in range(1, len(site.pumps) + 1)}
    text = f"{SIMULATOR}/site/{wash.id}/{site}/{faults}/{drawn['p1'][:9]}"
    if wash.scene.main:
        text += str(wash.scene.main(site))
    path = cache() / f"{hashlib.sha256(text.encode()).hexdigest()[:20]}.npz"
    if not path.exists():
        blocks, bites_ts = simulate(wash, site, faults, drawn)
        arrays: dict[str, object] = {"bites": bites_ts}
        for name, b in blocks.items():
            arrays |= {f"{name}t": b.t0_ts, f"{name}d": b.dt_s, f"{name}s": b.stroke_ts}
            arrays[f"{name}p"] = b.pressure_pa.astype(np.float32)
        keep(path, **arrays)
    with np.load(path) as z:
        got = {
            n: Block(float(z[f"{n}t"]), float(z[f"{n}d"]), z[f"{n}p"].astype(float), z[f"{n}s"])
            for n in drawn
        }
        return got, float(z["bites"])


def simulate(
    wash: Wash,
    site: SiteSpec,
    faults: Mapping[str, tuple[Fault, ...]],
    drawn: dict[str, list[Draw]],
) -> tuple[dict[str, Chunk], float]:
    """The site in step; the air system changes at the onset."""
    live = Planned(site, wash.seed, START_TS, faults)
    for name, run in live.runs.items():
        run.add_draws(drawn[name])
    parts: dict[str, list[Chunk]] = {name: [] for name in drawn}
    bites_ts, at_ts = ONSET_TS, START_TS
    while at_ts < END_TS:
        at_ts += BEAT_S
        if at_ts > ONSET_TS and wash.scene.main:
            live.main.site = wash.scene.main(site)
            live.main.receiver_pa = min(live.main.receiver_pa, live.main.site.high_pa)
        for name, chunk in live.advance(at_ts).items():
            parts[name].append(chunk)
        if at_ts > ONSET_TS and not lacking(live.main.receiver_pa, live.runs):
            bites_ts = at_ts
    waits = wash.name == "compressor down"
    return {n: merge(c) for n, c in parts.items()}, bites_ts if waits else ONSET_TS


def lacking(gauge_pa: float, runs: Mapping[str, PumpRun]) -> bool:
    """Do two pumps get clearly too little?"""
    return sum(gauge_pa < BITES_SHARE * run.spec.set_pa for run in runs.values()) >= 2


def site_file(wash: Wash) -> Site:
    """The same wash as its site file tells it."""
    pumps = tuple(
        pump_of(spec, fitted=False).model_copy(update={"id": f"p{i}"})
        for i, spec in enumerate(wash.specs(), 1)
    )
    return Site(id="bench", pumps=pumps)


@dataclass(frozen=True, slots=True)
class Seen:
    """What a person saw: alarms in front of them, the first by time, before and after."""

    wash: Wash
    bites_ts: float
    raised: tuple[Alarm, ...] = ()
    at_end: tuple[Alarm, ...] = ()
    early: tuple[str, ...] = ()
    words: tuple[str, ...] = field(default=())

    @property
    def supply(self) -> Alarm | None:
        """The first alarm about the air supply."""
        return next((a for a in self.raised if a.subject == AIR), None)

    @property
    def told(self) -> bool:
        """Was what happened told, and of the right side?"""
        if self.wash.scene.common:
            return self.supply is not None and self.supply.side is Side.AIR
        own = {(p, f.kind) for p, fs in self.faults().items() for f in fs}
        return own <= {(a.subject, str(a.kind)) for a in self.raised}

    @property
    def alone(self) -> bool:
        """Common: one alarm in the end, of the supply. Else: none of the supply at any time."""
        if self.wash.scene.common:
            return {a.subject for a in self.at_end} <= {AIR} and len(self.at_end) <= 1
        return self.supply is None

    @property
    def right_side(self) -> bool:
        """Is the first alarm of a common fault, or of each faulty pump, of the right side?"""
        if self.wash.scene.common:
            return bool(self.raised) and self.raised[0].side is Side.AIR
        sides = {(p, SIDE[Kind(f.kind)]) for p, fs in self.faults().items() for f in fs}
        firsts = {a.subject: a for a in reversed(self.raised)}
        return {(p, a.side) for p, a in firsts.items()} == sides

    @property
    def extra(self) -> int:
        """Alarms in front of a person beyond those there should be."""
        if self.wash.scene.common:
            return sum(a.subject != AIR for a in self.raised)
        faulty = self.faults()
        return sum(a.subject not in faulty for a in self.raised)

    @property
    def delay_s(self) -> float | None:
        """From the moment the common air lacks to the supply's alarm."""
        return None if self.supply is None else (self.supply.raised_ts or 0.0) - self.bites_ts

    def faults(self) -> Faults:
        """Truth."""
        return self.wash.scene.faults(self.wash.specs())


def watch(wash: Wash) -> Seen:
    """The site minute by minute through detectors and alarms."""
    blocks, bites_ts = record(wash)
    site = site_file(wash)
    eyes = SiteWatch(site)
    machine = AlarmMachine(default_policy, site=site.id, family=Family.of(site))
    raised: list[Alarm] = []
    early: list[str] = []
    words: list[str] = []
    n = round(BEAT_S / 0.05)
    for lo in range(0, min(len(b.pressure_pa) for b in blocks.values()), n):
        now_ts = START_TS + (lo + n) * 0.05
        found = []
        for name, whole in blocks.items():
            hi = min(lo + n, len(whole.pressure_pa))
            found += eyes.push(name, piece(whole, lo, hi)).findings
        for change in machine.update(found, now_ts):
            a = change.after
            if a is None or a.state not in ANNUNCIATED or change.what not in SHOWN:
                continue
            words.append(f"{(change.ts - ONSET_TS) / 60:+.0f} min {a.subject}: {a.sentence}")
            if (a.raised_ts or 0.0) <= ONSET_TS:
                early.append(f"{a.subject} {a.kind}")
            else:
                raised.append(a)
    stands = tuple(a for a in machine.alarms() if a.state in ANNUNCIATED and a.active)
    return Seen(wash, bites_ts, tuple(raised), stands, tuple(early), tuple(words))


SHOWN = ("raised", "repeated", "released from suppression")


def washes(seeds: Sequence[int]) -> list[Wash]:
    """Every scene at every site."""
    return [Wash(scene.name, seed) for scene in SCENES for seed in seeds]


def show(seen: Sequence[Seen], report: Report) -> list[Row]:
    """Print the table; the rows for the baseline."""
    report.say()
    report.say(
        "site of 3 to 6 pumps            told (95 % Wilson)   side   one supply alarm / none   "
        "extra alarms  delay    before the onset"
    )
    out: list[Row] = []
    for scene in SCENES:
        own = [s for s in seen if s.wash.name == scene.name]
        if own:
            out.append(line(scene, own, report))
    for title, common in (("common", True), ("not common", False)):
        own = [s for s in seen if s.wash.scene.common is common]
        told, alone = sum(s.told for s in own), sum(s.alone for s in own)
        low, high = wilson(told, len(own)) if own else (0.0, 1.0)
        alow, ahigh = wilson(alone, len(own)) if own else (0.0, 1.0)
        report.say(
            f"all {title}: told {told}/{len(own)} ({low:.2f} to {high:.2f}), rightly merged or "
            f"kept apart {alone}/{len(own)} ({alow:.2f} to {ahigh:.2f})"
        )
    return out


def line(scene: Scene, own: Sequence[Seen], report: Report) -> Row:
    """One scene's row."""
    told, alone, side = (sum(getattr(s, n) for s in own) for n in ("told", "alone", "right_side"))
    low, high = wilson(told, len(own))
    delays = [s.delay_s for s in own if s.delay_s is not None and scene.common]
    delay = f"{median(delays) / 60:.0f} min" if delays else "-"
    early = Counter(e for s in own for e in s.early)
    extra = [s.extra for s in own]
    report.say(
        f"{scene.name:30s}  {told}/{len(own)} ({low:.2f} to {high:.2f})  {side}/{len(own)}      "
        f"{alone}/{len(own)}                    {sum(extra):3d}         {delay:8s} "
        f"{dict(early) or ''}"
    )
    return {
        "scene": scene.name, "n": len(own), "told": told, "side": side, "alone": alone,
        "extra": sum(extra), "delay_s": round(median(delays), 1) if delays else None,
    }  # fmt: skip
