"""What people read: sentences with numbers, procedures in the trade's order, seal doubts."""

import pytest

from monitor.advice import procedures, seals, text
from monitor.advice.cautions import DEFER, HELD_PRESSURE, SELF_START
from monitor.advice.kinds import Kind
from monitor.advice.records import record
from monitor.detectors.finding import Evidence, Finding, Presence
from monitor.seals import MATERIALS, Rating, judge_seal, ph_hazard
from monitor.site import Fluid
from monitor.units import METRIC, PA_PER_PSI, US


def finding(kind: Kind, *evidence: Evidence, confidence: float = 0.95) -> Finding:
    causes = ((kind, 0.8), (Kind.AIR_SAG, 0.2))
    return Finding("p3", kind, Presence.YES, 2.0, 1.0, confidence, 0.5, "", evidence, causes)


STALL = Evidence("stall pressure", 42 * PA_PER_PSI, "Pa", 57 * PA_PER_PSI, 59 * PA_PER_PSI)


def test_the_whole_message_in_us_units() -> None:
    said = text.in_words("Pump 3", finding(Kind.LOW_AIR, STALL), US)
    assert said == (
        "Pump 3 stops at too low a pressure: the air supply is low. "
        "Stall pressure 42 psi (usual 57 to 59 psi). Sure; could also be air sag. "
        "First: Read the air gauge at the pump at rest and while a bay draws: 20 psi least."
    )


def test_the_same_in_metric_units() -> None:
    assert "2.90 bar (usual 3.93 to 4.07 bar)" in text.in_words(
        "Pump 3", finding(Kind.LOW_AIR, STALL), METRIC
    )


@pytest.mark.parametrize(
    ("value", "unit", "said"),
    [
        (12.0, "mL/min", "12 mL/min"),
        (10_567.0, "mL/min", "2.79 US gal/min"),
        (0.153, "share", "15 %"),
        (0.5, "1/s", "30 strokes a minute"),
        (1.0, "strokes", "1 stroke"),
        (7.4, "strokes", "7 strokes"),
        (412.0, "mL", "412 mL"),
        (7570.8, "mL", "2 US gal"),
        (45.0, "s", "45 s"),
        (600.0, "s", "10 min"),
        (3 * 86400.0, "s", "3 days"),
        (1.36, "", "1.4"),
        (1.2192, "m", "4.0 ft"),
        (20.0, "°C", "20 °C"),
        (3.0, "furlong", "3 furlong"),
        (None, "Pa", "not known"),
    ],
)
def test_amounts(value: float | None, unit: str, said: str) -> None:
    assert text.amount(value, unit, US) == said


def test_limits_and_the_day_stand_beside_a_leak() -> None:
    leak = Evidence("leak", 60.0, "mL/min", 0.0, 0.0, 48.0, 75.0)
    assert text.quantity(leak, US) == (
        "leak 60 mL/min (95 %: 48 to 75; 22.8 US gal a day; usual none)"
    )
    race = Evidence("leak", 10_567.0, "mL/min", None, None, 9_800.0, 11_300.0)
    assert text.quantity(race, US) == "leak 2.79 US gal/min (95 %: 2.59 to 2.99)"


def test_one_sided_usual() -> None:
    low = Evidence("stall pressure", 0.0, "Pa", 10 * PA_PER_PSI, None)
    high = Evidence("idle strokes", 9, "strokes", None, 2)
    assert text.quantity(low, US).endswith("(usual at least 10 psi)")
    assert text.quantity(high, US) == "idle strokes 9 strokes (usual at most 2 strokes)"


def test_doubt_is_said() -> None:
    assert text.how_sure(finding(Kind.LOW_AIR, confidence=0.75)).startswith("Likely")
    assert text.how_sure(finding(Kind.LOW_AIR, confidence=0.4)).startswith("Not certain")


@pytest.mark.parametrize("kind", Kind)
def test_every_kind_speaks(kind: Kind) -> None:
    said = text.in_words("Pump 3", finding(kind), US)
    assert said.startswith("Pump 3 ")
    assert record(kind).checks[0].text in said


def steps_of(name: str) -> list[str]:
    return [step.text for step in procedures.PROCEDURES[name].steps]


def where(steps: list[str], words: str) -> int:
    found = [n for n, step in enumerate(steps) if words in step]
    assert found, f"no step says {words!r}"
    return found[0]


def test_change_out_order() -> None:
    # Off: air, suction, discharge; on: suction, discharge, a bay's low-pressure function, then air
    # (common practice).
    steps = steps_of("change-out")
    order = [
        where(steps, "first the air"),
        where(steps, "Then the suction"),
        where(steps, "Then the discharge: relieve"),
        where(steps, "ports down"),
        where(steps, "On, first the suction"),
        steps.index("Then the discharge."),
        where(steps, "low-pressure function"),
        where(steps, "Then the air"),
    ]
    assert order == sorted(order)


def test_airlock_cure_order() -> None:
    # Pull the air, relieve and remove the line (pop or hiss), refit, low-pressure function open,
    # then the air again (common practice).
    steps = steps_of("airlock")
    order = [
        where(steps, "Pull the air coupler"),
        where(steps, "pop or a hiss"),
        where(steps, "Refit"),
        where(steps, "low-pressure function"),
        where(steps, "coupler home"),
    ]
    assert order == sorted(order)


@pytest.mark.parametrize("one", procedures.PROCEDURES.values(), ids=lambda p: p.id)
def test_every_procedure_warns_and_defers(one: procedures.Procedure) -> None:
    printed = procedures.as_text(one)
    assert one.cautions
    assert printed.index("CAUTION") < printed.index("1. ")
    assert DEFER in printed
    assert "Done when" in printed


@pytest.mark.parametrize("one", procedures.PROCEDURES.values(), ids=lambda p: p.id)
def test_the_caution_stands_at_its_step(one: procedures.Procedure) -> None:
    for step in one.steps:
        if "coupler home" in step.text or "Pull the air" in step.text:
            assert SELF_START in step.cautions
        if "elieve" in step.text and "gauge" not in step.text:
            assert HELD_PRESSURE in step.cautions


def test_alkaline_presoak_on_fkm_is_named() -> None:
    # Common practice fits FKM to presoaks; usual FKM grades fail in strong caustic (general
    # elastomer resistance tables), TPV and EPDM do not.
    soak = Fluid(ph=13.0, solvent=False, fluoride=False, temperature_c=20.0)
    found = judge_seal("FKM", soak)[0]
    assert found.rating is Rating.AVOID
    assert "presoak" in found.what_to_do
    assert judge_seal("TPV", soak)[0].rating is Rating.STANDS
    assert judge_seal("EPDM", soak)[0].rating is Rating.STANDS


@pytest.mark.parametrize("seal", [*MATERIALS, "unknown"])
def test_nothing_unknown_is_ever_passed(seal: str) -> None:
    for found in judge_seal(seal, Fluid()):
        assert found.rating is Rating.UNKNOWN
        assert found.what_to_do


def test_an_unknown_material_is_never_passed() -> None:
    stated = Fluid(ph=7.0, solvent=True, fluoride=True, temperature_c=20.0)
    assert {f.rating for f in judge_seal("unknown", stated)} == {Rating.UNKNOWN}


@pytest.mark.parametrize("seal", MATERIALS)
def test_fluoride_always_warns(seal: str) -> None:
    acid = Fluid(ph=2.5, solvent=False, fluoride=True, temperature_c=20.0)
    found = next(f for f in judge_seal(seal, acid) if f.hazard == "fluoride")
    assert found.rating is Rating.CHECK
    assert "hydrofluoric" in found.what_to_do


def test_heat_asks_for_data() -> None:
    hot = Fluid(ph=7.0, solvent=False, fluoride=False, temperature_c=55.0)
    assert judge_seal("TPV", hot)[3].rating is Rating.CHECK


@pytest.mark.parametrize(
    ("ph", "word"),
    [
        (1.0, "strong acid"),
        (2.0, "acid"),
        (7.0, "neutral"),
        (9.0, "alkaline"),
        (12.0, "strong alkali"),
    ],
)
def test_ph_words(ph: float, word: str) -> None:
    assert ph_hazard(ph) == word


def test_seal_guide_uses_standard_names_only() -> None:
    # ASTM D1418 / ISO 1629 designations, and TPV.
    assert [g.name for g in seals.guide()] == ["TPV", "EPDM", "FKM", "FFKM", "PTFE"]
    assert len(seals.notes()) == 3


def test_bring_names_the_pumps_own_seals() -> None:
    brought = seals.bring_for(record(Kind.BALL_LEAK).bring, "FKM")
    assert any(item.startswith("FKM seals") for item in brought)
    assert "label" in seals.kit("unknown")


def test_seal_warnings_are_sentences() -> None:
    soak = Fluid(ph=13.0, solvent=False, fluoride=False, temperature_c=20.0)
    assert len(seals.warnings("FKM", soak)) == 1
    assert seals.warnings("TPV", soak) == ()
