"""A running service made of memory and invented pumps, for tests of pages and API.

Alarms, accounts and work log are the real ones; only the store is computed: every pump draws for
half a minute every seven minutes, so that any window of any length holds something to look at.
"""

import asyncio
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from monitor.advice.kinds import Kind
from monitor.alarms.grouping import Family
from monitor.alarms.machine import AlarmMachine, OutOfService
from monitor.alarms.policy import default_policy
from monitor.alarms.types import Alarm, Change, State
from monitor.api.accounts import SCHEMA as ACCOUNTS
from monitor.detectors.finding import Evidence, Finding, Presence
from monitor.detectors.watch import PumpNow
from monitor.notify.ack_link import SCHEMA as ACK
from monitor.signals.types import Episode
from monitor.site import AirSupply, Fluid, Pump, Sensors, Site
from monitor.store.alarm_book import SCHEMA as ALARMS
from monitor.store.alarm_book import AlarmBook
from monitor.store.core import Core, Schema
from monitor.store.episodes import SCHEMA as EPISODES
from monitor.store.episodes import EpisodeBook
from monitor.store.interface import Level, Series
from monitor.store.memory import MemoryStore
from monitor.store.work_log import SCHEMA as WORK
from monitor.store.work_log import Entry, WorkLog

STEP_S = {Level.SECOND: 1.0, Level.MINUTE: 60.0, Level.HOUR: 3600.0}
EVERY_S, DRAW_S = 420.0, 32.0
FloatArray = NDArray[np.float64]


def invented_site(site_id: str = "north", *, units: str = "us", pumps: int = 6) -> Site:
    """A site of our own invention."""
    chemicals = ("Presoak", "Foam soap", "Tire dressing", "Wheel acid", "Wax", "Rinse aid")
    seals = ("FKM", "TPV", "FKM", "FFKM", "TPV", "TPV")
    return Site.model_validate(
        {
            "id": site_id,
            "label": f"{site_id.capitalize()} yard",
            "time_zone": "Europe/Paris" if units == "metric" else "America/Chicago",
            "units": units,
            "air_supplies": (AirSupply(id="main", label="Main header"),),
            "pumps": tuple(
                Pump(
                    id=f"P{i + 1}",
                    label=chemicals[i % 6],
                    fluid=Fluid(name=f"{chemicals[i % 6]} concentrate", drum_ml=200_000),
                    bays=("1",) if i < 3 else ("2",) if i < 5 else ("1", "2"),
                    seal=seals[i % 6],
                    displacement_known=i % 2 == 0,
                    sensors=Sensors(demand=i % 2 == 0, air=i == 0),
                )
                for i in range(pumps)
            ),
        }
    )


class ComputedStore(MemoryStore):
    """Answers `read` for any window before `newest_ts`; the rest as an empty store in memory."""

    def __init__(self, newest: Mapping[tuple[str, str], float], first_ts: float) -> None:
        super().__init__()
        self.newest = dict(newest)
        self.first_ts = first_ts

    def latest_ts(self) -> dict[tuple[str, str], float]:
        """The newest data of each pump."""
        return dict(self.newest)

    def read(
        self,
        site: str,
        pump: str,
        span: tuple[float, float],
        *,
        level: Level | None = None,
        max_points: int = 4000,
    ) -> Series:
        """Computed columns at the level asked, or the finest within max_points."""
        length = span[1] - span[0]
        chosen = level or next(
            (lv for lv, step in STEP_S.items() if length / step <= max_points), Level.HOUR
        )
        step = STEP_S.get(chosen, 0.1)
        newest = min(self.newest.get((site, pump), 0.0), span[1])
        first = np.ceil(max(span[0], self.first_ts) / step)
        ts = np.arange(first, max(np.ceil(newest / step), first)) * step
        share = drawing_share(ts, step)
        base = 401e3 + 1500 * np.sin(ts / 977.0) + 2500 * scatter(ts, 1)
        low = np.where(share > 0, base - 150e3 - 40e3 * scatter(ts, 2), base - 2500)
        demand_fitted = int(pump[1:]) % 2 == 1
        return Series(
            pump=pump,
            level=chosen,
            ts=ts,
            low_pa=low,
            mean_pa=base - 130e3 * share,
            high_pa=base + 1500 + 6000 * scatter(ts, 3),
            strokes=np.round((1.4 + 0.4 * scatter(ts, 4)) * share * step),
            demand_s=share * step if demand_fitted else None,
            air_pa=np.full(len(ts), 413_685.0) if pump == "P1" else None,
            gaps=() if newest >= span[1] else ((max(newest, span[0]), span[1]),),
        )


def drawing_share(ts: FloatArray, step_s: float) -> FloatArray:
    """Share of each step [ts, ts + step) during which the invented pump draws."""

    def before(t: FloatArray) -> FloatArray:
        whole = np.floor(t / EVERY_S)
        return np.asarray(whole * DRAW_S + np.minimum(t - whole * EVERY_S, DRAW_S), np.float64)

    return np.asarray((before(ts + step_s) - before(ts)) / step_s, np.float64)


LEARNT = (
    Evidence("stall pressure after a draw", 401e3, "Pa", 392e3, 410e3),
    Evidence("stroke rate during a draw", 1.6, "1/s", 1.4, 1.8),
)


def scatter(ts: FloatArray, which: int) -> FloatArray:
    """Numbers from 0 to 1 that look random and are the same each time (fractions of a sine)."""
    return np.asarray(np.abs(np.sin(ts * 12.9898 + which * 78.233)) * 43758.5453 % 1.0, np.float64)


@dataclass(slots=True)
class Double:
    """Implements Live; `time_ts` is the service's time and moves only when told."""

    folder: Path
    time_ts: float
    site_list: tuple[Site, ...] = field(default_factory=lambda: (invented_site(),))
    core: Core = field(init=False)
    store: ComputedStore = field(init=False)
    machines: dict[str, AlarmMachine] = field(init=False)
    nows: dict[tuple[str, str], PumpNow] = field(init=False)
    log: list[tuple[int, str]] = field(default_factory=list)
    history: list[Change] = field(default_factory=list)
    after_looking: Callable[[], None] | None = None

    def __post_init__(self) -> None:
        self.core = Core(self.folder, (*core_schemas(), ACCOUNTS))
        newest = {(s.id, p.id): self.time_ts for s in self.site_list for p in s.pumps}
        self.store = ComputedStore(newest, self.time_ts - 400 * 86_400)
        self.machines = {
            s.id: AlarmMachine(default_policy, site=s.id, family=Family.of(s))
            for s in self.site_list
        }
        self.nows = {
            k: PumpNow(self.time_ts, 401e3, 0.0, "at rest", 392e3, 410e3, 437, LEARNT)
            for k in newest
        }

    # What tests do to it.

    def find(self, site: str, *findings: Finding) -> None:
        """Let the alarm machine hear these, then let its delays run out."""
        machine = self.machines[site]
        changes = machine.update(list(findings), max(f.ts for f in findings))
        self._remember(site, changes + machine.tick(self.time_ts))
        self.changed(*(f"alarm:{a.id}" for a in machine.alarms()))

    def _remember(self, site: str, changes: Sequence[Change]) -> None:
        self.history += changes
        AlarmBook(self.core).save(site, changes, self.machines[site].dump())

    def changed(self, *ids: str) -> None:
        """Say that these changed."""
        start = self.sequence()
        self.log += [(start + 1 + i, name) for i, name in enumerate(ids)]

    def silence(self, site: str, pump: str, for_s: float) -> None:
        """No data of a pump since so long."""
        self.store.newest[site, pump] = self.time_ts - for_s

    # Live.

    def now_ts(self) -> float:
        """The time it was told."""
        return self.time_ts

    def sites(self) -> Sequence[Site]:
        """Its sites."""
        return self.site_list

    def now(self, site: str, pump: str) -> PumpNow | None:
        """The pump now."""
        return self.nows.get((site, pump))

    def alarms(self, site: str | None = None) -> Sequence[Alarm]:
        """What stands."""
        names = self.machines if site is None else [site]
        return [a for name in names for a in self.machines[name].alarms()]

    def last_ended_ts(self, site: str) -> float | None:
        """The newest return to normal in its memory."""
        ended = [
            c.ts
            for c in self.history
            if c.after is not None and c.after.site == site and c.after.state is State.NORMAL
        ]
        return max(ended, default=None)

    def _machine_of(self, alarm_id: str) -> AlarmMachine:
        return next(m for name, m in self.machines.items() if alarm_id.startswith(name + "."))

    def acknowledge(self, alarm_id: str, *, by: str) -> None:
        """As the machine does."""
        self._keep(alarm_id, self._machine_of(alarm_id).acknowledge(alarm_id, by, self.time_ts))

    def reset(self, alarm_id: str, *, by: str) -> None:
        """As the machine does."""
        self._keep(alarm_id, self._machine_of(alarm_id).reset(alarm_id, by, self.time_ts))

    def shelve(
        self, alarm_id: str, *, by: str, reason: str, until_ts: float, one_shot: bool = False
    ) -> None:
        """As the machine does."""
        machine = self._machine_of(alarm_id)
        self._keep(
            alarm_id,
            machine.shelve(
                alarm_id, by, reason, self.time_ts, until_ts=until_ts, one_shot=one_shot
            ),
        )

    def unshelve(self, alarm_id: str, *, by: str) -> None:
        """As the machine does."""
        self._keep(alarm_id, self._machine_of(alarm_id).unshelve(alarm_id, by, self.time_ts))

    def _keep(self, alarm_id: str, changes: Sequence[Change]) -> None:
        self._remember(alarm_id.split(".")[0], changes)
        self.changed(f"alarm:{alarm_id}")

    def out(self, site: str) -> Mapping[str, OutOfService]:
        """Subjects out of service."""
        return self.machines[site].out

    def out_of_service(self, site: str, subject: str, *, by: str, reason: str, on: bool) -> None:
        """As the machine does."""
        machine = self.machines[site]
        if on:
            self._remember(site, machine.out_of_service(subject, by, reason, self.time_ts))
        else:
            self._remember(site, machine.return_to_service(subject, by, self.time_ts))
        self.changed(f"{site}/{subject}")

    def add_work(self, entry: Entry) -> int:
        """Into the work log."""
        self.changed(f"{entry.site}/{entry.pump}")
        return WorkLog(self.core).add(entry)

    def undo_work(self, entry_id: int, *, by: str) -> None:
        """Out of the work log, readable."""
        WorkLog(self.core).undo(entry_id, by, self.time_ts)

    def figures(self) -> Mapping[str, float]:
        """A few numbers."""
        return {"messages_total": 1234.0, "journal_bytes": 4096.0, "start_s": 1.2}

    def refused(self) -> Mapping[str, int]:
        """Two reasons."""
        return {"unknown pump": 3, "bad time": 1}

    def asleep(self, site: str) -> int:  # noqa: ARG002 - the interface's signature
        """None."""
        return 0

    def dead_channels(self) -> Sequence[str]:
        """None."""
        return ()

    def sequence(self) -> int:
        """The newest number."""
        return self.log[-1][0] if self.log else 0

    async def changes(self, after: int, *, wait_s: float) -> tuple[int, Sequence[str]]:
        """Looks every 50 ms, then calls `after_looking` where a test has set it."""
        if self.after_looking is not None:
            self.after_looking()
        for _ in range(max(1, round(wait_s / 0.05))):
            ids = [name for number, name in self.log if number > after]
            if ids:
                return self.sequence(), ids
            await asyncio.sleep(0.05)
        return self.sequence(), ()


def core_schemas() -> tuple[Schema, ...]:
    """The rooms whose tables the double needs."""
    return (EPISODES, WORK, ALARMS, ACK)


def finding(subject: str, kind: Kind, since_ts: float, sentence: str) -> Finding:
    """An invented verdict with evidence."""
    return Finding(
        subject,
        kind,
        Presence.YES,
        since_ts + 60,
        since_ts,
        confidence=0.93,
        severity=0.6,
        sentence=sentence,
        evidence=(
            Evidence("pressure while stroking", 27.6e3, "Pa", 240e3, 280e3),
            Evidence("stroke rate", 1.23, "1/s", 0.4, 0.9),
            Evidence("trapped gas", 143.0, "mL", None, 12.0),
        ),
        causes=((kind, 0.8), (Kind.LOST_PRIME, 0.15)),
    )


def fill(double: Double, site: str = "north", *, days: int = 1) -> None:
    """A site on an ordinary bad day: three open matters, one silent pump, days of draws."""
    now = double.time_ts
    double.find(
        site,
        finding(
            "P2", Kind.AIRLOCK, now - 3000, "74 strokes/min at 4 psi, 31 strokes to reach stall."
        ),
        finding("P3", Kind.NO_DEMAND, now - 9000, "A stroke every 11 s since closing: 0.4 L/h."),
        finding("P4", Kind.WORN, now - 86_400, "12 % more strokes for the same draw than in May."),
    )
    double.silence(site, "P5", 720.0)
    book = EpisodeBook(double.core)
    first = np.ceil((now - days * 86_400) / EVERY_S)
    for pump in double.site_list[0].pumps:
        book.add(site, *_draws(pump.id, first, int((now - 600) / EVERY_S)))


def _draws(pump: str, first: float, last: int) -> list[Episode]:
    return [
        Episode(
            pump,
            "draw",
            k * EVERY_S,
            k * EVERY_S + DRAW_S,
            False,
            51,
            {"stall_after_pa": 401e3, "demand_pa": 276e3, "rate_hz": 1.6},
        )
        for k in range(int(first), last)
    ]
