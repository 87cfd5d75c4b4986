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

    [[air_fault]]               # one cause on the main: the same on every pump
    kind = "low air"
    onset_s = 900.0

Other keys: of [[pump]] any field of PumpSpec that is a number, of the file any such field of
SiteSpec (receiver_l, compressor_l_s, mean_temp_c, ...). Unknown keys, kinds, variants and patterns
are refused together with BadSettings.
"""

import tomllib
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


def _take(entry: dict[str, Any], key: str, default: float, place: str, wrong: list[str]) -> float:
    """The number under key, taken out of entry; what is no number is listed."""
    value = entry.pop(key, default)
    if _is_number(value):
        return float(value)
    wrong.append(f"{place}.{key}: {value!r} is not a number")
    return default


def _tables(raw: dict[str, Any], key: str, place: str, wrong: list[str]) -> list[dict[str, Any]]:
    """The tables of an array, taken out of raw; anything else under that key is listed."""
    found = raw.pop(key, [])
    if isinstance(found, list) and all(isinstance(entry, dict) for entry in found):
        return [dict(entry) for entry in found]
    wrong.append(f"{place}{key}: write it as [[{key}]]")
    return []


def _faults(entries: list[dict[str, Any]], place: str, wrong: list[str]) -> tuple[Fault, ...]:
    """Scripted faults; what is wrong is listed."""
    out = []
    for number, entry in enumerate(entries):
        at = f"{place}[{number}]"
        kind, variant = str(entry.pop("kind", "")), str(entry.pop("variant", ""))
        if kind not in MEANING:
            wrong.append(f"{at}.kind: '{kind}' is not a kind of fault")
        elif variant not in VARIANTS.get(kind, ("",)):
            wrong.append(f"{at}.variant: '{variant}' is not a form of {kind}")
        onset_s, ramp_s, severity, end_s = (
            _take(entry, key, default, at, wrong)
            for key, default in (
                ("onset_s", 0.0), ("ramp_s", 0.0), ("severity", 0.5), ("end_s", float("inf")),
            )
        )  # fmt: skip
        if not 0.0 < severity <= 1.0:
            wrong.append(f"{at}.severity: {severity:g}; above 0 and at most 1, 0.5 is moderate")
        wrong += [f"{at}.{key}: unknown key" for key in entry]
        out.append(Fault(kind, onset_s, ramp_s, severity, end_s, variant))
    return tuple(out)


def _pump(entry: dict[str, Any], place: str, wrong: list[str]) -> SitePump:
    """One pump; numbers go to the field of PumpSpec of that name."""
    own = {key: entry.pop(key, None) for key in OWN_KEYS}
    plain = PumpSpec()
    changes = {
        "set_pa": _take(entry, "set_psi", plain.set_pa / PSI, place, wrong) * PSI,
        "tip_m": _take(entry, "tip_mm", plain.tip_m * 1000.0, place, wrong) / 1000.0,
    }
    for key in sorted(_numbers(PumpSpec) & entry.keys()):
        changes[key] = _take(entry, key, 0.0, place, wrong)
    wrong += [f"{place}.{key}: unknown key" for key in entry]
    wrong += [
        f"{place}: {key} must be more than 0"
        for key in ("set_pa", "tip_m", "displacement_ml")
        if changes.get(key, 1.0) <= 0.0
    ]
    if own["pattern"] and own["pattern"] not in demand.PATTERNS:
        wrong.append(f"{place}.pattern: '{own['pattern']}'; one of {', '.join(demand.PATTERNS)}")
    if not own["id"]:
        wrong.append(f"{place}.id: missing; give the pump a name")
    return SitePump(
        str(own["id"]),
        replace(plain, **changes),  # type: ignore[arg-type] # only float fields
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
    pumps: dict[str, SitePump] = {}
    faults: dict[str, tuple[Fault, ...]] = {}
    common = _faults(_tables(raw, "air_fault", f"{path}: ", wrong), f"{path}: air_fault", wrong)
    for number, entry in enumerate(_tables(raw, "pump", f"{path}: ", wrong)):
        place = f"{path}: pump[{number}]"
        own = _faults(_tables(entry, "fault", f"{place}.", wrong), f"{place}.fault", wrong)
        pump = _pump(entry, place, wrong)
        if pump.id in pumps:
            wrong.append(f"{place}.id: '{pump.id}' is there twice")
        pumps[pump.id] = pump
        faults[pump.id] = own + common
    name, pattern = str(raw.pop("site", "virtual")), str(raw.pop("pattern", "self-serve"))
    seed = int(_take(raw, "seed", 0, f"{path}: ", wrong))
    sizes = {
        key: _take(raw, key, 0.0, f"{path}: ", wrong)
        for key in sorted(_numbers(SiteSpec) & raw.keys())
    }
    site = replace(SiteSpec(name, tuple(pumps.values()), pattern), **sizes)  # type: ignore[arg-type] # only float fields
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
