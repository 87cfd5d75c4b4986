"""Kinds on the discharge side."""

from monitor.advice.cautions import AIR, CHEMICAL, ELECTRICAL, HELD_PRESSURE, SELF_START
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

RECORDS: tuple[Record, ...] = (
    Record(
        kind=Kind.NO_DEMAND,
        title="Running with no demand",
        sentence="keeps stroking while no bay draws: chemical leaks out somewhere.",
        causes=(
            "solenoid valve that does not close, or held open by dirt",
            "weeping tip, fitting or hose on the discharge",
            "dirt under two check balls, so the pump leaks into itself",
            "the drum stands above the outlet and helps a weeping valve",
        ),
        consequence="Chemical runs away unseen, onto a floor or into the wrong place, day and "
        "night.",
        harm=Consequence.HARM,
        respond_s=1 * DAY_S,
        respond_severe_s=1 * HOUR_S,
        checks=(
            Check(
                _A,
                "With every valve shut, hear whether it strokes; the air side is not in question.",
            ),
            Check(_S, "Drum above the outlet? It can siphon through a weeping valve."),
            Check(_D, "Look at every tip, valve, fitting and the floor of every bay for a weep."),
            Check(_D, "Close the line at the pump: if the strokes stop, the leak is outside."),
            Check(_P, "If they go on, the pump leaks into itself: check balls and seats."),
        ),
        bring=("solenoid valve kit", "tubing and fittings", "ball and seat kit", "absorbent"),
        cautions=(CHEMICAL, HELD_PRESSURE, AIR),
        alarm_class="spill and pressure",
        limit_basis="Evenly spaced strokes at stall, or a run far longer than this pump's draws; "
        "three strokes in a quiet window is the least that can be told from chance.",
        behaviour=Behaviour(
            60.0,
            "a chattering valve or a bay that closes late makes a stray stroke or two; a minute "
            "outlasts both and a leak goes on for hours",
            600.0,
            "a leak of 6 mL/min strokes a 60 mL pump every ten minutes: quieter than that is quiet",
            "half of the leak at which it was raised, since few strokes give a rough rate",
        ),
        valid_when="with no demand where demand is wired, else by rhythm and in quiet hours",
        suppressed_by=(Kind.DIAPHRAGM, Kind.STROKE_COUNTER),
        suppress_why="a torn diaphragm strokes at rest too; a bouncing counter invents strokes",
        looks_like=(Kind.BALL_LEAK, Kind.STROKE_COUNTER),
        apart="Strokes go on evenly at stall with a small dip each; a bouncing counter leaves "
        "no dips, one bad ball alone gives a single stroke.",
        mode="ELP",
        references=(ISA, "minimum night flow method of water-loss practice", PRACTICE),
    ),
    Record(
        kind=Kind.AIRLOCK,
        title="Airlock",
        sentence="has air trapped in its discharge: it strokes without delivering as it should.",
        causes=(
            "line opened and closed again without letting the air out",
            "drum run dry, or air drawn in, and pushed into the line",
            "a high point in the line where air gathers",
        ),
        consequence="Chemical comes late, in spurts or not at all.",
        harm=Consequence.NO_PRODUCT,
        respond_s=1 * HOUR_S,
        respond_severe_s=30 * MIN_S,
        checks=(
            Check(_A, "Glance at the air gauge: 20 psi or more, in use too."),
            Check(_S, "Liquid in the drum and suction joints tight? Else the air comes back."),
            Check(
                _D, "Clear it: air off, let the line down, open a low-pressure function, air on."
            ),
            Check(_D, "High points in the line? Give them a bleed."),
        ),
        bring=(
            "bleed tee or valve",
            "container",
            "absorbent",
            "protection as the safety data sheet says",
        ),
        cautions=(HELD_PRESSURE, CHEMICAL, SELF_START, AIR),
        alarm_class="product supply",
        limit_basis="Trapped gas from the strokes between two pressures (Boyle's law) or from the "
        "softness of the line, against this line's own; or dry speed at a held pressure.",
        behaviour=Behaviour(
            5.0,
            "the verdict spans a refill of the line; five seconds cover the end of the draw",
            120.0,
            "a slug that moved on may come back: one more draw must be sound",
            "half of the trapped volume at which it was raised",
        ),
        valid_when="while the line fills and in draws; counting strokes needs a start near zero",
        suppressed_by=(Kind.LOW_AIR, Kind.DRUM_EMPTY, Kind.PRESSURE_SENSOR),
        suppress_why="an empty drum fills the line with air; without air nothing builds up",
        looks_like=(Kind.STROKE_COUNTER, Kind.AIR_IN_SUCTION, Kind.MISSED_PRIME),
        apart="Fast strokes at a held pressure without dips, or a spongy line; it follows an "
        "opened line or a dry run and clears when the line is let down.",
        mode="LOO",
        references=(ISA, "Boyle's law", PRACTICE),
    ),
    Record(
        kind=Kind.NO_FLOW,
        title="No flow on demand",
        sentence="is called for but nothing moves: its outlet is shut or plugged.",
        causes=(
            "solenoid not opening: coil, wire, fuse, stuck plunger",
            "tip, injector or check valve plugged",
            "hand valve left shut",
        ),
        consequence="Vehicles in this bay get nothing from this pump.",
        harm=Consequence.NO_PRODUCT,
        respond_s=30 * MIN_S,
        respond_severe_s=30 * MIN_S,
        checks=(
            Check(_A, "Stall pressure is right, so the air is right."),
            Check(_D, "Does the valve click? A click and a small dip mean plugged beyond it."),
            Check(_D, "Hand valves open? Tip, injector and check valve (2 psi at most) clear?"),
            Check(_D, "No click: coil, wire and fuse, by a qualified person."),
        ),
        bring=("solenoid coil and valve kit", "tips", "check valve of 2 psi or less", "fuse"),
        cautions=(HELD_PRESSURE, CHEMICAL, ELECTRICAL),
        alarm_class="product supply",
        limit_basis="Demand on, pressure at stall, no stroke, for longer than the smallest draw "
        "needs for one.",
        behaviour=Behaviour(
            8.0,
            "the smallest tips stroke every 4 to 5 s; a chattering valve is over by then",
            5.0,
            "one stroke under demand shows that it flows",
            "one stroke ends it",
        ),
        valid_when="needs the demand signal",
        suppressed_by=(Kind.LOW_AIR, Kind.AIR_VALVE_STALLED, Kind.PRESSURE_SENSOR),
        suppress_why="a pump that cannot stroke gives no flow either",
        looks_like=(Kind.AIR_VALVE_STALLED, Kind.PRESSURE_SENSOR),
        apart="Pressure stands at stall and lives; a hung air valve lets it fall, a stuck "
        "sensor does not move at all.",
        mode="PLU",
        references=(ISA, PRACTICE),
    ),
)
