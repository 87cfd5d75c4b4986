"""Kinds on the suction side."""

from monitor.advice.cautions import CHEMICAL, HELD_PRESSURE, SELF_START
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
_DRY_WHY = "without air, liquid or a true reading the suction cannot be judged"
_GAUGE = Check(_A, "Glance at the air gauge: 20 psi or more, in use too.")

RECORDS: tuple[Record, ...] = (
    Record(
        kind=Kind.MISSED_PRIME,
        title="Missed prime",
        sentence="races without building pressure: it has not drawn its chemical up.",
        causes=(
            "drum empty, or dip tube not in the liquid",
            "air drawn in at a joint, cracked dip tube or dry seals",
            "foot valve stuck or leaking",
            "lift or run too long, or the discharge line was under pressure while priming",
        ),
        consequence="Vehicles get nothing from this pump, and it wears running dry.",
        harm=Consequence.NO_PRODUCT,
        respond_s=1 * HOUR_S,
        respond_severe_s=30 * MIN_S,
        checks=(
            _GAUGE,
            Check(_S, "Liquid in the drum, dip tube seated and reaching it?"),
            Check(_S, "Foot valve clean, moving and tight? Every suction joint tight?"),
            Check(_D, "Let the discharge down and prime with a low-pressure function running."),
        ),
        bring=(
            "foot valve and strainer",
            "suction tube",
            "clamps and fittings",
            "ball and seat kit",
        ),
        cautions=(CHEMICAL, HELD_PRESSURE, SELF_START),
        alarm_class="product supply",
        limit_basis="More than three times the strokes this line needs to prime, or 15 s, at dry "
        "speed (suction line volume over displacement, lift and altitude).",
        behaviour=Behaviour(
            5.0,
            "the verdict already spans three primes; five seconds let a late one catch",
            30.0,
            "the pump must hold its stall pressure for half a minute: it has caught",
            "one stall at the right pressure ends it",
        ),
        valid_when="from the first stroke after a start or a drum change",
        suppressed_by=(Kind.LOW_AIR, Kind.DRUM_EMPTY, Kind.PRESSURE_SENSOR),
        suppress_why=_DRY_WHY,
        looks_like=(Kind.DRUM_EMPTY, Kind.LOST_PRIME, Kind.AIRLOCK),
        apart="It races from the first stroke on and never builds; an empty drum begins in a "
        "sound draw, lost prime heals within the draw, an airlock holds pressure.",
        mode="FTS",
        references=(ISA, "Boyle's law on the suction line", PRACTICE),
    ),
    Record(
        kind=Kind.LOST_PRIME,
        title="Loses prime at rest",
        sentence="starts draws with dry strokes, more after longer rest: its foot valve leaks "
        "back.",
        causes=(
            "foot valve dirty, worn or leaking (most suction trouble)",
            "suction joint or pump balls letting air in above the column",
        ),
        consequence="The first vehicles after a quiet time get late or little chemical.",
        harm=Consequence.WEAK_PRODUCT,
        respond_s=1 * DAY_S,
        respond_severe_s=8 * HOUR_S,
        checks=(
            _GAUGE,
            Check(
                _S,
                "Lift the dip tube out: does the foot valve hold the column? Clean or change it.",
            ),
            Check(_S, "Joints and clamps between foot valve and pump tight, tube not cracked?"),
            Check(_P, "If the foot valve holds: inlet balls and seats."),
        ),
        bring=("foot valve and strainer", "suction tube and clamps", "ball and seat kit"),
        cautions=(CHEMICAL, HELD_PRESSURE, SELF_START),
        alarm_class="product supply",
        limit_basis="Dry strokes at the start of draws that grow with the rest before and stop "
        "growing at a full prime (Torricelli's law of a draining column).",
        behaviour=Behaviour(
            0.0,
            "it is judged when the start of the draw is over: waiting adds nothing",
            600.0,
            "busy hours hide it: ten minutes keep it from coming and going with each draw",
            "one dry stroke less than raised it",
        ),
        valid_when="at the first draw after a rest",
        suppressed_by=(Kind.LOW_AIR, Kind.DRUM_EMPTY, Kind.MISSED_PRIME, Kind.PRESSURE_SENSOR),
        suppress_why=_DRY_WHY,
        looks_like=(Kind.MISSED_PRIME, Kind.AIR_IN_SUCTION),
        apart="Dry only at the start, longer after longer rest, then sound; air in the "
        "suction goes on all through the draw.",
        mode="DOP",
        references=(ISA, "Torricelli's law", PRACTICE),
    ),
    Record(
        kind=Kind.RESTRICTED_SUCTION,
        title="Starved suction",
        sentence="strokes too slowly and too weakly at its right air: it cannot draw enough.",
        causes=(
            "strainer or foot valve clogged",
            "suction hose kinked, collapsed or too narrow",
            "chemical cold and thick, or the drum's vent shut",
        ),
        consequence="Too little chemical, worst when several bays draw; seals wear from knocking.",
        harm=Consequence.WEAK_PRODUCT,
        respond_s=1 * DAY_S,
        respond_severe_s=8 * HOUR_S,
        checks=(
            Check(
                _A, "Watch the air gauge in a draw: if it falls, it is the air, not the suction."
            ),
            Check(_S, "Clean strainer and foot valve; hose not kinked or sucked flat?"),
            Check(_S, "Drum vent open? (The drum may be under vacuum.) Chemical thick with cold?"),
        ),
        bring=("foot valve and strainer", "wider suction hose", "clamps and fittings"),
        cautions=(CHEMICAL, SELF_START),
        alarm_class="product supply",
        limit_basis="Pressure in a draw under the pump's own curve on its usual system curve, with "
        "a recovery after the bay closes as quick as a healthy one.",
        behaviour=Behaviour(
            15.0,
            "judged over whole draws; the guidance value for pressure",
            600.0,
            "small draws hide it: ten minutes hold several of different size",
            "half of the shortfall at which it was raised",
        ),
        valid_when="in draws of several strokes; cold mornings count only if they stay",
        suppressed_by=(Kind.LOW_AIR, Kind.DRUM_EMPTY, Kind.PRESSURE_SENSOR),
        suppress_why=_DRY_WHY,
        looks_like=(Kind.AIR_SAG, Kind.ICING),
        apart="The gauge on the air holds while the pressure falls, recovery is quick, and it "
        "is worse with cold product or big draws.",
        mode="LOO",
        references=(ISA, "Darcy-Weisbach friction", PRACTICE),
    ),
    Record(
        kind=Kind.AIR_IN_SUCTION,
        title="Air in the suction",
        sentence="strokes unevenly and weakly all through its draws: it takes in air with the "
        "chemical.",
        causes=(
            "loose joint or clamp above the liquid",
            "cracked dip tube or worn tube end",
            "dip tube barely in the liquid",
        ),
        consequence="Chemical comes weak and foamy; the pump may lose its prime altogether.",
        harm=Consequence.WEAK_PRODUCT,
        respond_s=1 * DAY_S,
        respond_severe_s=8 * HOUR_S,
        checks=(
            Check(_A, "Chemical or foam at the exhaust? Then it is the diaphragm: stop the pump."),
            Check(_S, "Level in the drum: does the dip tube draw from the last inches?"),
            Check(_S, "Tighten joints and clamps; a piece of clear tube shows the bubbles."),
        ),
        bring=("clamps and fittings", "suction tube, a piece of it clear", "dip tube"),
        cautions=(CHEMICAL, SELF_START),
        alarm_class="product supply",
        limit_basis="Ragged stroke intervals, more strokes for the same pressure and a line that "
        "grows softer from draw to draw.",
        behaviour=Behaviour(
            15.0,
            "judged over whole draws; the guidance value for pressure",
            600.0,
            "bubbles come in slugs: ten minutes span several draws",
            "half of the excess at which it was raised",
        ),
        valid_when="all through a draw, not only at its start (lost prime) and not for good "
        "(empty)",
        suppressed_by=(
            Kind.LOW_AIR,
            Kind.DRUM_EMPTY,
            Kind.MISSED_PRIME,
            Kind.DIAPHRAGM,
            Kind.PRESSURE_SENSOR,
        ),
        suppress_why=_DRY_WHY + "; a torn diaphragm blows air into the liquid as well",
        looks_like=(Kind.DIAPHRAGM, Kind.LOST_PRIME, Kind.RESTRICTED_SUCTION),
        apart="Ragged strokes, not alternating, and a dry exhaust; a torn diaphragm shows "
        "chemical at the exhaust.",
        mode="ERO",
        references=(ISA, PRACTICE),
    ),
    Record(
        kind=Kind.DRUM_EMPTY,
        title="Drum empty",
        sentence="turned dry in the middle of a draw: its drum is empty.",
        causes=("drum empty", "dip tube slipped up or fell off", "dip tube not at the bottom"),
        consequence="Vehicles get nothing from this pump, and it wears running dry.",
        harm=Consequence.NO_PRODUCT,
        respond_s=30 * MIN_S,
        respond_severe_s=30 * MIN_S,
        checks=(
            Check(_S, "Level in the drum; does the dip tube reach the bottom?"),
            Check(
                _S, "Swap the drum for the same product, foot valve under the liquid, joints tight."
            ),
            Check(_D, "Prime with a low-pressure function running; watch it hold its pressure."),
        ),
        bring=("the same product", "dip tube", "foot valve and strainer"),
        cautions=(CHEMICAL, HELD_PRESSURE),
        alarm_class="product supply",
        limit_basis="Liquid strokes turn to dry ones within a draw while the draw before was "
        "sound; volume since the drum change supports it.",
        behaviour=Behaviour(
            10.0,
            "the last litres gulp, liquid and air by turns; ten dry seconds are some fifty strokes",
            30.0,
            "a swapped drum primes within seconds and must then hold",
            "one stall at the right pressure ends it",
        ),
        valid_when="in a draw; a swapped drum gives a few dry strokes and then primes",
        suppressed_by=(Kind.PRESSURE_SENSOR,),
        suppress_why="without a true pressure reading dry and wet strokes cannot be told apart",
        looks_like=(Kind.MISSED_PRIME, Kind.LOST_PRIME),
        apart="The draw began sound and turned dry within a few strokes, about a drum's "
        "volume after the last change.",
        mode="NOO",
        references=(ISA, PRACTICE),
    ),
)
