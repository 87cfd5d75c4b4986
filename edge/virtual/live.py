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
    pattern = ""                # this pump's own, instead of the site's
      [[pump.fault]]
      kind = "low air"
      onset_s = 90.0
      ramp_s = 5.0
      severity = 0.5
      end_s = 400.0             # left out: stands for good
      variant = ""

Other keys: of [[pump]] any field of PumpSpec that is a number, of the file any such field of
SiteSpec (receiver_l, compressor_l_s, mean_temp_c, ...). Unknown keys, kinds, variants and patterns
are refused together with BadSettings.
"""

import tomllib
from collections.abc import Iterable
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any

from edge.virtual import demand
from edge.virtual.faults import MEANING, VARIANTS
from edge.virtual.site import LiveSite
from edge.virtual.spec import PSI, Fault, PumpSpec, SitePump, SiteSpec
from edge.virtual.trace import Chunk
from monitor.errors import BadSettings

OWN_KEYS = ("id", "chemical", "bays", "demand", "air", "pattern")

__all__ = ["Chunk", "LiveSite", "Script", "load_script", "load_site"]


@dataclass(frozen=True, slots=True)
class Script:
    """A site file as read: the site, its seed and each pump's faults in seconds from the start."""

    site: SiteSpec
    seed: int
    faults: dict[str, tuple[Fault, ...]]


def _numbers(spec: type[PumpSpec] | type[SiteSpec]) -> set[str]:
    """The fields of a spec that are plain numbers."""
    return {f.name for f in fields(spec) if f.type is float or f.type == "float"}


def _is_number(value: object) -> bool:
    """True for 3 and 3.5, not for true."""
    return isinstance(value, int | float) and not isinstance(value, bool)


def _faults(entries: Iterable[dict[str, Any]], place: str, wrong: list[str]) -> tuple[Fault, ...]:
    """The scripted faults of one pump; what is wrong is listed."""
    out = []
    allowed = {"kind", "onset_s", "ramp_s", "severity", "end_s", "variant"}
    for number, entry in enumerate(entries):
        at = f"{place}.fault[{number}]"
        wrong += [f"{at}.{key}: unknown key" for key in entry.keys() - allowed]
        kind, variant = str(entry.get("kind", "")), str(entry.get("variant", ""))
        if kind not in MEANING:
            wrong.append(f"{at}.kind: '{kind}' is not a kind of fault")
        elif variant not in VARIANTS.get(kind, ("",)):
            wrong.append(f"{at}.variant: '{variant}' is not a form of {kind}")
        out.append(
            Fault(
                kind,
                float(entry.get("onset_s", 0.0)),
                float(entry.get("ramp_s", 0.0)),
                float(entry.get("severity", 0.5)),
                float(entry.get("end_s", float("inf"))),
                variant,
            )
        )
    return tuple(out)


def _pump(entry: dict[str, Any], place: str, wrong: list[str]) -> SitePump:
    """One pump; numbers go to the field of PumpSpec of that name."""
    entry = dict(entry)
    own = {key: entry.pop(key, None) for key in OWN_KEYS}
    changes: dict[str, float] = {}
    if "set_psi" in entry:
        changes["set_pa"] = float(entry.pop("set_psi")) * PSI
    if "tip_mm" in entry:
        changes["tip_m"] = float(entry.pop("tip_mm")) / 1000.0
    for key, value in entry.items():
        if key in _numbers(PumpSpec) and _is_number(value):
            changes[key] = float(value)
        else:
            wrong.append(f"{place}.{key}: unknown key or not a number")
    if own["pattern"] and own["pattern"] not in demand.PATTERNS:
        wrong.append(f"{place}.pattern: '{own['pattern']}'; one of {', '.join(demand.PATTERNS)}")
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
        pattern=str(own["pattern"] or ""),
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
    name, pattern = str(raw.pop("site", "virtual")), str(raw.pop("pattern", "self-serve"))
    seed = int(raw.pop("seed", 0))
    sizes = {key: float(raw.pop(key)) for key in _numbers(SiteSpec) if _is_number(raw.get(key))}
    site = replace(SiteSpec(name, tuple(pumps), pattern), **sizes)  # type: ignore[arg-type] # only float fields
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
