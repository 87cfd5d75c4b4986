"""What people read: plain, complete, escaped, legible, and nothing fetched from anywhere."""

import re
from dataclasses import replace

import pytest

from monitor.advice.kinds import SIDE, Kind, Priority
from monitor.advice.records import record
from monitor.alarms.types import Alarm, State
from monitor.detectors.finding import Evidence
from monitor.notify import words
from monitor.notify.message import DigestFacts, Links, alarm_message, digest_message, merged
from monitor.notify.outbox import Message
from monitor.notify.routes import Word
from monitor.site import Pump, Site

SITE = Site(
    id="harbour",
    label="Harbour Wash",
    time_zone="Europe/Paris",
    units="metric",
    pumps=(Pump(id="P1", label="Presoak", bays=("1", "2", "4")), Pump(id="P2"), Pump(id="P3")),
)
TS = 1_800_000_000.0  # Fri 15 Jan 2027 08:00:00 UTC
LINKS = Links("http://127.0.0.1/site/harbour", "http://127.0.0.1/ack/token")


def alarm(**kw):
    base = Alarm(
        "harbour.P1.airlock.1", "harbour", "P1", Kind.AIRLOCK, Priority.ACT_NOW,
        State.NOT_ACKNOWLEDGED, True, False, TS, TS, TS, None, None, None, 1, 0.93, 0.5,
        "Gas is trapped at the discharge.",
        (
            Evidence("stall pressure", 310_000.0, "Pa", 400_000.0, 420_000.0),
            Evidence("not computable", None, "Pa"),
        ),
        ((Kind.AIRLOCK, 0.7), (Kind.LOST_PRIME, 0.3)),
    )  # fmt: skip
    return replace(base, **kw)


def write(*alarms, word=Word.RAISED, links=LINKS):
    return alarm_message(SITE, word, alarms, links)


def test_it_says_what_where_since_when_how_much_and_what_to_check():
    made = write(alarm())
    assert made.subject == "Act now: airlock, Presoak (P1) · Harbour Wash"
    for part in (
        "Presoak (P1): airlock", "feeds bays 1, 2 and 4", "since Fri 15 Jan 09:00 CET",
        "Gas is trapped at the discharge.", "stall pressure 3.10 bar (usual 4.00 to 4.20 bar)",
        "could also be lost prime", "Check first (air)", "Then (discharge)", LINKS.ack, LINKS.board,
        "safety data sheet", "controls nothing",
    ):  # fmt: skip
        assert part in made.text
    assert "not computable" not in made.text
    assert made.picture_of == "harbour.P1.airlock.1"


@pytest.mark.parametrize("kind", list(Kind))
def test_every_kind_has_its_message_with_its_cautions(kind):
    made = write(alarm(kind=kind, sentence=""))
    assert kind.value in made.subject
    assert record(kind).checks[0].text in made.text
    for caution in record(kind).cautions:
        assert caution.text in made.text
    assert f"({SIDE[kind].value})" in made.text or record(kind).checks[0].side.value in made.text


def test_returned_needs_nothing_done_and_shows_no_button():
    gone = alarm(state=State.RETURNED, active=False, cleared_ts=TS + 60)
    made = write(gone, word=Word.RETURNED, links=Links(LINKS.board))
    assert made.subject.startswith("Back to normal: airlock")
    assert "returned to normal Fri 15 Jan 09:01 CET" in made.text
    for part in ("Check first", "Acknowledge", "stall pressure", "Mind:"):
        assert part not in made.text
        assert part not in made.html
    assert made.picture_of is None


def test_again_and_escalated_say_so():
    again = write(alarm(count=3), word=Word.AGAIN)
    assert "again" in again.subject
    assert "3 times" in again.text
    late = write(alarm(), word=Word.ESCALATED)
    assert "not acknowledged" in late.subject
    assert "Nobody has acknowledged" in late.text


def test_many_are_most_urgent_first_and_beyond_six_a_line_each():
    many = [alarm(id=f"a{n}", since_ts=TS + n) for n in range(7)]
    soft = alarm(id="soft", priority=Priority.NEXT_VISIT, kind=Kind.WORN, since_ts=TS - 9)
    made = write(soft, *many, word=Word.SEVERAL)
    assert made.subject == "Several alarms: 8 · Harbour Wash"
    assert made.text.count("Check first") == 6
    assert "And also" in made.text
    assert made.text.index("airlock") < made.text.index("worn pump")
    flood = write(*many, word=Word.FLOOD)
    assert flood.subject.startswith("Flood of alarms: 7")
    assert "air supply" in flood.text
    over = write(*many, word=Word.FLOOD_OVER)
    assert over.subject.startswith("Flood of alarms is over, 7 still open")


def test_a_supply_names_its_pumps_and_an_unlabelled_pump_its_id():
    made = write(alarm(subject="air:main", kind=Kind.LOW_AIR, members=("P3", "P1")))
    assert "air supply main: low air" in made.text
    assert "concerns P1, P3" in made.text
    assert "node n1" in write(alarm(subject="node:n1", kind=Kind.NODE_SILENT)).text
    assert "P2: airlock" in write(alarm(subject="P2")).text
    one_bay = SITE.model_copy(update={"pumps": (Pump(id="P1", bays=("7",)),)})
    assert "feeds bay 7" in alarm_message(one_bay, Word.RAISED, [alarm()], LINKS).text


def test_a_digest_names_states_people_and_reasons():
    facts = DigestFacts(
        standing=[alarm(), alarm(state=State.ACKNOWLEDGED, acked=True, acked_by="operator")],
        ended=[alarm(state=State.NORMAL, active=False, cleared_ts=TS)],
        hidden=[
            alarm(
                state=State.SHELVED,
                shelved_until_ts=TS + 60,
                shelved_by="tech",
                shelve_reason="seals",
            ),
            alarm(state=State.SUPPRESSED),
            alarm(state=State.OUT_OF_SERVICE),
        ],
        not_delivered=["sms: not delivering"],
    )
    made = digest_message(SITE, facts, TS, Links())
    assert made.subject == "Harbour Wash: daily digest, 2 need someone"
    for part in (
        "acknowledged by operator", "returned to normal",
        "shelved until Fri 15 Jan 09:01 CET by tech (seals)",
        "suppressed by design", "out of service", "sms: not delivering",
    ):  # fmt: skip
        assert part in made.text
    quiet = digest_message(SITE, DigestFacts(ended=facts.ended), TS, Links())
    assert quiet.subject.endswith("nothing open")
    assert DigestFacts().empty


EVIL = '<script>alert("x")</script>'


def test_text_from_elsewhere_is_escaped_and_nothing_is_fetched():
    made = write(alarm(sentence=EVIL))
    assert EVIL not in made.html
    assert "&lt;script&gt;" in made.html
    assert EVIL in made.text
    assert re.findall(r'(?:src|href)="([^"]*)"', made.html) == [
        "cid:trace.png", LINKS.ack, LINKS.board,
    ]  # fmt: skip
    assert "url(" not in made.html


def test_a_merged_message_leaves_nothing_out_and_needs_no_picture():
    made = write(alarm())
    rows = [
        Message(
            f"k{n}", "harbour", "m", "operator", "raised", f"Subject {n}", made.text, made.html, "x"
        )
        for n in range(5)
    ]
    one = merged(rows)
    assert one.subject == "5 messages in one"
    assert one.picture_of is None
    assert 'src="cid:' not in one.html
    for row in rows:
        assert row.subject in one.text
        assert row.subject in one.html
    assert words.brief(one.text).count("Gas is trapped") == 5
    assert one.html.count("Gas is trapped") == 5
    assert one.text.count("Compressed air stores energy") <= 1
    assert one.html.count("<body") == one.html.count("</body>") == 1


def luminance(colour):
    """Relative luminance, WCAG 2.2."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def test_every_colour_of_text_is_legible_on_white():
    """WCAG 2.2, success criterion 1.4.3: 4.5 to 1."""
    html = "".join(write(alarm(priority=priority)).html for priority in Priority)
    colours = set(re.findall(r"[^-]color:(#[0-9A-F]{6})", html)) - {"#FFFFFF"}
    assert len(colours) >= 5
    for colour in colours:
        assert 1.05 / (luminance(colour) + 0.05) >= 4.5, colour
