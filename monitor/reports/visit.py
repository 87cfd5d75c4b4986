"""The visit sheet: for each pump that needs somebody why, what first, what to bring, in order.

One model of plain words for the page and the paper. Pumps are ordered by what a visit would save.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from monitor.advice.cautions import DEFER, Caution
from monitor.advice.kinds import SIDE, Kind, Priority, Side
from monitor.advice.procedures import PROCEDURES, Procedure
from monitor.advice.record import Consequence
from monitor.advice.records import record
from monitor.advice.seals import bring_for, kit, warnings
from monitor.advice.text import ends, how_sure, quantity, sentence
from monitor.alarms.types import Alarm, State
from monitor.hydraulics.band import Band
from monitor.reports.drums import Forecast
from monitor.reports.saving import Saving, saving
from monitor.reports.tally import DELIVERY
from monitor.reports.visit_model import (
    Cause,
    Check,
    Known,
    OpenAlarm,
    PumpSheet,
    Reading,
    Shared,
    Sheet,
    Steps,
)
from monitor.site import Pump, Site
from monitor.units import DISPLAYS, Display

DRUM_SOON_DAYS = 10.0
"""A drum that may end within this is worth taking along (chosen: a week
between visits, and some)."""

REPEATS = 3
"""A fault that came this often in 30 days is open though it is not there now (chosen)."""

MONTH_S = 30 * 86_400.0

PROCEDURES_FOR: dict[Kind, tuple[str, ...]] = {
    Kind.AIRLOCK: ("airlock",),
    Kind.MISSED_PRIME: ("airlock", "prime-watch"),
    Kind.LOST_PRIME: ("prime-watch",),
    Kind.AIR_IN_SUCTION: ("prime-watch",),
    Kind.DRUM_EMPTY: ("drum-change",),
    Kind.AIR_VALVE_STALLED: ("change-out",),
    Kind.DIAPHRAGM: ("relieve", "change-out"),
    Kind.BALL_LEAK: ("relieve", "change-out"),
    Kind.WORN: ("catch-test", "change-out"),
    Kind.NO_FLOW: ("relieve",),
    Kind.NO_DEMAND: ("relieve",),
}
"""What a tech is most likely to do about a kind; the rest is in its checks."""


def sheet(
    site: Site, known: Sequence[Known], now_ts: float, shared: Sequence[Shared] = ()
) -> Sheet:
    """The sheet of one site; pumps and supplies with nothing open are left out."""
    show = DISPLAYS[site.units]
    pages = [_Page(k, show, site.zone, now_ts).sheet() for k in known if matters(k)]
    pages += [_shared_page(s, _Words(show, site.zone, now_ts)) for s in shared if s.alarms]
    pages.sort(key=lambda page: page.saving.order)
    here = datetime.fromtimestamp(now_ts, site.zone)
    return Sheet(
        site.label or site.id,
        f"{here:%a} {here.day} {here:%b %Y, %H:%M}",
        here.tzname() or site.time_zone,
        tuple(pages),
        _once([item for page in pages for item in page.bring]),
        DEFER,
        "" if pages else "Nothing is open: no pump needs a visit.",
    )


def matters(known: Known) -> bool:
    """Is there anything to visit this pump for?"""
    return bool(known.alarms or _repeated(known) or _drum_soon(known))


def _repeated(known: Known) -> list[tuple[Kind, int]]:
    """Kinds that came and went often in the month and do not stand now."""
    standing = {alarm.kind for alarm in known.alarms}
    counts: dict[Kind, int] = {}
    for fault in known.faults:
        counts[fault.kind] = counts.get(fault.kind, 0) + 1
    return [(k, n) for k, n in counts.items() if n >= REPEATS and k not in standing]


def _drum_soon(known: Known) -> bool:
    drum = known.drum
    if drum is None:
        return False
    return drum.empty_now or (drum.days.low is not None and drum.days.low <= DRUM_SOON_DAYS)


_PRIORITIES = list(Priority)
_SIDES = list(Side)


def _pressing(alarms: Sequence[Alarm]) -> list[Alarm]:
    """The most pressing first."""
    return sorted(alarms, key=lambda a: (_PRIORITIES.index(a.priority), -a.severity, a.since_ts))


@dataclass(frozen=True, slots=True)
class _Words:
    """Alarms and times in the site's words."""

    show: Display
    zone: ZoneInfo
    now_ts: float

    def local(self, ts: float) -> str:
        """'4 Nov 13:57' on the site's clock."""
        here = datetime.fromtimestamp(ts, self.zone)
        return f"{here.day} {here:%b %H:%M}"

    def day(self, ts: float) -> str:
        """'Wed 4 Nov' on the site's calendar."""
        here = datetime.fromtimestamp(ts, self.zone)
        return f"{here:%a} {here.day} {here:%b}"

    def why(self, name: str, alarm: Alarm) -> str:
        """One line: what, its numbers, since when, how sure."""
        told = [quantity(e, self.show) for e in alarm.evidence if e.value is not None][:2]
        numbers = f"; {'; '.join(told)}" if told else ""
        since = self.local(alarm.raised_ts or alarm.since_ts)
        said = sentence(name, alarm.kind).rstrip(".")
        return f"{said}{numbers}, since {since}. {how_sure(alarm)}"

    def line(self, alarm: Alarm) -> OpenAlarm:
        """The alarm's line with a box."""
        state = alarm.state.value
        if alarm.state is State.SHELVED and alarm.shelved_until_ts:
            state = f"shelved until {self.local(alarm.shelved_until_ts)}"
        count = f", {alarm.count} times" if alarm.count > 1 else ""
        since = self.local(alarm.raised_ts or alarm.since_ts)
        return OpenAlarm(alarm.priority.value, record(alarm.kind).title + count, since, state)


def _weights(alarms: Sequence[Alarm]) -> dict[Kind, float]:
    """Kinds that may be behind the alarms, each with its part."""
    weights: dict[Kind, float] = {}
    for alarm in alarms:
        for kind, weight in alarm.causes or ((alarm.kind, 1.0),):
            weights[kind] = weights.get(kind, 0.0) + weight * max(alarm.confidence, 0.05)
    return weights


def _ranked(weights: dict[Kind, float]) -> list[tuple[Kind, float]]:
    """The likeliest first, parts of 1."""
    total = sum(weights.values())
    return sorted(((k, w / total) for k, w in weights.items()), key=lambda kw: -kw[1])


def _causes(kinds: Sequence[tuple[Kind, float]]) -> tuple[Cause, ...]:
    return tuple(
        Cause(
            f"{kind.value}: {'; '.join(record(kind).causes[:3])}",
            SIDE[kind].value,
            f"{100 * weight:.0f} %",
        )
        for kind, weight in kinds[:4]
    )


def _checks(kinds: Sequence[Kind]) -> tuple[Check, ...]:
    """Every check of the likely kinds once, in the trade's order: air, suction, discharge."""
    told: dict[str, Check] = {}
    for kind in kinds[:3]:
        for check in record(kind).checks:
            told.setdefault(check.text, Check(check.side.value, check.text))
    return tuple(sorted(told.values(), key=lambda check: _SIDES.index(Side(check.side))))


def _cautions(
    kinds: Sequence[Kind], procedures: Sequence[Procedure]
) -> tuple[tuple[str, str], ...]:
    found: list[Caution] = [c for kind in kinds[:3] for c in record(kind).cautions]
    found += [c for p in procedures for c in p.cautions]
    return tuple((c.title, c.text) for c in dict.fromkeys(found))


def _shared_page(shared: Shared, words: _Words) -> PumpSheet:
    """The page of an air supply or a node: one visit there helps every pump on it."""
    alarms = _pressing(shared.alarms)
    ranked = _ranked(_weights(alarms))
    kinds = [kind for kind, _ in ranked]
    air = "; ".join(f"{p.title} {words.show.pressure(p.air_set_pa)}" for p in shared.pumps)
    return PumpSheet(
        pump=shared.subject,
        label=shared.label,
        chemical="",
        bays=_bays(tuple(dict.fromkeys(b for p in shared.pumps for b in p.bays))),
        seal="",
        why=tuple(words.why(shared.label, a) for a in alarms[:3]),
        saves=shared.loss.words(words.show),
        alarms=tuple(words.line(a) for a in alarms),
        causes=_causes(ranked),
        readings=(Reading("Air at each pump, at rest and in use", air),)
        if shared.subject.startswith("air:")
        else (),
        checks=_checks(kinds),
        bring=tuple(dict.fromkeys(item for kind in kinds[:3] for item in record(kind).bring)),
        doubts=(),
        cautions=_cautions(kinds, ()),
        procedures=(),
        work=(),
        month=None,
        worst=None,
        saving=shared.loss,
    )


@dataclass(frozen=True, slots=True)
class _Page:
    """Builds one pump's page."""

    known: Known
    show: Display
    zone: ZoneInfo
    now_ts: float

    @property
    def words(self) -> _Words:
        """The site's words."""
        return _Words(self.show, self.zone, self.now_ts)

    @property
    def alarms(self) -> list[Alarm]:
        """Open alarms, the most pressing first."""
        return _pressing(self.known.alarms)

    @property
    def kinds(self) -> list[tuple[Kind, float]]:
        """Kinds in question with their weights (sum 1), the likeliest first."""
        weights = _weights(self.alarms)
        for kind, _ in _repeated(self.known):
            weights[kind] = weights.get(kind, 0.0) + 0.3
        if not weights and _drum_soon(self.known):
            weights[Kind.DRUM_EMPTY] = 1.0
        return _ranked(weights)

    def sheet(self) -> PumpSheet:
        """The page."""
        pump, kinds = self.known.pump, [kind for kind, _ in self.kinds]
        gain, procedures = self._saving(), self._procedures(kinds)
        return PumpSheet(
            pump=pump.id,
            label=pump.title,
            chemical=pump.fluid.name,
            bays=_bays(pump.bays),
            seal=kit(pump.seal),
            why=tuple(self._why()[:3]),
            saves=gain.words(self.show),
            alarms=tuple(self.words.line(a) for a in self.alarms),
            causes=_causes(self.kinds),
            readings=tuple(self._readings()),
            checks=_checks(kinds),
            bring=self._bring(kinds),
            doubts=_doubts(pump),
            cautions=_cautions(kinds, procedures),
            procedures=tuple(_steps(p) for p in procedures),
            work=tuple(self.known.work),
            month=(self.now_ts - MONTH_S, self.now_ts),
            worst=self.known.worst,
            saving=gain,
        )

    def _saving(self) -> Saving:
        stands = [a.kind for a in self.alarms if a.active and a.kind in DELIVERY]
        none = any(record(kind).harm is Consequence.NO_PRODUCT for kind in stands)
        share = 1.0 if none else 0.5 if stands else 0.0
        top = min((_PRIORITIES.index(a.priority) for a in self.alarms), default=len(_PRIORITIES))
        return saving(self.known.month, self.known.recent, share, top, self.known.prices)

    def _why(self) -> list[str]:
        name = self.known.pump.title
        lines = [self.words.why(name, alarm) for alarm in self.alarms[:2]]
        for kind, count in _repeated(self.known):
            lines.append(f"{record(kind).title}: {count} times in 30 days, not now.")
        if _drum_soon(self.known) and self.known.drum is not None:
            lines.append(self._drum_words(self.known.drum))
        return lines

    def _drum_words(self, drum: Forecast) -> str:
        if drum.empty_now:
            return f"The drum may be empty now ({drum.basis})."
        limits = [d for d in (drum.days.low, drum.days.high) if d is not None]
        days = " to ".join(self.words.day(self.now_ts + d * 86_400.0) for d in limits)
        return f"The drum will end about {days} ({drum.basis})."

    def _readings(self) -> list[Reading]:
        pump, show = self.known.pump, self.show
        air = show.pressure(pump.air_set_pa)
        found = [
            Reading("Air at the pump, at rest", f"{air} (set point)"),
            Reading("Air at the pump, while a bay draws", f"close to {air}"),
        ]
        for name, usual in (
            ("Discharge pressure at rest", self.known.usual_stall_pa),
            ("Discharge pressure during a draw", self.known.usual_draw_pa),
        ):
            expected = ends(*usual, "Pa", show) if usual else "not learnt yet"
            found.append(Reading(name, expected))
        prime = self.known.prime
        if prime is not None:
            found.append(Reading("Strokes to prime", _strokes(prime)))
        drum = self.known.drum
        left = show.volume(max(drum.left_ml.value or 0.0, 0.0)) if drum else "no drum change logged"
        found.append(Reading("Level in the drum", f"about {left}" if drum else left))
        return found

    def _bring(self, kinds: Sequence[Kind]) -> tuple[str, ...]:
        items = [
            i for kind in kinds[:3] for i in bring_for(record(kind).bring, self.known.pump.seal)
        ]
        items += [i for p in self._procedures(kinds) for i in p.bring if "seal material" not in i]
        if _drum_soon(self.known):
            items.append(f"drum of {self.known.pump.fluid.name} (read both labels)")
        return _once(items)

    def _procedures(self, kinds: Sequence[Kind]) -> list[Procedure]:
        names = [name for kind in kinds[:2] for name in PROCEDURES_FOR.get(kind, ())]
        if _drum_soon(self.known):
            names.append("drum-change")
        return [PROCEDURES[name] for name in dict.fromkeys(names)]


def _steps(procedure: Procedure) -> Steps:
    return Steps(
        procedure.title,
        procedure.use_when,
        tuple((s.text, s.why, ", ".join(c.title for c in s.cautions)) for s in procedure.steps),
        procedure.done_when,
    )


def _doubts(pump: Pump) -> tuple[str, ...]:
    """Doubts about seal and chemical; what the site file leaves open in one line."""
    told = warnings(pump.seal, pump.fluid)
    open_ = [line.split(" not ")[0] for line in told if "not known" in line]
    real = tuple(line for line in told if "not known" not in line)
    if not open_:
        return real
    return (
        *real,
        f"The site file does not say of the chemical: {', '.join(open_)}; whether the seals stand "
        "it is not known. See its safety data sheet and the supplier's resistance data.",
    )


def _bays(bays: tuple[str, ...]) -> str:
    """'bay 1', 'bays 1, 2' or that none is named."""
    if not bays:
        return "no bay named"
    return f"{'bay' if len(bays) == 1 else 'bays'} {', '.join(bays)}"


def _once(items: Sequence[str]) -> tuple[str, ...]:
    """Each thing once; one that another names with more to it ('coupler and fittings') goes."""
    found = list(dict.fromkeys(items))
    return tuple(i for i in found if not any(o.startswith((f"{i} and ", f"{i}, ")) for o in found))


def _strokes(band: Band) -> str:
    if math.isinf(band.high):
        return f"{band.low:.0f} or more; a worn pump may not lift this high"
    return f"{band.low:.0f} to {band.high:.0f}"
