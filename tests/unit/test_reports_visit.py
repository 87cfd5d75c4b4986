"""The visit sheet's words and order, and that paper says what the model says."""

import re
import subprocess
import time
from dataclasses import replace
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from monitor.advice.kinds import Kind, Priority
from monitor.advice.records import RECORDS
from monitor.alarms.types import Alarm, State
from monitor.detectors.finding import Evidence
from monitor.hydraulics.band import Band
from monitor.reports import bays, drums, paper, table, visit
from monitor.reports.leaks import Prices
from monitor.reports.saving import saving
from monitor.reports.tally import Fault, tally
from monitor.reports.visit_model import Known, Shared
from monitor.signals.types import Episode
from monitor.site import Fluid, Pump, Site
from monitor.units import PA_PER_PSI, US

DAY_S = 86_400.0
NOW = datetime(2026, 3, 30, 14, 0, tzinfo=UTC).timestamp()
MONTH = (NOW - 30 * DAY_S, NOW)
RECENT = (NOW - 2 * DAY_S, NOW)


def pump(name, **more):
    fields = {"label": f"Soap {name}", "bays": ("1",), "seal": "FKM", **more}
    return Pump(id=name, fluid=Fluid(name=f"Foam {name}", drum_ml=200_000), **fields)


def made_site(*pumps):
    return Site(id="north", label="North yard", time_zone="America/Chicago", pumps=pumps)


def alarm(subject, kind, priority=Priority.THIS_SHIFT, **more):
    fields = {
        "id": f"{subject}-{kind.name}", "site": "north", "subject": subject, "kind": kind,
        "priority": priority, "state": State.NOT_ACKNOWLEDGED, "active": True, "acked": False,
        "since_ts": NOW - 7200, "raised_ts": NOW - 7200, "last_raised_ts": NOW - 7200,
        "cleared_ts": None, "acked_ts": None, "acked_by": None, "count": 1, "confidence": 0.9,
        "severity": 0.5, "sentence": "", "causes": ((kind, 1.0),), **more,
    }  # fmt: skip
    return Alarm(**fields)


def draws(span, per_day, strokes=20):
    count = int((span[1] - span[0]) / DAY_S * per_day)
    step = (span[1] - span[0]) / max(count, 1)
    return [
        Episode("P", "draw", span[0] + i * step, span[0] + i * step + 20, False, strokes, {})
        for i in range(count)
    ]


def known(p, alarms=(), per_day=50, faults=(), **more):
    zone = ZoneInfo("America/Chicago")
    waste = more.pop("waste", 0)
    recent = draws(RECENT, per_day)
    recent += [Episode("P", "idle strokes", NOW - 900 - k, NOW - 899 - k, False, 1, {})
               for k in range(waste)]  # fmt: skip
    return Known(
        pump=p,
        alarms=alarms,
        faults=faults,
        month=tally(p, MONTH, draws(MONTH, per_day), faults, (), zone),
        recent=tally(p, RECENT, recent, (), (), zone),
        **more,
    )


def airlock(name="P1"):
    return alarm(
        name, Kind.AIRLOCK, Priority.ACT_NOW,
        causes=((Kind.AIRLOCK, 0.7), (Kind.AIR_IN_SUCTION, 0.3)), count=3,
        evidence=(Evidence("trapped gas", 410.0, "mL", 5.0, 40.0),),
    )  # fmt: skip


def test_nothing_open_needs_no_visit():
    got = visit.sheet(made_site(pump("P1")), [known(pump("P1"))], NOW)
    assert got.pumps == ()
    assert got.empty == "Nothing is open: no pump needs a visit."


def test_one_page_says_why_with_numbers_and_what_first():
    p = pump("P1")
    got = visit.sheet(
        made_site(p),
        [known(p, [airlock()], usual_stall_pa=(57 * PA_PER_PSI, 59 * PA_PER_PSI),
               prime=Band(7, 15), work=("12 Mar: seals",))],
        NOW,
    )  # fmt: skip
    page = got.pumps[0]
    assert got.date == "Mon 30 Mar 2026, 09:00"
    assert got.zone == "CDT"
    assert page.why[0].startswith("Soap P1 ")
    assert "trapped gas 410 mL (usual 5 to 40 mL), since 30 Mar 07:00" in page.why[0]
    assert "could also be air in suction" in page.why[0]
    assert page.saves == "Each day it waits: about 50 draws served badly."
    assert [(c.side, c.weight) for c in page.causes] == [("discharge", "70 %"), ("suction", "30 %")]
    assert page.alarms[0].priority == "act now"
    assert page.alarms[0].words.endswith(", 3 times")
    expected = {r.name: r.expected for r in page.readings}
    assert expected["Discharge pressure at rest"] == "57 to 59 psi"
    assert expected["Discharge pressure during a draw"] == "not learnt yet"
    assert expected["Strokes to prime"] == "7 to 15"
    assert expected["Level in the drum"] == "no drum change logged"
    assert any("FKM" in item for item in [page.seal, *page.bring])
    assert page.procedures[0].title == "Clear an airlock"
    assert "pop or a hiss" in " ".join(step for step, _, _ in page.procedures[0].steps)
    assert {title for title, _ in page.cautions} >= {"Compressed air", "Chemicals"}
    assert "safety data sheet" in got.defer


def test_checks_come_in_the_trades_order_each_once():
    p = pump("P1")
    both = [airlock(), alarm("P1", Kind.LOW_AIR), alarm("P1", Kind.LOST_PRIME)]
    page = visit.sheet(made_site(p), [known(p, both)], NOW).pumps[0]
    sides = [c.side for c in page.checks]
    order = ["air", "suction", "discharge", "pump", "sensor"]
    assert sides == sorted(sides, key=order.index)
    assert len({c.text for c in page.checks}) == len(page.checks)
    assert {"air", "suction", "discharge"} <= set(sides)


@pytest.mark.parametrize("kind", list(Kind))
def test_every_kind_makes_a_whole_page(kind):
    p = pump("P1")
    page = visit.sheet(made_site(p), [known(p, [alarm("P1", kind)])], NOW).pumps[0]
    assert page.why
    assert page.checks
    assert page.causes[0].words.startswith(kind.value)
    assert all(t.text in [c.text for c in page.checks] for t in RECORDS[kind].checks)


def test_what_saves_most_comes_first():
    busy, calm, leaky = pump("P1"), pump("P2"), pump("P3")
    states = [
        known(leaky, [alarm("P3", Kind.NO_DEMAND, Priority.NEXT_VISIT)], waste=100),
        known(calm, [airlock("P2")], per_day=5),
        known(busy, [airlock("P1")], per_day=90),
    ]
    got = visit.sheet(made_site(busy, calm, leaky), states, NOW)
    assert [page.pump for page in got.pumps] == ["P1", "P2", "P3"]
    assert got.pumps[2].saves.startswith("Each day it waits: 0.793 US gal of chemical")
    # With prices money decides: a dear product running away outweighs a few cheap draws.
    dear = replace(states[0], prices=Prices("EUR", chemical_per_l=40.0, bad_draw=0.5))
    cheap = replace(states[1], prices=Prices("EUR", chemical_per_l=1.0, bad_draw=0.5))
    got = visit.sheet(made_site(busy, calm, leaky), [cheap, dear], NOW)
    assert [page.pump for page in got.pumps] == ["P3", "P2"]
    assert "EUR 120.00 in all" in got.pumps[0].saves


def test_a_fault_that_comes_and_goes_and_a_drum_that_ends_are_open_matters():
    p = pump("P1")
    faults = [Fault(Kind.AIR_SAG, NOW - k * 3 * DAY_S, NOW - k * 3 * DAY_S + 60) for k in (1, 2, 3)]
    page = visit.sheet(made_site(p), [known(p, faults=faults)], NOW).pumps[0]
    assert page.why == (f"{RECORDS[Kind.AIR_SAG].title}: 3 times in 30 days, not now.",)
    days = [drums.Day(datetime.fromtimestamp(NOW - k * DAY_S, UTC).date(), 500.0)
            for k in range(1, 20)]  # fmt: skip
    soon = drums.forecast(
        drums.Drum(0, 200_000, 2000), drums.stroke(60, known=True), days,
        datetime.fromtimestamp(NOW, UTC).date(),
    )  # fmt: skip
    page = visit.sheet(made_site(p), [known(p, drum=soon)], NOW).pumps[0]
    assert page.why[0].startswith("The drum will end about ")
    assert page.procedures[0].title == "Change the drum"
    assert "drum of Foam P1 (read both labels)" in page.bring
    assert page.saves.startswith("Nothing is lost yet that can be counted")
    over = drums.forecast(
        drums.Drum(0, 200_000, 9000), drums.stroke(60, known=True), days,
        datetime.fromtimestamp(NOW, UTC).date(),
    )  # fmt: skip
    page = visit.sheet(made_site(p), [known(p, drum=over)], NOW).pumps[0]
    assert page.why[0].startswith("The drum may be empty now")


def test_a_shared_air_supply_has_its_own_page():
    p, q = pump("P1"), pump("P2", bays=("2",))
    loss = saving(known(p).month, known(p).recent, 0.5, 0, Prices())
    main = Shared("air:main", "Air supply main", [alarm("air:main", Kind.LOW_AIR)], (p, q), loss)
    got = visit.sheet(made_site(p, q), [known(p), known(q)], NOW, [main])
    page = got.pumps[0]
    assert page.label == "Air supply main"
    assert page.bays == "bays 1, 2"
    assert page.readings[0].expected == "Soap P1 60 psi; Soap P2 60 psi"
    assert page.month is None
    assert "air" in {c.side for c in page.checks}


def test_a_shelved_alarm_and_an_impossible_prime_are_said():
    p = pump("P1")
    shelved = alarm("P1", Kind.WORN, state=State.SHELVED, shelved_until_ts=NOW + 3600)
    page = visit.sheet(made_site(p), [known(p, [shelved], prime=Band(9, float("inf")))], NOW).pumps[
        0
    ]
    assert page.alarms[0].state == "shelved until 30 Mar 10:00"
    assert {r.name: r.expected for r in page.readings}["Strokes to prime"].startswith("9 or more")


def test_doubts_about_the_seal_stand_on_the_sheet():
    strong = Fluid(name="Presoak", ph=13.0, solvent=False, fluoride=False, temperature_c=20.0)
    p = Pump(id="P1", label="Presoak", seal="FKM", fluid=strong)
    page = visit.sheet(made_site(p), [known(p, [airlock()])], NOW).pumps[0]
    assert any(doubt.startswith("FKM against strong alkali") for doubt in page.doubts)
    unknown = visit.sheet(made_site(pump("P1")), [known(pump("P1"), [airlock()])], NOW).pumps[0]
    assert len(unknown.doubts) == 1
    assert "does not say of the chemical: pH" in unknown.doubts[0]


def test_dry_strokes_save_air():
    p = pump("P1")
    features = {"dry_strokes": 300.0, "dry_start_strokes": 300.0}
    starts = [RECENT[0] + 60 * k for k in range(90)]
    dry = [Episode("P", "prime", at, at + 30, False, 300, features) for at in starts]
    recent = tally(p, RECENT, dry, (), (), ZoneInfo("UTC"))
    got = saving(recent, recent, 0.0, 0, Prices())
    assert got.words(US).startswith("Each day it waits: ")
    assert got.words(US).endswith("kWh of air.")


# ---------------------------------------------------------------------- paper


def text_of(pdf, tmp_path):
    path = tmp_path / "x.pdf"
    path.write_bytes(pdf)
    out = subprocess.run(
        ["pdftotext", "-raw", str(path), "-"], check=True, capture_output=True, text=True
    ).stdout
    return squeezed(out)


def squeezed(text):
    """Letters and figures only: line breaks and hyphenation are the setter's business."""
    return re.sub(r"[^\w%:.,;()]+", "", text.replace("\u00ad", ""))


def words_of_visit(sheet):
    yield sheet.site
    yield from sheet.bring
    yield sheet.defer
    for page in sheet.pumps:
        yield from (page.label, page.chemical, page.seal, page.saves, *page.why, *page.work)
        for cause in page.causes:
            yield from (cause.weight, cause.side, cause.words)
        for check in page.checks:
            yield check.text
        for reading in page.readings:
            yield from (reading.name, reading.expected)
        for one in page.alarms:
            yield from (one.priority, one.words, one.since, one.state)
        for title, words in page.cautions:
            yield from (title, words)
        for procedure in page.procedures:
            yield from (procedure.title, procedure.use_when, procedure.done_when)
            for step in procedure.steps:
                yield from step[:2]


@pytest.mark.slow
def test_the_paper_holds_every_word_of_the_visit_sheet(tmp_path):
    p, q = pump("P1", label='#panic("x") *b* $y$ @z'), pump("P2")
    got = visit.sheet(
        made_site(p, q),
        [known(p, [airlock()], work=("12 Mar: seals · parts: #read(\"/etc/passwd\")",)),
         known(q, [alarm("P2", Kind.DRUM_EMPTY)])],
        NOW,
    )  # fmt: skip
    svg = '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 72 9"><path d="M0 0h9v9z"/></svg>'
    begun = time.perf_counter()
    pdf = paper.visit_pdf(got, {("P1", "month"): svg, ("P1", "worst"): svg})
    assert time.perf_counter() - begun < 5
    assert pdf[:5] == b"%PDF-"
    assert b"pdfuaid" in pdf
    told = text_of(pdf, tmp_path)
    for words in words_of_visit(got):
        assert squeezed(words) in told, words


@pytest.mark.slow
def test_the_paper_holds_every_row_of_the_comparison(tmp_path):
    zone = ZoneInfo("America/Chicago")
    parts = []
    for i in range(4):
        p = pump(f"P{i}", bays=(str(i),), displacement_known=True)
        faults = [Fault(Kind.AIRLOCK, MONTH[0] + (k + 1) * DAY_S, MONTH[0] + (k + 1) * DAY_S + 9000)
                  for k in range(6 * i)]  # fmt: skip
        parts.append(bays.Part(tally(p, MONTH, draws(MONTH, 40), faults, (), zone)))
    whole = bays.Unit("all", "All bays", tuple(parts))
    got = table.table(bays.compare("Bay", bays.by_bay(parts), whole), US, zone, NOW)
    pdf = paper.bays_pdf(got, "North yard", US)
    told = text_of(pdf, tmp_path)
    for row in got.rows:
        for cell in row:
            for words in (cell.text, cell.note, cell.mark):
                assert squeezed(words) in told, words
    for words in (*got.headings, *got.notes, got.period):
        assert squeezed(words) in told, words


@pytest.mark.slow
def test_an_empty_sheet_is_a_sheet(tmp_path):
    got = visit.sheet(made_site(pump("P1")), [], NOW)
    assert squeezed(got.empty) in text_of(paper.visit_pdf(got), tmp_path)
