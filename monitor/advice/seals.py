"""Seal guidance for people: what each material is for, and what to bring for this pump."""

from dataclasses import dataclass

from monitor.seals import ALKALINE_PRESOAK, FLUORIDE, MATERIALS, Rating, judge_seal
from monitor.site import Fluid

STANDARD = "names of ASTM D1418 / ISO 1629; TPV is the usual name of the thermoplastic vulcanizate"
CHECK_FIRST = (
    "General guidance at room temperature, never a release: check the material with the "
    "chemical's and the pump's makers and the safety data sheet."
)


@dataclass(frozen=True, slots=True)
class SealGuide:
    """One material in words, as shown in a table."""

    name: str
    what: str
    good: str
    poor: str
    used_for: str
    basis: str


def guide() -> tuple[SealGuide, ...]:
    """Every material, in the order of how common they are."""
    return tuple(
        SealGuide(m.name, m.what, m.good, m.poor, m.used_for, m.basis) for m in MATERIALS.values()
    )


def notes() -> tuple[str, ...]:
    """What goes with the table: the conflict about presoaks, fluoride, and the duty to check."""
    return (ALKALINE_PRESOAK, FLUORIDE, CHECK_FIRST)


def kit(seal: str) -> str:
    """What seals to bring for a pump: 'FKM seals, balls and seats', or what to find out first."""
    if seal == "unknown":
        return "seals, balls and seats: read the material off the pump's label before you drive"
    return f"{seal} seals, balls and seats (check against the label of the pump)"


def bring_for(bring: tuple[str, ...], seal: str) -> tuple[str, ...]:
    """A record's list of what to bring, with this pump's seal material put in."""
    return tuple(kit(seal) if "this pump's own material" in item else item for item in bring)


def warnings(seal: str, fluid: Fluid) -> tuple[str, ...]:
    """One sentence for each doubt about a seal and its chemical; empty when none is known."""
    return tuple(
        f"{found.why}: {found.rating.value}; {found.what_to_do.rstrip('.')}."
        for found in judge_seal(seal, fluid)
        if found.rating is not Rating.STANDS
    )
