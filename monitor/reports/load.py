"""What the reports are made from, read from the store."""

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise

import numpy as np

from monitor.advice.kinds import Kind, Priority, Side
from monitor.alarms.types import Alarm, Change, State
from monitor.hydraulics.suction import strokes_to_prime
from monitor.reports import bays, drums, visit
from monitor.reports.days import DayTallies
from monitor.reports.drums import Drum, Forecast, Stroke
from monitor.reports.leaks import NO_PRICES, Prices
from monitor.reports.saving import saving
from monitor.reports.tally import Fault, Span
from monitor.reports.visit_model import Known, Shared, Sheet
from monitor.signals.types import Episode
from monitor.site import Pump, Site
from monitor.store.alarm_book import AlarmBook, Asked
from monitor.store.episodes import EpisodeBook
from monitor.store.work_log import Entry, Work, WorkLog

DAY_S = 86_400.0
MONTH_S = 30 * DAY_S
RECENT_S = 2 * DAY_S
LOOK_BACK_S = 90 * DAY_S
"""How far back an alarm that still stands is looked for (chosen: a quarter)."""

PAGE_ROWS = 2000
AIR, NODE = "air:", "node:"


@dataclass(frozen=True, slots=True)
class Loader:
    """Reads one site; tallies are shared by all loaders of a store. prices: by pump id, '' for
    every other; None takes those of the site file."""

    tallies: DayTallies
    site: Site
    prices: Mapping[str, Prices] | None = None

    # ------------------------------------------------------------------ bays

    def comparison(
        self,
        span: Span,
        before: Span | None,
        now_ts: float,
        *,
        by: str = "Bay",
        vehicles: Mapping[str, tuple[int, int | None]] | None = None,
    ) -> bays.Comparison:
        """Bays ('Bay') or pumps ('Pump') of the site side by side."""
        parts = self.parts(span, before, now_ts)
        units = bays.by_pump(parts) if by == "Pump" else bays.by_bay(parts, vehicles=vehicles)
        return bays.compare(by, units, self.whole(parts))

    def whole(self, parts: Sequence[bays.Part]) -> bays.Unit:
        """All pumps of the site together, each once."""
        return bays.Unit(self.site.id, self.site.label or self.site.id, tuple(parts))

    def parts(self, span: Span, before: Span | None, now_ts: float) -> list[bays.Part]:
        """Every pump's tallies of both periods and its drum."""
        found = []
        faults = self.faults((min(span[0], (before or span)[0]), span[1]))
        for pump in self.pumps(now_ts):
            mine = of_pump(faults, pump)
            now = self.tallies.of(self.site, pump, span, mine)
            old = self.tallies.of(self.site, pump, before, mine) if before else None
            if old is not None and not old.observed_s:
                old = None
            drum = self.drum(pump, now_ts, faults)
            found.append(bays.Part(now, old, 1.0, drum, self._prices(pump)))
        return found

    def _prices(self, pump: Pump) -> Prices:
        if self.prices is not None:
            return self.prices.get(pump.id, self.prices.get("", NO_PRICES))
        site, own = self.site.prices, pump.fluid.litre_price
        return Prices(
            currency=site.currency,
            chemical_per_l=site.chemical_litre_price if own is None else own,
            energy_per_kwh=site.energy_kwh_price,
            bad_draw=site.bad_draw_price,
        )

    def pumps(self, now_ts: float) -> list[Pump]:
        """The site's pumps as the work log has corrected them: catch tests, set points."""
        entries = WorkLog(self.tallies.core).list(self.site.id, span=(0.0, now_ts + 1.0))
        return [corrected(p, [e for e in entries if e.pump == p.id]) for p in self.site.pumps]

    def faults(self, span: Span) -> dict[str, list[Fault]]:
        """Occurrences that touch the span, by subject."""
        asked = Asked(site=self.site.id, from_ts=span[0] - LOOK_BACK_S, to_ts=span[1])
        book = AlarmBook(self.tallies.core)
        changes: list[Change] = []
        last: int | None = None
        while True:
            page = book.history(asked, limit=PAGE_ROWS, before_seq=last)
            changes += [entry.change for entry in page]
            if len(page) < PAGE_ROWS:
                break
            last = page[-1].seq
        return {
            subject: [f for f in faults if f.end_ts is None or f.end_ts > span[0]]
            for subject, faults in occurrences(reversed(changes)).items()
        }

    # ------------------------------------------------------------------ drums

    def drum(
        self, pump: Pump, now_ts: float, faults: Mapping[str, Sequence[Fault]]
    ) -> Forecast | None:
        """When the drum ends; None when no change of it is logged or its volume is not known."""
        entries = WorkLog(self.tallies.core).list(self.site.id, pump.id, (0.0, now_ts + 1.0))
        changes = [
            (entry.ts, float(entry.values.get("drum_ml") or pump.fluid.drum_ml or 0.0))
            for entry in reversed(entries)
            if entry.kind is Work.DRUM_CHANGED
        ]
        if not changes or not changes[-1][1]:
            return None
        changed_ts, volume_ml = changes[-1]
        pace = self.tallies.of(self.site, pump, (now_ts - drums.USED_DAYS * DAY_S, now_ts), ())
        drum = Drum(changed_ts, volume_ml, self._moved(pump, (changed_ts, now_ts)))
        today = datetime.fromtimestamp(now_ts, self.site.zone).date()
        emptied = [f.start_ts for f in faults.get(pump.id, ()) if f.kind is Kind.DRUM_EMPTY]
        return drums.forecast(drum, self._stroke(pump, changes, emptied), pace.days, today)

    def _moved(self, pump: Pump, span: Span) -> float:
        """Strokes that moved chemical in a span."""
        t = self.tallies.of(self.site, pump, span, ())
        return t.draw_strokes + t.waste_strokes

    def _stroke(
        self, pump: Pump, changes: Sequence[tuple[float, float]], emptied: Sequence[float]
    ) -> Stroke:
        """The catch test's displacement, else what drums that ran empty tell, else the setting."""
        if not pump.displacement_known and emptied:
            past = [
                Drum(ts, volume, self._moved(pump, (ts, following)))
                for (ts, volume), (following, _) in pairwise(changes)
            ]
            told = drums.stroke_from_drums(drums.cycles([*past, Drum(*changes[-1], 0.0)], emptied))
            if told is not None:
                return told
        return drums.stroke(pump.displacement_ml, known=pump.displacement_known)

    # ------------------------------------------------------------------ visit

    def sheet(self, alarms: Sequence[Alarm], now_ts: float) -> Sheet:
        """The visit sheet from the alarms that are not back to normal."""
        faults = self.faults((now_ts - MONTH_S, now_ts))
        shown = [a for a in alarms if a.site == self.site.id and a.state is not State.NORMAL]
        known = [self._known(pump, shown, faults, now_ts) for pump in self.pumps(now_ts)]
        return visit.sheet(self.site, known, now_ts, self._shared(shown, known))

    def _known(
        self, pump: Pump, alarms: Sequence[Alarm], faults: Mapping[str, list[Fault]], now_ts: float
    ) -> Known:
        month = (now_ts - MONTH_S, now_ts)
        mine, own = of_pump(faults, pump), faults.get(pump.id, [])
        core, site = self.tallies.core, self.site
        work = WorkLog(core).list(site.id, pump.id, (now_ts - 6 * MONTH_S, now_ts + 1.0))
        draws = EpisodeBook(core).lean(site.id, pump.id, month, ("stall_after_pa", "demand_pa"))
        return Known(
            pump=pump,
            alarms=[a for a in alarms if a.subject == pump.id],
            faults=[f for f in own if f.start_ts >= month[0]],
            month=self.tallies.of(site, pump, month, mine),
            recent=self.tallies.of(site, pump, (now_ts - RECENT_S, now_ts), mine),
            usual_stall_pa=usual(draws, "stall_after_pa"),
            usual_draw_pa=usual(draws, "demand_pa"),
            prime=strokes_to_prime(pump, site.altitude_m, discharge_pa=pump.check_valve_crack_pa),
            drum=self.drum(pump, now_ts, faults),
            work=[self._entry(entry) for entry in work[:5]],
            worst=worst(own, month),
            prices=self._prices(pump),
        )

    def _entry(self, entry: Entry) -> str:
        day = datetime.fromtimestamp(entry.ts, self.site.zone).strftime("%d %b %Y")
        text = f": {entry.text}" if entry.text else ""
        return f"{day}, {entry.kind.value}{text} ({entry.by})"

    def _shared(self, alarms: Sequence[Alarm], known: Sequence[Known]) -> list[Shared]:
        """Air supplies and nodes with open alarms; their loss is that of all pumps on them."""
        found = []
        labels = {f"{AIR}{a.id}": a.label or f"Air supply {a.id}" for a in self.site.air_supplies}
        for subject in dict.fromkeys(a.subject for a in alarms if ":" in a.subject):
            parents = ((k, (f"{AIR}{k.pump.air_supply}", f"{NODE}{k.pump.node}")) for k in known)
            on_it = [k for k, above in parents if subject in above]
            if not on_it:
                continue
            mine = [a for a in alarms if a.subject == subject]
            spoils = any(a.active and a.side is Side.AIR for a in mine)
            busiest = max(on_it, key=lambda k: k.month.draws)
            top = min(list(Priority).index(a.priority) for a in mine)
            share = 0.5 * len(on_it) if spoils else 0.0
            loss = saving(busiest.month, busiest.recent, share, top, NO_PRICES)
            label = labels.get(subject, subject.replace(":", " ").capitalize())
            found.append(Shared(subject, label, mine, tuple(k.pump for k in on_it), loss))
        return found


def of_pump(faults: Mapping[str, Sequence[Fault]], pump: Pump) -> list[Fault]:
    """A pump's own faults and those of the air supply it hangs on."""
    shared = [
        Fault(f.kind, f.start_ts, f.end_ts, f.priority, shared=True)
        for f in faults.get(f"{AIR}{pump.air_supply}", ())
    ]
    return [*faults.get(pump.id, ()), *shared]


def corrected(pump: Pump, entries: Iterable[Entry]) -> Pump:
    """A pump with its newest catch test and set point; entries newest first."""
    update: dict[str, object] = {}
    for entry in entries:
        if entry.kind is Work.CATCH_TEST and "displacement_ml" in entry.values:
            update.setdefault("displacement_ml", entry.values["displacement_ml"])
            update.setdefault("displacement_known", True)
        if entry.kind is Work.SET_POINT and "air_set_pa" in entry.values:
            update.setdefault("air_set_pa", entry.values["air_set_pa"])
    return pump.model_copy(update=update) if update else pump


def occurrences(changes: Iterable[Change]) -> dict[str, list[Fault]]:
    """Spans in which alarm conditions stood, by subject, from a history oldest first.

    What was suppressed by design stood under another alarm and is not counted again.
    """
    found: dict[str, list[Fault]] = {}
    standing: dict[str, tuple[Alarm, float]] = {}
    for change in changes:
        alarm = change.after
        if alarm is None:
            continue
        begun = standing.get(alarm.tag)
        counts = alarm.active and alarm.state not in (State.SUPPRESSED, State.OUT_OF_SERVICE)
        if counts and begun is None:
            # A repeat within one occurrence begins when it came back, not when it first came.
            standing[alarm.tag] = alarm, alarm.since_ts if alarm.count <= 1 else change.ts
        elif begun is not None and not counts:
            del standing[alarm.tag]
            fault = Fault(alarm.kind, begun[1], change.ts, alarm.priority)
            found.setdefault(alarm.subject, []).append(fault)
    for alarm, start_ts in standing.values():
        fault = Fault(alarm.kind, start_ts, None, alarm.priority)
        found.setdefault(alarm.subject, []).append(fault)
    return found


def usual(episodes: Iterable[Episode], feature: str) -> tuple[float, float] | None:
    """The middle 80 % of a feature over finished draws; None under 20 of them."""
    values = [
        v for e in episodes if e.what == "draw" and (v := e.features.get(feature)) is not None
    ]
    if len(values) < 20:
        return None
    low, high = np.quantile(values, (0.1, 0.9))
    return float(low), float(high)


def worst(faults: Sequence[Fault], span: Span) -> Span | None:
    """Ten minutes before to fifty after the start of the most pressing, longest fault."""
    inside = [f for f in faults if span[0] <= f.start_ts < span[1]]
    if not inside:
        return None
    top = min(
        inside,
        key=lambda f: (list(Priority).index(f.priority), f.start_ts - (f.end_ts or span[1])),
    )
    return top.start_ts - 600.0, top.start_ts + 3000.0
