"""Kinds of the instrument itself: nothing wrong with the pump, but it is not seen."""

from monitor.advice.cautions import CHEMICAL, ELECTRICAL, HELD_PRESSURE
from monitor.advice.kinds import Kind, Side
from monitor.advice.record import (
    DAY_S,
    HOUR_S,
    ISA,
    PRACTICE,
    Behaviour,
    Check,
    Consequence,
    Record,
)

_N = Side.SENSOR

RECORDS: tuple[Record, ...] = (
    Record(
        kind=Kind.PRESSURE_SENSOR,
        title="Pressure sensor fault",
        sentence="cannot be judged: its pressure reading is stuck, off or out of range.",
        causes=(
            "wire broken or shorted, connector wet",
            "sensor port plugged by dried chemical",
            "sensor drifted or burst by a surge",
        ),
        consequence="Low air, airlock, prime and flow faults of this pump are not seen.",
        harm=Consequence.SIGHT,
        respond_s=1 * DAY_S,
        respond_severe_s=8 * HOUR_S,
        checks=(
            Check(_N, "Plug and cable dry and seated; supply voltage right?"),
            Check(_N, "Let the line down: does it read zero? If not by how much?"),
            Check(_N, "Compare with a gauge at stall; is the sensor's port plugged?"),
        ),
        bring=("pressure sensor 0 to 150 psi", "cable and connector", "pressure gauge with tee"),
        cautions=(HELD_PRESSURE, CHEMICAL, ELECTRICAL),
        alarm_class="instrument",
        limit_basis="Outside 3.6 to 21 mA or the ratiometric band; or strokes counted while the "
        "reading stays within the converter's noise.",
        behaviour=Behaviour(
            10.0,
            "single failed conversions are not a fault; ten seconds are hundreds of samples",
            60.0,
            "a loose wire comes and goes: a sound minute ends it",
            "for drift: half of the offset at which it was raised",
        ),
        valid_when="always",
        suppressed_by=(),
        suppress_why="it is a cause, never a consequence",
        looks_like=(Kind.LOW_AIR, Kind.HIGH_AIR),
        apart="Strokes come but the reading has no dips and does not move at a draw's start "
        "or end, or does not read zero when let down.",
        mode="AIR",
        references=(ISA, "NAMUR NE 43 (signal levels)", "NAMUR NE 107 (sensor status)"),
    ),
    Record(
        kind=Kind.STROKE_COUNTER,
        title="Stroke counter fault",
        sentence="has a stroke counter that misses strokes or makes them up.",
        causes=(
            "magnet or reed moved, wire broken",
            "contact bounce, or the wrong strokes-per-pulse setting",
            "exhaust switch iced or clogged",
        ),
        consequence="Strokes are counted from the pressure instead; small leaks may go unseen.",
        harm=Consequence.SIGHT,
        respond_s=2 * DAY_S,
        respond_severe_s=1 * DAY_S,
        checks=(
            Check(_N, "Count strokes by ear over a minute against the reading."),
            Check(_N, "Magnet gap, wire and connector; strokes-per-pulse setting 1 or 2?"),
            Check(_N, "Bounce: lock-out of 10 to 20 ms set in the counter's input?"),
        ),
        bring=("counter sensor", "cable and connector"),
        cautions=(ELECTRICAL,),
        alarm_class="instrument",
        limit_basis="Counts against reversal dips, which should be 1; intervals under 40 ms, which "
        "no pump of the class reaches.",
        behaviour=Behaviour(
            60.0,
            "needs some tens of strokes on both sides of the comparison",
            600.0,
            "ten minutes with several sound draws end it",
            "a tenth of the ratio of counts to dips",
        ),
        valid_when="in draws with dips above the sensor's resolution",
        suppressed_by=(),
        suppress_why="it is a cause, never a consequence",
        looks_like=(Kind.NO_DEMAND, Kind.BALL_LEAK),
        apart="Counts and dips disagree; a counter that misses every second stroke alternates "
        "by a fixed share at any draw.",
        mode="AIR",
        references=(ISA, PRACTICE),
    ),
    Record(
        kind=Kind.NODE_SILENT,
        title="Node silent",
        sentence="is not being watched: nothing comes from its node.",
        causes=(
            "node without power or off its network",
            "broker or site network down",
            "node's clock far off, so that its messages are refused",
        ),
        consequence="No fault of any pump on this node is seen until it is back.",
        harm=Consequence.SIGHT,
        respond_s=4 * HOUR_S,
        respond_severe_s=4 * HOUR_S,
        checks=(
            Check(_N, "Power and lights of the node; network and broker up?"),
            Check(_N, "Are all nodes of the site silent? Then the site's network or broker."),
            Check(_N, "What the node stored meanwhile comes in by itself when it is back."),
        ),
        bring=("power supply", "network cable", "spare node"),
        cautions=(ELECTRICAL,),
        alarm_class="instrument",
        limit_basis="No message for half a minute, where one comes every second.",
        behaviour=Behaviour(
            120.0,
            "short network gaps and a broker's restart are normal life and end within a "
            "minute or two",
            10.0,
            "ten messages in a row show that it is back",
            "none: it is there or it is not",
        ),
        valid_when="always; a quiet pump still reports its pressure each second",
        suppressed_by=(),
        suppress_why="it is a cause, never a consequence",
        looks_like=(),
        apart="Nothing at all comes; an idle pump still reports its pressure each second.",
        mode="AIR",
        references=(ISA, "MQTT last will (OASIS MQTT 3.1.1 and 5)"),
    ),
)
