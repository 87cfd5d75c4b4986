"""Kinds on the air side."""

from monitor.advice.cautions import AIR, CHEMICAL, HELD_PRESSURE, NO_FLAME, SELF_START
from monitor.advice.kinds import Kind, Side
from monitor.advice.record import (
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
_SENSOR_WHY = "a bad pressure reading says nothing about the air"

RECORDS: tuple[Record, ...] = (
    Record(
        kind=Kind.LOW_AIR,
        title="Low air",
        sentence="stops at too low a pressure: the air supply is low.",
        causes=(
            "compressor off, tripped or too small for the hour",
            "regulator turned down or failed",
            "filter clogged, coupler not fully seated, hose kinked or leaking",
        ),
        consequence="Too little chemical on vehicles; under 20 psi the pump can hang and stop.",
        harm=Consequence.NO_PRODUCT,
        respond_s=4 * HOUR_S,
        respond_severe_s=30 * MIN_S,
        checks=(
            Check(
                _A, "Read the air gauge at the pump at rest and while a bay draws: 20 psi least."
            ),
            Check(_A, "If other pumps are low too, look at the compressor, dryer and main first."),
            Check(_A, "Regulator set and holding? Filter bowl clean? Coupler pushed home?"),
            Check(_S, "Only if the air is right: is the drum much lower than usual?"),
            Check(_D, "Compare a gauge on the discharge with the reading: a sensor may be off."),
        ),
        bring=("pressure gauge with tee", "filter element", "regulator", "coupler", "air hose"),
        cautions=(AIR, HELD_PRESSURE),
        alarm_class="air supply",
        limit_basis="Stall pressure under this pump's own by more than 3 psi or 5 %, or under what "
        "20 psi of air gives; stall pressure is air pressure less lift and 1 to 2 psi of friction.",
        behaviour=Behaviour(
            30.0,
            "a compressor that comes on load swings the main for tens of seconds",
            60.0,
            "one refill of the receiver must hold before the air counts as back",
            "3 psi, 2 % of the 150 psi span, wider than the band between stop and restart",
        ),
        valid_when="after strokes have stopped for 2 s; the balls hide low air until a draw",
        suppressed_by=(Kind.PRESSURE_SENSOR,),
        suppress_why=_SENSOR_WHY,
        looks_like=(Kind.PRESSURE_SENSOR, Kind.AIR_SAG),
        apart="Dips and stroke rate shrink with the pressure; an offset sensor moves the "
        "reading alone, and sag leaves the stall pressure right.",
        mode="LOO",
        references=(ISA, PRACTICE, "force balance of a 1:1 pump"),
    ),
    Record(
        kind=Kind.HIGH_AIR,
        title="High air",
        sentence="stops at too high a pressure: the air supply is above what pump and hoses stand.",
        causes=(
            "regulator turned up, creeping or failed",
            "regulator bypassed after work on the air line",
        ),
        consequence="Hoses and fittings can burst and spray chemical; seals wear fast.",
        harm=Consequence.HARM,
        respond_s=30 * MIN_S,
        respond_severe_s=10 * MIN_S,
        checks=(
            Check(_A, "Over 100 psi: shut the air to this pump first, then look."),
            Check(_A, "Does the regulator's gauge creep up with no flow? Then its seat leaks."),
            Check(
                _A, "Set it back between 20 and 100 psi; is a relief valve fitted and does it lift?"
            ),
            Check(_D, "Look along hose and fittings for swelling and weeping, from a distance."),
        ),
        bring=("regulator", "pressure gauge with tee", "relief valve", "hose and clamps"),
        cautions=(AIR, HELD_PRESSURE, CHEMICAL),
        alarm_class="spill and pressure",
        limit_basis="100 psi air for the class; the pump gives at most its air pressure (1:1). At "
        "rest the surge of 2 to 14 psi that balls hold after a draw comes on top.",
        behaviour=Behaviour(
            60.0,
            "the surge that balls hold for minutes is left out by the limit; somebody who turns "
            "the regulator passes through in less than a minute",
            60.0,
            "one draw must end at the right pressure",
            "3 psi, 2 % of the 150 psi span",
        ),
        valid_when="at stall; a line warmed by the sun rises slowly and resets at the next draw",
        suppressed_by=(Kind.PRESSURE_SENSOR,),
        suppress_why=_SENSOR_WHY,
        looks_like=(Kind.PRESSURE_SENSOR,),
        apart="A surge or a sun-warmed line goes back to normal at the next draw; high air stays.",
        mode="HIO",
        references=(ISA, PRACTICE),
    ),
    Record(
        kind=Kind.AIR_SAG,
        title="Air sags in use",
        sentence="has its right pressure at rest but loses it while a bay draws: air runs short.",
        causes=(
            "air hose, filter or coupler too narrow for the flow, or partly closed",
            "slow or tired regulator",
            "compressor cannot keep up when many pumps and tools run together",
        ),
        consequence="The longer the draw, the weaker the chemical; busy hours are worst.",
        harm=Consequence.WEAK_PRODUCT,
        respond_s=8 * HOUR_S,
        respond_severe_s=4 * HOUR_S,
        checks=(
            Check(
                _A, "Watch the gauge at the pump while a bay draws: does it fall and creep back?"
            ),
            Check(
                _A, "Do neighbours sag together? Then compressor, dryer or main; else this drop."
            ),
            Check(_A, "Coupler seated, filter clean, hose as wide as the pump's port?"),
            Check(
                _S, "If the gauge holds, it is the suction: strainer, hose, level, cold product."
            ),
        ),
        bring=(
            "pressure gauge with tee",
            "wider air hose",
            "coupler",
            "filter element",
            "regulator",
        ),
        cautions=(AIR,),
        alarm_class="air supply",
        limit_basis="Pressure in a draw under the pump's own curve at its right stall pressure, on "
        "its usual system curve, with a slow recovery after the bay closes.",
        behaviour=Behaviour(
            30.0,
            "several bays opening together pull the main down until the compressor loads",
            300.0,
            "it goes at each rest and comes at each draw: five minutes span the rests of a "
            "busy hour",
            "half of the excess at which it was raised",
        ),
        valid_when="in draws of several strokes, with the stall pressure right",
        suppressed_by=(Kind.LOW_AIR, Kind.PRESSURE_SENSOR),
        suppress_why="with low air the pressure is low at rest and in use: one matter",
        looks_like=(Kind.RESTRICTED_SUCTION, Kind.ICING, Kind.LOW_AIR),
        apart="Short air comes back slowly after the bay closes and takes the neighbours "
        "along; a starved suction comes back at once, alone.",
        mode="LOO",
        references=(ISA, "ISO 6358 (flow through a narrow path)", PRACTICE),
    ),
    Record(
        kind=Kind.ICING,
        title="Wet air or ice in the exhaust",
        sentence="slows down the longer it runs and recovers at rest: wet air or ice chokes its "
        "exhaust.",
        causes=(
            "water in the air: dryer failed, bowl full, drain stuck",
            "long draws at high air pressure in a cold room",
            "clogged exhaust muffler (then it is the same at all times)",
        ),
        consequence="Long draws get less and less chemical; the pump may stop until it thaws.",
        harm=Consequence.WEAK_PRODUCT,
        respond_s=24 * HOUR_S,
        respond_severe_s=4 * HOUR_S,
        checks=(
            Check(_A, "Drain the filter bowl: is there water? Does the dryer run, its drain work?"),
            Check(_A, "Frost or water on the muffler after a long draw? Is the muffler clogged?"),
            Check(_A, "Can the air pressure be set lower? Less pressure, less cold."),
        ),
        bring=("exhaust muffler", "dryer element or desiccant", "filter element", "drain valve"),
        cautions=(AIR, NO_FLAME),
        alarm_class="air supply",
        limit_basis="Reversal dips wider than usual and growing with running time at an unchanged "
        "stall pressure; recovery after rest.",
        behaviour=Behaviour(
            120.0,
            "ice grows over minutes of running, so two minutes cost nothing",
            900.0,
            "it thaws in minutes at rest and returns: a quarter hour makes one alarm of a "
            "cold spell",
            "a quarter of the widening at which it was raised",
        ),
        valid_when="in draws long enough to show a trend; hardly visible at low flow",
        suppressed_by=(Kind.LOW_AIR,),
        suppress_why="with low air the pump is slow anyway",
        looks_like=(Kind.AIR_SAG, Kind.RESTRICTED_SUCTION),
        apart="Ice widens the dips and grows with running time; sag and suction leave their "
        "shape. A clogged muffler does it always, in any weather.",
        mode="ERO",
        references=(ISA, "ISO 8573-1:2010 (air purity classes)", PRACTICE),
    ),
    Record(
        kind=Kind.AIR_VALVE_STALLED,
        title="Air valve stalled",
        sentence="does not stroke although the pressure is down: its air valve hangs, or it has "
        "no air.",
        causes=(
            "air off, or under the 20 psi the pilot needs",
            "air valve stuck by dirt, ice, swollen seals or dried lubricant",
            "chemical in the air side after a torn diaphragm",
        ),
        consequence="Vehicles get nothing from this pump.",
        harm=Consequence.NO_PRODUCT,
        respond_s=30 * MIN_S,
        respond_severe_s=30 * MIN_S,
        checks=(
            Check(_A, "Is there air at the pump, 20 psi or more? Coupler pushed home?"),
            Check(_A, "Pull and refit the coupler once: does the pump take off?"),
            Check(_A, "Does the exhaust blow all the time? Then the valve hangs in the middle."),
            Check(_D, "Listen for the stroke: strokes without counts mean a dead counter."),
        ),
        bring=(
            "air valve kit",
            "spool seals of the pump's kind",
            "filter element",
            "pressure gauge with tee",
        ),
        cautions=(AIR, HELD_PRESSURE, SELF_START),
        alarm_class="product supply",
        limit_basis="Pressure under the restart point with no stroke: a sound pump restarts within "
        "a dead time of tenths of a second.",
        behaviour=Behaviour(
            10.0,
            "the slowest draws stroke every 4 to 5 s, so ten seconds without one is no draw",
            30.0,
            "a freed valve must stroke or hold for half a minute",
            "one stroke ends it",
        ),
        valid_when="with the pressure under the restart point, sure where demand is wired",
        suppressed_by=(Kind.LOW_AIR, Kind.PRESSURE_SENSOR, Kind.STROKE_COUNTER),
        suppress_why="no air, or a dead sensor or counter, looks the same",
        looks_like=(Kind.LOW_AIR, Kind.STROKE_COUNTER),
        apart="Pressure stays far under the stall pressure with no dip and no count; a dead "
        "counter still leaves dips.",
        mode="FTS",
        references=(ISA, PRACTICE),
    ),
)
