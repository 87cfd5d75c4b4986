"""Procedures as steps, each with the cautions it needs: data for pages, paper and commands.

Order of change-out and the airlock cure: common practice, no published source. Cautions come
before the step they belong to.
"""

from dataclasses import dataclass

from monitor.advice.cautions import (
    AIR,
    CHEMICAL,
    DEFER,
    HELD_PRESSURE,
    SELF_START,
    Caution,
)


@dataclass(frozen=True, slots=True)
class Step:
    """One thing to do, why where it is not plain, and what to mind before doing it."""

    text: str
    why: str = ""
    cautions: tuple[Caution, ...] = ()


@dataclass(frozen=True, slots=True)
class Procedure:
    """Steps in order. done_when says how to know that it worked; defer is always shown."""

    id: str
    title: str
    use_when: str
    bring: tuple[str, ...]
    steps: tuple[Step, ...]
    done_when: str
    defer: str = DEFER

    @property
    def cautions(self) -> tuple[Caution, ...]:
        """Every caution of the steps once, in order of need, to be read before starting."""
        return tuple(dict.fromkeys(c for step in self.steps for c in step.cautions))


RELIEVE = Procedure(
    "relieve",
    "Relieve the discharge pressure",
    "before any connection on the discharge side is opened",
    ("container", "absorbent", "protection as the safety data sheet says"),
    (
        Step("Put on the protection the safety data sheet names; clear the bay.", "", (CHEMICAL,)),
        Step(
            "Pull the air coupler at the pump.", "It seals itself when pulled.", (AIR, SELF_START)
        ),
        Step(
            "Open a low-pressure function of a bay on this line and let the line run down.",
            "The check balls hold the old pressure when the air is gone.",
            (HELD_PRESSURE,),
        ),
        Step("Close the function again and read the discharge gauge: it must stay near zero."),
        Step(
            "If it does not fall, loosen the fitting nearest the bay by half a turn into a "
            "container, face turned away, and wait for the hiss to end.",
            "A plugged tip or a shut valve keeps the pressure in.",
            (HELD_PRESSURE, CHEMICAL),
        ),
    ),
    "The gauge reads zero and stays there with every valve closed.",
)

AIRLOCK = Procedure(
    "airlock",
    "Clear an airlock",
    "the pump strokes but delivers weakly or not at all, after a line was opened or ran dry",
    ("container", "absorbent", "bleed tee or valve", "protection as the safety data sheet says"),
    (
        Step("Put on the protection the safety data sheet names.", "", (CHEMICAL,)),
        Step(
            "Check that the drum has liquid and the suction joints are tight.", "Else it returns."
        ),
        Step("Pull the air coupler at the pump.", "", (AIR, SELF_START)),
        Step(
            "Relieve and take off the discharge line at the pump; expect a pop or a hiss.",
            "Gas shut in the pump cannot push the line's pressure away by itself.",
            (HELD_PRESSURE, CHEMICAL),
        ),
        Step("Refit the discharge line."),
        Step("Start a bay on its low-pressure function, so that the line is open."),
        Step("Push the air coupler home; let it prime while the function runs.", "", (SELF_START,)),
        Step("Stop the function and watch the pump come to its stall pressure."),
    ),
    "The pump stops within a few strokes at its stall pressure and holds it.",
)

CHANGE_OUT = Procedure(
    "change-out",
    "Change the pump",
    "the pump is worn, torn or hangs, or a repair on the bench is quicker",
    (
        "pump with the right seal material",
        "coupler and fittings",
        "container",
        "absorbent",
        "protection as the safety data sheet says",
    ),
    (
        Step("Take the pump out of service in the work log.", "So that the work raises no alarm."),
        Step(
            "Check that the new pump's seals suit the chemical: label, safety data sheet, "
            "supplier's resistance data.",
            "The wrong seal fails within weeks.",
            (CHEMICAL,),
        ),
        Step("Off, first the air: pull the coupler.", "It seals itself.", (AIR, SELF_START)),
        Step("Then the suction: lift the dip tube, let it drain back, take the hose off."),
        Step(
            "Then the discharge: relieve it, then take it off.",
            "Last, because it is the side that holds pressure.",
            (HELD_PRESSURE, CHEMICAL),
        ),
        Step("Hang the new pump upright, ports down.", "Gas stays in it otherwise."),
        Step("On, first the suction: dip tube in, foot valve under the liquid, clamps tight."),
        Step("Then the discharge."),
        Step("Start a bay on its low-pressure function, so that the line is open."),
        Step("Then the air: push the coupler home.", "", (SELF_START,)),
        Step("Watch the prime; then stop the function and watch it hold its stall pressure."),
        Step(
            "Log the change: seal material, displacement, date. The pump's own figures are learnt "
            "anew from here.",
        ),
    ),
    "Primed within the expected strokes, stalls at the expected pressure, quiet at rest.",
)

PRIME_WATCH = Procedure(
    "prime-watch",
    "Watch a prime",
    "after a drum change, a pump change or an airlock cure",
    (),
    (
        Step("Open the priming watch of this pump on the phone."),
        Step(
            "Start a bay on its low-pressure function, so that the line is open.",
            "A dry pump cannot prime against a line under pressure.",
        ),
        Step("Push the air coupler home; the strokes count up from here.", "", (SELF_START,)),
        Step(
            "Compare the strokes with what this suction line needs; past three times that, stop: "
            "pull the air and look at the suction.",
            "Dry running wears it.",
            (AIR,),
        ),
        Step("Stop the function; the pressure must rise to the stall pressure and stay."),
    ),
    "Primed within the expected strokes and holds its stall pressure.",
)

DRUM_CHANGE = Procedure(
    "drum-change",
    "Change the drum",
    "the drum is empty or will be soon",
    ("the same product", "protection as the safety data sheet says", "absorbent"),
    (
        Step(
            "Read both labels: the same product, or stop.", "Mixed products can react.", (CHEMICAL,)
        ),
        Step("Pull the air coupler at the pump.", "", (AIR, SELF_START)),
        Step("Move the dip tube over, foot valve under the liquid at the bottom; wipe it down."),
        Step("Open the drum's vent.", "A shut vent sucks the drum flat and starves the pump."),
        Step(
            "Start a low-pressure function, push the coupler home, watch the prime.",
            "",
            (SELF_START,),
        ),
        Step("Log the drum change with its volume.", "The forecast counts from here."),
    ),
    "Primed within the expected strokes and holds its stall pressure.",
)

CATCH_TEST = Procedure(
    "catch-test",
    "Catch test: displacement of a stroke",
    "the displacement of this pump is not known, or wear is suspected",
    ("measuring cylinder or scale", "stopwatch", "protection as the safety data sheet says"),
    (
        Step("Put on the protection the safety data sheet names.", "", (CHEMICAL,)),
        Step("Lead a tip's outlet into the measuring vessel; start its function."),
        Step(
            "From one stroke to another, catch at least 20 strokes.",
            "Whole strokes: half a stroke in 20 is an error of 2.5 %.",
        ),
        Step("Stop; read volume and strokes; note air pressure and product."),
        Step("Displacement is volume divided by strokes; put it in the site file."),
    ),
    "Two tests agree within 3 %.",
)

PROCEDURES: dict[str, Procedure] = {
    p.id: p for p in (RELIEVE, AIRLOCK, CHANGE_OUT, PRIME_WATCH, DRUM_CHANGE, CATCH_TEST)
}


def as_text(procedure: Procedure) -> str:
    """A procedure as plain text: cautions first, then the numbered steps."""
    parts = [procedure.title, f"When: {procedure.use_when}."]
    if procedure.bring:
        parts.append("Bring: " + ", ".join(procedure.bring) + ".")
    parts += [f"CAUTION {c.title}: {c.text}" for c in procedure.cautions]
    for number, step in enumerate(procedure.steps, 1):
        mind = "".join(f" [mind: {c.title.lower()}]" for c in step.cautions)
        why = f" ({step.why.rstrip('.')})" if step.why else ""
        parts.append(f"{number}. {step.text}{why}{mind}")
    parts += [f"Done when: {procedure.done_when}", procedure.defer]
    return "\n".join(parts)
