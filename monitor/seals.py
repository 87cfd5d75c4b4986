"""What each seal material stands, by ASTM D1418 / ISO 1629 name, and what is not known.

Ratings are general guidance at room temperature; a formula's own additives, its strength and its
temperature decide. So nothing here is a release: 'stands' means no known conflict, and whatever
is not known is answered with the supplier's data.
"""

from dataclasses import dataclass
from enum import StrEnum

from monitor.site import Fluid


class Rating(StrEnum):
    """How a material takes a hazard."""

    STANDS = "no conflict known"
    CHECK = "check the supplier's data"
    AVOID = "wrong material"
    UNKNOWN = "not known"


@dataclass(frozen=True, slots=True)
class Material:
    """One seal material: words for people, and ratings per hazard."""

    name: str
    what: str
    good: str
    poor: str
    used_for: str
    ratings: dict[str, Rating]
    basis: str


@dataclass(frozen=True, slots=True)
class SealFinding:
    """One hazard of one chemical against one material."""

    hazard: str
    value: float | None
    unit: str
    rating: Rating
    why: str
    what_to_do: str


ASK = "check the chemical supplier's resistance data and the safety data sheet"
WARM_C = 40.0
"""Above it room-temperature ratings stop being a guide: chosen, because immersion tests (ISO
1817, ASTM D471) are usually quoted at 23 °C and attack about doubles each 10 °C."""

_S, _C, _A = Rating.STANDS, Rating.CHECK, Rating.AVOID
_TABLES = "general elastomer resistance tables (ISO 1817 and ASTM D471 style immersion)"
_HAZARDS = ("strong acid", "acid", "neutral", "alkaline", "strong alkali", "solvent", "fluoride")


def _rated(*ratings: Rating) -> dict[str, Rating]:
    return dict(zip(_HAZARDS, ratings, strict=True))


MATERIALS: dict[str, Material] = {
    m.name: m
    for m in (
        Material(
            "TPV",
            "vulcanized EPDM in polypropylene",
            "water, detergents, dilute acids, alkalis, alcohols, glycols",
            "mineral oil, aromatic and chlorinated solvents, citrus and pine terpenes swell it",
            "most detergents",
            _rated(_C, _S, _S, _S, _S, _A, _C),
            _TABLES,
        ),
        Material(
            "EPDM",
            "ethylene-propylene-diene rubber",
            "hot water, alkalis",
            "mineral oils, fuels and most solvents",
            "alkaline detergents",
            _rated(_C, _S, _S, _S, _S, _A, _C),
            _TABLES,
        ),
        Material(
            "FKM",
            "fluoro rubber",
            "oils, aromatic solvents, many mineral acids",
            "hot or strong caustic (usual grades), ketones, esters, amines, small organic acids",
            "presoaks, tire dressings and the like that are not strongly alkaline",
            _rated(_C, _C, _S, _C, _A, _C, _C),
            _TABLES + "; ASTM D1418 lists five types, one with better base resistance",
        ),
        Material(
            "FFKM",
            "perfluoro rubber",
            "nearly everything, strong acids and oxidizers",
            "molten alkali metals, some hot amines; cost",
            "strong acids",
            _rated(_S, _S, _S, _S, _S, _S, _C),
            _TABLES,
        ),
        Material(
            "PTFE",
            "polytetrafluoroethylene, as face or balls",
            "nearly everything",
            "stiff and creeps: less dry lift, tighten again after the first days",
            "where no rubber stands",
            _rated(_S, _S, _S, _S, _S, _S, _S),
            _TABLES,
        ),
    )
}

ALKALINE_PRESOAK = (
    "Common practice fits FKM for presoaks, but many presoaks are strongly alkaline (pH 12 to 14), "
    "where usual FKM grades are the weak choice and TPV, EPDM or FFKM the better; low-pH and "
    "solvent presoaks are where FKM belongs. Go by the product's pH, not by its use."
)
FLUORIDE = (
    "Fluoride acids (hydrofluoric acid, bifluorides) also attack glass and ceramic balls and "
    "gauges. Treat every splash as hydrofluoric acid: rinse at once, follow the safety data sheet, "
    "medical care at once even without pain; no silica-based absorbent."
)


def ph_hazard(ph: float) -> str:
    """The table's word for a pH; borders chosen: 2, 5, 9 and 12."""
    for limit, word in ((2.0, "strong acid"), (5.0, "acid"), (9.0, "neutral"), (12.0, "alkaline")):
        if ph < limit:
            return word
    return "strong alkali"


def judge_seal(seal: str, fluid: Fluid) -> tuple[SealFinding, ...]:
    """Four findings on a seal and a chemical: pH, solvent, fluoride, temperature.

    Never 'no conflict known' for anything that the site file leaves open.
    """
    material = MATERIALS.get(seal)
    return (
        _judge_ph(material, fluid),
        _judge_flag(material, "solvent", flag=fluid.solvent),
        _judge_flag(material, "fluoride", flag=fluid.fluoride),
        _judge_temperature(material, fluid),
    )


def _judge_ph(material: Material | None, fluid: Fluid) -> SealFinding:
    if fluid.ph is None:
        return SealFinding("pH", None, "", Rating.UNKNOWN, "pH not given", f"give the pH; {ASK}")
    hazard = ph_hazard(fluid.ph)
    if material is None:
        return _no_material("pH", fluid.ph, "")
    rating = material.ratings[hazard]
    why = f"{material.name} against {hazard} (pH {fluid.ph:g})"
    if material.name == "FKM" and hazard in ("alkaline", "strong alkali"):
        return SealFinding(
            "pH", fluid.ph, "", rating, why, f"{ALKALINE_PRESOAK} {_capital(_do(rating))}."
        )
    return SealFinding("pH", fluid.ph, "", rating, why, _do(rating))


def _judge_flag(material: Material | None, hazard: str, *, flag: bool | None) -> SealFinding:
    if flag is None:
        todo = f"say in the site file whether it holds {hazard}; {ASK}"
        return SealFinding(hazard, None, "", Rating.UNKNOWN, f"{hazard} not stated", todo)
    if not flag:
        return SealFinding(hazard, 0.0, "", Rating.STANDS, f"stated to hold no {hazard}", "")
    if material is None:
        return _no_material(hazard, 1.0, "")
    rating = material.ratings[hazard]
    todo = _do(rating)
    if hazard == "fluoride":
        rating, todo = max(rating, Rating.CHECK, key=_severity), f"{FLUORIDE} {_capital(ASK)}."
    return SealFinding(hazard, 1.0, "", rating, f"{material.name} against {hazard}", todo)


def _judge_temperature(material: Material | None, fluid: Fluid) -> SealFinding:
    celsius = fluid.temperature_c
    if "temperature_c" not in fluid.model_fields_set:
        todo = "give the chemical's temperature in the site file"
        return SealFinding("temperature", None, "°C", Rating.UNKNOWN, "temperature not given", todo)
    if material is None:
        return _no_material("temperature", celsius, "°C")
    if celsius > WARM_C:
        why = f"{celsius:g} °C is above where general ratings hold"
        return SealFinding("temperature", celsius, "°C", Rating.CHECK, why, _do(Rating.CHECK))
    return SealFinding("temperature", celsius, "°C", Rating.STANDS, "near room temperature", "")


def _no_material(hazard: str, value: float, unit: str) -> SealFinding:
    todo = f"read the seal material off the pump's label and give it; {ASK}"
    return SealFinding(hazard, value, unit, Rating.UNKNOWN, "seal material not given", todo)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _severity(rating: Rating) -> int:
    return [Rating.STANDS, Rating.UNKNOWN, Rating.CHECK, Rating.AVOID].index(rating)


def _do(rating: Rating) -> str:
    if rating is Rating.STANDS:
        return ""
    if rating is Rating.AVOID:
        return f"choose another seal material with the pump's maker; {ASK}"
    return ASK
