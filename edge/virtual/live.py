"""A virtual site that keeps pace with the clock: for the demo and for the `virtual` source.

A virtual-site file is TOML (durations in seconds from the start of the run, pressures in psi):

    site = "pine-hollow"
    seed = 7
    pattern = "demo"            # a pattern of edge.virtual.demand
    header_c = 6.0              # dm3/(s bar), compressor and main
    [[pump]]
    id = "presoak"
    chemical = "Alkaline presoak"
    set_psi = 60.0
    displacement_ml = 60.0
    tip_mm = 1.5
    lift_m = 0.6
    bays = ["1", "2"]
    demand = true               # channels fitted
    air = false
      [[pump.fault]]
      kind = "low air"
      onset_s = 90.0
      ramp_s = 5.0
      severity = 0.5
      end_s = 400.0             # left out: stands for good
      variant = ""

Other keys of [[pump]]: any field of PumpSpec that is a number. Unknown keys, kinds and patterns
are refused together with BadSettings.
"""

import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

from edge.virtual import demand
from edge.virtual import kernel as k
from edge.virtual.faults import EFFECTS, SENSOR_KINDS
from edge.virtual.run import Climate, Fitted, PumpRun
from edge.virtual.spec import PSI, SONIC, Fault, PumpSpec, SitePump, SiteSpec
from edge.virtual.trace import Chunk, join
from monitor.errors import BadSettings

LOCKSTEP_S = 0.5
"""Pumps feel each other's air use with this delay; a header does not answer faster."""
HORIZON_S = 3600.0
HEADER_MEMORY_S = 2.0

__all__ = ["LiveSite", "Script", "load_site"]


@dataclass(frozen=True, slots=True)
class Script:
    """A site file as read: the site, its seed and each pump's faults in seconds from the start."""

    site: SiteSpec
    seed: int
    faults: dict[str, tuple[Fault, ...]]


def _faults(entries: Iterable[dict[str, Any]], place: str, wrong: list[str]) -> tuple[Fault, ...]:
    """The scripted faults of one pump; what is wrong is listed."""
    out = []
    allowed = {"kind", "onset_s", "ramp_s", "severity", "end_s", "variant"}
    for number, entry in enumerate(entries):
        at = f"{place}.fault[{number}]"
        wrong += [f"{at}.{key}: unknown key" for key in entry.keys() - allowed]
        kind = entry.get("kind", "")
        if kind not in EFFECTS and kind not in SENSOR_KINDS:
            wrong.append(f"{at}.kind: '{kind}' is not a kind of fault")
        out.append(
            Fault(
                str(kind),
                float(entry.get("onset_s", 0.0)),
                float(entry.get("ramp_s", 0.0)),
                float(entry.get("severity", 0.5)),
                float(entry.get("end_s", float("inf"))),
                str(entry.get("variant", "")),
            )
        )
    return tuple(out)


def _pump(entry: dict[str, Any], place: str, wrong: list[str]) -> SitePump:
    """One pump; numbers go to the field of PumpSpec of that name."""
    entry = dict(entry)
    own = {key: entry.pop(key, None) for key in ("id", "chemical", "bays", "demand", "air")}
    changes: dict[str, float] = {}
    if "set_psi" in entry:
        changes["set_pa"] = float(entry.pop("set_psi")) * PSI
    if "tip_mm" in entry:
        changes["tip_m"] = float(entry.pop("tip_mm")) / 1000.0
    numbers = {f.name for f in fields(PumpSpec) if f.type is float or f.type == "float"}
    for key, value in entry.items():
        if key in numbers and isinstance(value, int | float):
            changes[key] = float(value)
        else:
            wrong.append(f"{place}.{key}: unknown key or not a number")
    if not own["id"]:
        wrong.append(f"{place}.id: missing; give the pump a name")
    spec = replace(PumpSpec(), **changes)  # type: ignore[arg-type] # float fields only
    return SitePump(
        str(own["id"]),
        spec,
        bays=tuple(own["bays"] or ("1",)),
        demand_fitted=bool(own["demand"]),
        air_fitted=bool(own["air"]),
        chemical=str(own["chemical"] or "unnamed chemical"),
    )


def load_script(path: Path) -> Script:
    """Read a virtual-site file; raises BadSettings with every fault found."""
    wrong: list[str] = []
    try:
        raw = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, tomllib.TOMLDecodeError) as error:
        raise BadSettings([f"{path}: {error}"]) from error
    pumps, faults = [], {}
    for number, entry in enumerate(raw.pop("pump", [])):
        entry = dict(entry)
        scripted = _faults(entry.pop("fault", []), f"{path}: pump[{number}]", wrong)
        pump = _pump(entry, f"{path}: pump[{number}]", wrong)
        pumps.append(pump)
        faults[pump.id] = scripted
    site = SiteSpec(
        str(raw.pop("site", "virtual")),
        tuple(pumps),
        str(raw.pop("pattern", "self-serve")),
        float(raw.pop("header_c", 6.0)),
    )
    seed = int(raw.pop("seed", 0))
    wrong += [f"{path}: {key}: unknown key" for key in raw]
    if site.pattern not in demand.PATTERNS:
        wrong.append(f"{path}: pattern: '{site.pattern}'; one of {', '.join(demand.PATTERNS)}")
    if not pumps:
        wrong.append(f"{path}: no [[pump]]; give at least one")
    if wrong:
        raise BadSettings(wrong)
    return Script(site, seed, faults)


def load_site(path: Path, start_ts: float) -> "LiveSite":
    """The site of a virtual-site file, standing at start_ts; raises BadSettings."""
    script = load_script(path)
    faults = {
        pump: tuple(
            replace(f, onset_ts=f.onset_ts + start_ts, end_ts=f.end_ts + start_ts) for f in scripted
        )
        for pump, scripted in script.faults.items()
    }
    return LiveSite(script.site, script.seed, start_ts, faults)


class LiveSite:
    """All pumps of a site in step, sharing one air header; `advance` gives what was measured."""

    def __init__(
        self,
        site: SiteSpec,
        seed: int,
        start_ts: float,
        faults: dict[str, tuple[Fault, ...]] | None = None,
        rate_hz: float = 20.0,
    ) -> None:
        self.site, self.seed, self.start_ts = site, seed, start_ts
        self.faults = faults or {}
        climate = Climate(
            site.mean_temp_c, site.daily_swing_k, site.utc_offset_s, site.atmosphere_pa
        )
        self._planned = 0
        self._beat = 0
        self._air_m3 = 0.0
        self._header_flow = 0.0
        self.runs = {
            pump.id: PumpRun(
                pump.spec,
                [],
                self.faults.get(pump.id, ()),
                t0_ts=start_ts,
                rate_hz=rate_hz,
                seed=seed * 1000 + number,
                fitted=Fitted(pump.demand_fitted, pump.air_fitted),
                climate=climate,
            )
            for number, pump in enumerate(site.pumps)
        }

    def _plan(self, to_ts: float) -> None:
        """Lay out draws hour by hour, always the same for a seed."""
        while self.start_ts + self._planned * HORIZON_S <= to_ts + HORIZON_S:
            at = self.start_ts + self._planned * HORIZON_S
            for number, pump in enumerate(self.site.pumps):
                seed = (self.seed * 1000 + number) * 100_003 + self._planned
                self.runs[pump.id].add_draws(
                    demand.draws(
                        self.site.pattern,
                        pump.bays,
                        (at, at + HORIZON_S),
                        seed,
                        self.site.utc_offset_s,
                    )
                )
            self._planned += 1

    def _share_air(self) -> None:
        """The header sinks with the air all pumps took lately (ISO 6358, small drop)."""
        used = sum(run.state[k.AIR_USED] for run in self.runs.values())
        flow = (used - self._air_m3) / LOCKSTEP_S
        self._air_m3 = used
        weight = LOCKSTEP_S / HEADER_MEMORY_S
        self._header_flow += weight * (flow - self._header_flow)
        source_pa = self.site.atmosphere_pa + 120 * PSI
        full = self.site.header_c * SONIC * source_pa
        loss = min(0.9, self._header_flow / full) if full > 0 else 0.0
        drop_pa = source_pa * (1.0 - 0.3) * (1.0 - (1.0 - loss * loss) ** 0.5)
        for run in self.runs.values():
            room_pa = 120 * PSI - run.spec.set_pa
            run.set_header(-max(0.0, drop_pa - room_pa))

    def advance(self, to_ts: float) -> dict[str, Chunk]:
        """What each pump's node measured since the last call, up to to_ts (whole half seconds)."""
        self._plan(to_ts)
        parts: dict[str, list[Chunk]] = {name: [] for name in self.runs}
        while self.start_ts + (self._beat + 1) * LOCKSTEP_S <= to_ts + 1e-6:
            self._beat += 1
            for name, run in self.runs.items():
                parts[name].append(run.advance(self.start_ts + self._beat * LOCKSTEP_S))
            self._share_air()
        return {name: _merge(chunks) for name, chunks in parts.items() if chunks}


def _merge(chunks: list[Chunk]) -> Chunk:
    """One chunk from chunks that follow each other."""
    trace = join(chunks)
    return Chunk(
        trace.t0_ts,
        trace.dt_s,
        trace.pressure_pa,
        trace.stroke_ts,
        trace.demand,
        trace.air_pa,
        chunks[0].silent,
    )
