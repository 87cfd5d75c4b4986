"""Which columns a recording has and what they mean: names carry the unit."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from monitor.errors import BadRecording
from monitor.units import PA_PER_BAR, PA_PER_KPA, PA_PER_PSI

PA_PER = {"pa": 1.0, "kpa": PA_PER_KPA, "bar": PA_PER_BAR, "psi": PA_PER_PSI}


@dataclass(frozen=True, slots=True)
class Scaled:
    """A pressure column and what one of its units is in Pa."""

    name: str
    pa_per_unit: float


@dataclass(frozen=True, slots=True)
class Layout:
    """The columns of one file; pump None = the file is about the site's only pump."""

    time: str
    pump: str | None
    pressure: Scaled
    strokes: str | None
    demand: str | None
    air: Scaled | None

    def names(self) -> list[str]:
        """The columns to read; others are ignored."""
        fixed = [self.time, self.pump, self.pressure.name, self.strokes, self.demand]
        return [n for n in [*fixed, self.air.name if self.air else None] if n is not None]


def layout(path: Path, names: Sequence[str], *, one_pump: bool) -> Layout:
    """What the header says. Raises BadRecording naming what is missing or there twice."""
    plain = [n.strip().lower().lstrip("\ufeff") for n in names]
    twice = sorted({n for n in plain if plain.count(n) > 1 and n})
    if twice:
        raise BadRecording(f"{path}: row 1: column '{twice[0]}' is there twice; keep one")
    at = dict(zip(plain, names, strict=True))
    faults = []
    if "time" not in at:
        faults.append("column 'time' (Unix seconds or RFC 3339) is missing")
    if "pump" not in at and not one_pump:
        faults.append("column 'pump' is missing (it may be left out only at a site of one pump)")
    pressure = _scaled("pressure", at)
    if not pressure:
        faults.append(
            "one column of pressure_pa, pressure_kpa, pressure_bar or pressure_psi is expected"
        )
    if len(pressure) > 1:
        faults.append(f"{' and '.join(p.name for p in pressure)}: keep one")
    if faults:
        found = ", ".join(names) or "nothing"
        raise BadRecording(f"{path}: row 1: {'; '.join(faults)}. Found: {found}")
    air = _scaled("air", at)
    return Layout(
        at["time"],
        at.get("pump"),
        pressure[0],
        at.get("strokes"),
        at.get("demand"),
        air[0] if air else None,
    )


def _scaled(stem: str, at: dict[str, str]) -> list[Scaled]:
    return [
        Scaled(at[f"{stem}_{unit}"], pa) for unit, pa in PA_PER.items() if f"{stem}_{unit}" in at
    ]
