"""What a person may write in a settings file, and where: units in key names, places of faults."""

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from pydantic import BaseModel, ValidationError

from monitor.errors import BadSettings
from monitor.units import KELVIN_OFFSET, M_PER_FT, M_PER_IN, ML_PER_US_GAL, PA_PER_PSI

# written ending -> (ending inside, factor, offset): inside = written * factor + offset
ENDINGS: dict[str, tuple[str, float, float]] = {
    "_psi": ("_pa", PA_PER_PSI, 0.0),
    "_bar": ("_pa", 1e5, 0.0),
    "_kpa": ("_pa", 1e3, 0.0),
    "_ft": ("_m", M_PER_FT, 0.0),
    "_in": ("_m", M_PER_IN, 0.0),
    "_mm": ("_m", 1e-3, 0.0),
    "_gal": ("_ml", ML_PER_US_GAL, 0.0),
    "_l": ("_ml", 1e3, 0.0),
    "_cp": ("_pa_s", 1e-3, 0.0),
    "_f": ("_c", 5.0 / 9.0, -32.0 * 5.0 / 9.0),
    "_k": ("_c", 1.0, -KELVIN_OFFSET),
}

Place = tuple[str | int, ...]
M = TypeVar("M", bound=BaseModel)


@dataclass(slots=True)
class Written:
    """A file's content in SI keys, with the way back to what was written."""

    path: Path
    text: str
    data: dict[str, Any]
    faults: list[str] = field(default_factory=list)
    keys: dict[Place, str] = field(default_factory=dict)

    def line(self, place: Place) -> int | None:
        """The line (from 1) where this place is written, as far as it can be told."""
        return find_line(self.text, tuple(self._written(place)))

    def fault(self, place: Place, reason: str) -> None:
        """Note a fault: file, line, key, reason with what to do."""
        spelled = spell(tuple(self._written(place)))
        line = self.line(place)
        where = f"{self.path.name}:{line}" if line else self.path.name
        self.faults.append(f"{where}: {spelled or 'file'}: {reason}")

    def _written(self, place: Place) -> list[str | int]:
        out: list[str | int] = []
        for i, part in enumerate(place):
            out.append(self.keys.get(place[: i + 1], part) if isinstance(part, str) else part)
        return out


def read(path: Path) -> Written:
    """Read a TOML file; units in key names become SI keys. Raises BadSettings on broken TOML."""
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise BadSettings([f"{path}: file: there is no such file; check the path"]) from None
    except (OSError, UnicodeDecodeError) as problem:
        raise BadSettings([f"{path}: file: cannot be read: {problem}"]) from problem
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as problem:
        raise BadSettings([f"{path.name}: file: not valid TOML: {problem}"]) from problem
    written = Written(path, text, {})
    written.data = _to_si(raw, (), written)
    return written


def _to_si(raw: Mapping[str, Any], place: Place, written: Written) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for key, value in raw.items():
        inside, converted = _convert(key, value)
        here = (*place, inside)
        if inside in out:
            written.keys[here] = key
            written.fault(here, f"says the same as '{written.keys.get(here, inside)}'; keep one")
            continue
        if inside != key:
            written.keys[here] = key
        out[inside] = _descend(converted, here, written)
    return out


def _descend(value: Any, place: Place, written: Written) -> Any:
    if isinstance(value, Mapping):
        return _to_si(value, place, written)
    if isinstance(value, list):
        return [_descend(item, (*place, i), written) for i, item in enumerate(value)]
    return value


def _convert(key: str, value: Any) -> tuple[str, Any]:
    for ending, (inside, factor, offset) in ENDINGS.items():
        if key.endswith(ending) and isinstance(value, int | float) and not isinstance(value, bool):
            return key[: -len(ending)] + inside, value * factor + offset
    return key, value


def spell(place: Place) -> str:
    """'pumps[2].lift_ft' for ('pumps', 2, 'lift_ft')."""
    out = ""
    for part in place:
        out += f"[{part}]" if isinstance(part, int) else (f".{part}" if out else str(part))
    return out


def find_line(text: str, place: Place) -> int | None:
    """Line of a key in TOML text: tables and arrays of tables are followed, the rest by name."""
    lines = text.splitlines()
    row, last = 0, None
    for i, part in enumerate(place):
        if isinstance(part, int):
            continue
        nth = place[i + 1] if i + 1 < len(place) and isinstance(place[i + 1], int) else 0
        found = _next(lines, row, str(part), int(nth))
        if found is None:
            break
        row = last = found
        row += 1
    return last + 1 if last is not None else None


def _next(lines: list[str], start: int, name: str, nth: int) -> int | None:
    seen = 0
    for row in range(start, len(lines)):
        text = lines[row].strip()
        head = text.strip("[]").strip()
        is_table = text.startswith("[") and (head == name or head.endswith("." + name))
        is_key = text.split("=")[0].strip() == name and "=" in text
        if is_table or is_key:
            if seen == nth or is_key:
                return row
            seen += 1
    return None


def model(kind: type[M], written: Written) -> M | None:
    """The frozen model, or None with every fault noted in `written`."""
    try:
        return kind.model_validate(written.data)
    except ValidationError as problem:
        places = [tuple(error["loc"]) for error in problem.errors()]
        for place, error in zip(places, problem.errors(), strict=True):
            if any(len(p) > len(place) and p[: len(place)] == place for p in places):
                continue  # a list that is short only because its items were refused
            written.fault(place, _reason(error, read_as=place in written.keys))
        return None


def _reason(error: Any, *, read_as: bool) -> str:
    if error["type"] == "extra_forbidden":
        return "unknown key; correct the spelling or remove it (README, 'The settings')"
    if error["type"] == "missing":
        return "must be given"
    message = str(error["msg"])
    got = error.get("input")
    shown = f" (got {got!r})" if isinstance(got, str | int | float | bool) else ""
    if read_as and isinstance(got, float):
        unit = str(error["loc"][-1]).rsplit("_", 1)[-1]
        shown = f" (got {got:.4g} {unit} after conversion)"
    return f"{message[0].lower()}{message[1:]}{shown}"
