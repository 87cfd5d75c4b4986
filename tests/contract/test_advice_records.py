"""Every kind has a whole record, and the records agree with each other and with the trade."""

import dataclasses

import pytest

from monitor.advice.cautions import AIR, CHEMICAL, DEFER, HELD_PRESSURE, SELF_START
from monitor.advice.kinds import SIDE, Kind, Priority, Side
from monitor.advice.rationalization import as_text, rationalization
from monitor.advice.record import MATRIX, Consequence, priority
from monitor.advice.records import RECORDS, priority_of, record

ORDER = [Side.AIR, Side.SUCTION, Side.DISCHARGE, Side.PUMP, Side.SENSOR]
RANK = [Priority.NEXT_VISIT, Priority.THIS_SHIFT, Priority.ACT_NOW]


def test_one_record_a_kind() -> None:
    assert set(RECORDS) == set(Kind)


@pytest.mark.parametrize("kind", Kind)
def test_record_is_whole(kind: Kind) -> None:
    one = record(kind)
    for field in dataclasses.fields(one):
        if field.name not in ("suppressed_by", "looks_like"):
            assert getattr(one, field.name) not in ("", (), None), field.name
    assert 0 < one.respond_severe_s <= one.respond_s
    assert one.behaviour.on_delay_s >= 0
    assert one.behaviour.off_delay_s > 0


@pytest.mark.parametrize("kind", Kind)
def test_it_is_never_taken_for_itself(kind: Kind) -> None:
    assert kind not in record(kind).looks_like
    assert kind not in record(kind).suppressed_by


@pytest.mark.parametrize("kind", Kind)
def test_checks_go_air_suction_discharge(kind: Kind) -> None:
    # The order in which the trade troubleshoots (common practice).
    places = [ORDER.index(check.side) for check in record(kind).checks]
    assert places == sorted(places)


@pytest.mark.parametrize("kind", [k for k in Kind if k is not Kind.UNUSUAL])
def test_a_check_lies_on_the_named_side(kind: Kind) -> None:
    assert SIDE[kind] in {check.side for check in record(kind).checks}


@pytest.mark.parametrize("kind", [k for k in Kind if SIDE[k] is not Side.SENSOR])
def test_who_opens_a_line_is_warned(kind: Kind) -> None:
    cautions = record(kind).cautions
    if SIDE[kind] in (Side.DISCHARGE, Side.PUMP):
        assert HELD_PRESSURE in cautions
        assert CHEMICAL in cautions
    if SIDE[kind] is Side.SUCTION:
        assert CHEMICAL in cautions
    if SIDE[kind] is Side.AIR:
        assert AIR in cautions


@pytest.mark.parametrize(
    "kind", [Kind.BALL_LEAK, Kind.DIAPHRAGM, Kind.WORN, Kind.AIR_VALVE_STALLED]
)
def test_who_opens_the_pump_is_warned_that_it_starts_by_itself(kind: Kind) -> None:
    assert SELF_START in record(kind).cautions


@pytest.mark.parametrize("kind", Kind)
def test_sentences_are_one_plain_sentence(kind: Kind) -> None:
    text = record(kind).sentence
    assert text.endswith(".")
    assert text.count(".") == 1
    assert text[0].islower()
    assert len(text) <= 110
    for jargon in ("detector", "residual", "CUSUM", "sigma", "threshold", "asymmetry", "baseline"):
        assert jargon not in text


def test_suppression_never_runs_in_circles() -> None:
    # Suppress consequences, never the alarm that names the cause (ANSI/ISA-18.2).
    def causes_of(kind: Kind, seen: frozenset[Kind]) -> None:
        assert kind not in seen, f"{kind} hides itself"
        for cause in record(kind).suppressed_by:
            causes_of(cause, seen | {kind})

    for kind in Kind:
        causes_of(kind, frozenset())


def test_harm_is_hidden_only_by_harm_or_a_bad_sensor() -> None:
    for kind in Kind:
        if record(kind).harm is Consequence.HARM:
            for cause in record(kind).suppressed_by:
                assert record(cause).harm in (Consequence.HARM, Consequence.SIGHT)


@pytest.mark.parametrize("kind", Kind)
def test_the_printed_record_has_every_field_and_defers(kind: Kind) -> None:
    made = rationalization(kind)
    text = as_text(made)
    for field in dataclasses.fields(made):
        assert field.name.replace("_", " ") + ":" in text
    assert kind.value in text
    assert DEFER in text


def test_matrix_never_falls_with_less_time_or_worse_consequence() -> None:
    # The method of ISA-18.2: less time or a worse consequence never lowers the priority.
    for row in MATRIX.values():
        assert [RANK.index(p) for p in row] == sorted((RANK.index(p) for p in row), reverse=True)
    worst_first = [Consequence.HARM, Consequence.NO_PRODUCT, Consequence.WEAK_PRODUCT]
    for better, worse in zip(worst_first[1:], worst_first, strict=False):
        for column in range(3):
            assert RANK.index(MATRIX[worse][column]) >= RANK.index(MATRIX[better][column])


def test_priority_columns() -> None:
    assert priority(Consequence.NO_PRODUCT, 3600.0) is Priority.ACT_NOW
    assert priority(Consequence.NO_PRODUCT, 3601.0) is Priority.THIS_SHIFT
    assert priority(Consequence.NO_PRODUCT, 9 * 3600.0) is Priority.NEXT_VISIT


@pytest.mark.parametrize("kind", Kind)
def test_worse_is_never_less_urgent(kind: Kind) -> None:
    assert RANK.index(priority_of(kind, 1.0)) >= RANK.index(priority_of(kind, 0.0))


def test_few_kinds_call_for_somebody_now() -> None:
    # EEMUA 191 and ISA-18.2 guide to some 5, 15 and 80 % of alarms; of the kinds fewer than half
    # may ask for somebody at once.
    now = [k for k in Kind if priority_of(k) is Priority.ACT_NOW]
    assert len(now) < len(Kind) / 2


def test_only_what_does_not_heal_latches() -> None:
    assert [k for k in Kind if record(k).behaviour.latching] == [Kind.DIAPHRAGM]


def test_the_worst_is_told_soonest() -> None:
    # A delay must be a small part of the time there is to respond (a tenth at most).
    for kind in Kind:
        assert record(kind).behaviour.on_delay_s <= 0.1 * record(kind).respond_severe_s
