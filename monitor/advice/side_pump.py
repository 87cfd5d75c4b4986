"""Kinds in the pump itself, and the catch-all."""

from monitor.advice.cautions import AIR, CHEMICAL, HELD_PRESSURE, SELF_START
from monitor.advice.kinds import Kind, Side
from monitor.advice.record import (
    DAY_S,
    HOUR_S,
    ISA,
    MIN_S,
    PRACTICE,
    Behaviour,
    Check,
    Consequence,
    Record,
)

_A, _S, _D, _P = Side.AIR, Side.SUCTION, Side.DISCHARGE, Side.PUMP
_SEALS = "seals, balls and seats in this pump's own material"

RECORDS: tuple[Record, ...] = (
    Record(
        kind=Kind.BALL_LEAK,
        title="Leaking check ball",
        sentence="strokes long and short by turns: a check ball leaks on one side.",
        causes=(
            "dirt or crystals under a ball",
            "ball or seat worn, swollen or cracked by the chemical",
        ),
        consequence="More strokes and air for the same chemical; a second bad ball makes it run "
        "on.",
        harm=Consequence.COST,
        respond_s=7 * DAY_S,
        respond_severe_s=2 * DAY_S,
        checks=(
            Check(_A, "Air gauge right, so the pump is worth opening."),
            Check(_S, "Strainer whole? Dirt that passed it sits under the balls."),
            Check(_P, "Open the side that runs fast: balls and seats clean, round, not swollen?"),
        ),
        bring=("ball and seat kit", _SEALS, "strainer"),
        cautions=(HELD_PRESSURE, CHEMICAL, SELF_START, AIR),
        alarm_class="upkeep",
        limit_basis="Unevenness of stroke times over 20 pairs against this pump's own; it grows as "
        "the draw gets smaller (volume balance of the leaking side).",
        behaviour=Behaviour(
            0.0,
            "twenty stroke pairs over several draws are delay enough",
            3600.0,
            "dirt comes and goes: an hour of sound draws ends it",
            "a third of the unevenness at which it was raised",
        ),
        valid_when="in draws with enough strokes",
        suppressed_by=(Kind.DIAPHRAGM, Kind.STROKE_COUNTER),
        suppress_why="a torn diaphragm or a counter that misses every second stroke alternates too",
        looks_like=(Kind.AIR_IN_SUCTION, Kind.WORN, Kind.DIAPHRAGM),
        apart="Strict alternation that grows as the draw gets smaller; air makes it ragged, "
        "wear shows on both sides alike.",
        mode="INL",
        references=(ISA, PRACTICE),
    ),
    Record(
        kind=Kind.DIAPHRAGM,
        title="Diaphragm may be torn",
        sentence="strokes unevenly with air in its line, also at rest: a diaphragm may be torn.",
        causes=(
            "diaphragm worn out or attacked by the chemical (wrong seal material)",
            "starved or blocked suction, or long dry running",
        ),
        consequence="Chemical gets into the air side and out of the exhaust; the pump fails soon.",
        harm=Consequence.HARM,
        respond_s=1 * HOUR_S,
        respond_severe_s=10 * MIN_S,
        checks=(
            Check(_A, "Chemical or foam at the exhaust? Stop the pump: shut its air."),
            Check(_A, "Chemical in the air line or regulator? Others on it are at risk."),
            Check(_S, "If the exhaust is dry: look for air drawn in at the suction."),
            Check(_P, "Open it: change both diaphragms, clean the air valve, check the material."),
        ),
        bring=("diaphragm set", "air valve kit", _SEALS, "rinse water and absorbent"),
        cautions=(CHEMICAL, HELD_PRESSURE, AIR, SELF_START),
        alarm_class="spill and pressure",
        limit_basis="Gas in the line that grows with the strokes and returns after purging, with "
        "alternating strokes or strokes at rest; chemical at the exhaust is the proof.",
        behaviour=Behaviour(
            10.0,
            "judged over a whole draw; ten seconds cover its end",
            600.0,
            "kept latched anyway until somebody has looked",
            "none: a tear does not heal",
            latching=True,
            latch_why="a tear does not heal, and chemical may already be in the air side",
        ),
        valid_when="in draws and at stall",
        suppressed_by=(),
        suppress_why="it is a cause, never a consequence",
        looks_like=(Kind.AIR_IN_SUCTION, Kind.BALL_LEAK),
        apart="The line softens with every stroke and again at once after purging; the "
        "exhaust is wet.",
        mode="INL",
        references=(ISA, PRACTICE),
    ),
    Record(
        kind=Kind.WORN,
        title="Pump worn",
        sentence="needs more strokes than it used to for the same work: it is wearing.",
        causes=(
            "balls, seats and diaphragms worn",
            "a tip worn wider, if only one function shows it",
        ),
        consequence="More air and strokes, later a failure in a busy hour.",
        harm=Consequence.COST,
        respond_s=30 * DAY_S,
        respond_severe_s=7 * DAY_S,
        checks=(
            Check(_A, "Air pressure as it was set? More pressure alone gives more strokes."),
            Check(_D, "Only one function? Then gauge its tip: 5 % wider is 10 % more strokes."),
            Check(_P, "Catch test: strokes against a measured volume; plan a rebuild."),
        ),
        bring=("rebuild kit", _SEALS, "measuring cylinder or scale", "stopwatch"),
        cautions=(CHEMICAL, HELD_PRESSURE, AIR, SELF_START),
        alarm_class="upkeep",
        limit_basis="Strokes for the same work on every function alike, beyond this pump's own "
        "scatter (two-sided CUSUM with a false-alarm budget).",
        behaviour=Behaviour(
            0.0,
            "it is judged over weeks: seconds do not matter",
            1 * DAY_S,
            "a day's draws must look sound",
            "half of the rise at which it was raised",
        ),
        valid_when="over weeks of draws, not across a change of tip, air pressure or displacement",
        suppressed_by=(Kind.DIAPHRAGM, Kind.STROKE_COUNTER),
        suppress_why="a torn diaphragm or a bad counter changes the count of strokes as well",
        looks_like=(Kind.BALL_LEAK, Kind.UNUSUAL),
        apart="All functions shift alike over weeks; a worn tip shifts one, a bad ball alternates.",
        mode="PDE",
        references=(ISA, "NIST/SEMATECH e-Handbook, CUSUM charts", PRACTICE),
    ),
    Record(
        kind=Kind.UNUSUAL,
        title="Unusual",
        sentence="does not behave as it used to, in a way that fits no known fault.",
        causes=(
            "a change nobody logged: tip, set point, product, hose",
            "the beginning of a fault that is not clear yet",
        ),
        consequence="Nothing yet that can be named; something changed.",
        harm=Consequence.COST,
        respond_s=7 * DAY_S,
        respond_severe_s=2 * DAY_S,
        checks=(
            Check(_A, "Has the air pressure been changed?"),
            Check(_S, "Another product, drum or suction hose?"),
            Check(_D, "Another tip, valve or bay on this pump? Log the change if so."),
        ),
        bring=("pressure gauge with tee", "this pump's trace, before and after"),
        cautions=(HELD_PRESSURE, CHEMICAL),
        alarm_class="upkeep",
        limit_basis="Distance of a draw's figures from this pump's own, several draws in a row, "
        "with a false-alarm budget; the figures that moved are named.",
        behaviour=Behaviour(
            600.0,
            "one odd draw is life; ten minutes hold several on a busy day",
            3600.0,
            "an hour of usual draws ends it",
            "half of the distance at which it was raised",
        ),
        valid_when="after the pump's own figures have been learnt",
        suppressed_by=(
            Kind.LOW_AIR,
            Kind.DRUM_EMPTY,
            Kind.MISSED_PRIME,
            Kind.AIRLOCK,
            Kind.AIR_VALVE_STALLED,
            Kind.DIAPHRAGM,
            Kind.PRESSURE_SENSOR,
            Kind.STROKE_COUNTER,
        ),
        suppress_why="a named fault explains what is unusual",
        looks_like=(),
        apart="No known picture fits; the figures that moved are named.",
        mode="UNK",
        references=(ISA,),
    ),
)
