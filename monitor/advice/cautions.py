"""The cautions that go with every check and procedure shown."""

from dataclasses import dataclass

DEFER = (
    "The chemical's safety data sheet, the makers' instructions, site rules, local codes and "
    "licensed trades come before anything said here. This tool only watches; it makes nothing safe."
)


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution: a short title, the sentence, and where it is from."""

    title: str
    text: str
    source: str


AIR = Caution(
    "Compressed air",
    "Compressed air stores energy: shut it, lock it out where the site's rules ask for it, and "
    "bleed both sides of the regulator before opening anything. Never point it at people; air for "
    "cleaning stays under 30 psi with guards.",
    "29 CFR 1910.242(b)",
)
HELD_PRESSURE = Caution(
    "Pressure held in the line",
    "The discharge side stays pressurized after the air is off, because the check balls hold it: "
    "relieve it slowly into a container, face turned away, before breaking a connection.",
    "common practice, no published source; pressure relief before opening is asked for by codes",
)
CHEMICAL = Caution(
    "Chemicals",
    "Wear the eye, hand and face protection the safety data sheet names; know where the eyewash "
    "is. Keep acids away from alkalis and from bleach. Products with fluoride count as "
    "hydrofluoric acid: rinse at once and get medical care even without pain. Wipe up: floors "
    "get slippery.",
    "safety data sheets; public health alerts on hydrofluoric acid at vehicle washes",
)
SELF_START = Caution(
    "It starts by itself",
    "The pump strokes as soon as air or a demand returns: pull the air coupler before hands go in.",
    "common practice, no published source",
)
ELECTRICAL = Caution(
    "Electricity",
    "Work on solenoids, sensors and wiring is for qualified people, with the supply off.",
    "local electrical codes",
)
NO_FLAME = Caution(
    "Ice",
    "Thaw an iced exhaust with time or lukewarm water, never with a flame.",
    "common practice, no published source",
)
