"""Every message of the pages is in every catalogue; German proves that others can follow."""

from pathlib import Path

import pytest
from babel.messages.extract import extract_from_dir
from babel.messages.pofile import read_po
from starlette.requests import Request

from monitor.advice.kinds import Kind, Priority, Side
from monitor.alarms.types import State, What
from monitor.api.accounts import Role
from monitor.api.work import REBASES
from monitor.pages import alarms, priming, pump
from monitor.pages.languages import FOLDER, choose_language, languages
from monitor.store.work_log import Work

ROOT = Path(alarms.__file__).parent.parent
METHODS = [("**/templates/**.html", "jinja2"), ("**.py", "python")]


def said() -> set[str]:
    found = set()
    for room in ("pages", "api"):
        for _, _, message, _, _ in extract_from_dir(
            ROOT / room, METHODS, keywords={"_": None, "t": None}
        ):
            found.add(message)
    found |= {
        str(x.value) for many in (Kind, Priority, Side, State, What, Role, Work) for x in many
    }
    found |= {*priming.WORDS.values(), *alarms.FIGURE_WORDS.values(), *REBASES.values()}
    found |= {words for _, words, _ in pump.MEASURED}
    return found | {f"{side} side" for side in ("air", "suction", "discharge")}


@pytest.mark.parametrize("path", sorted(FOLDER.glob("*.po")), ids=lambda p: p.stem)
def test_a_catalogue_holds_every_message(path):
    with path.open("rb") as file:
        catalogue = {m.id for m in read_po(file) if m.id and m.string}
    assert said() - catalogue == set()


def asks(**headers: str) -> Request:
    raw = [(k.replace("_", "-").encode(), v.encode()) for k, v in headers.items()]
    return Request({"type": "http", "headers": raw})


@pytest.mark.parametrize(
    ("headers", "code"),
    [
        ({}, "en"),
        ({"accept_language": "de-AT,de;q=0.9,en;q=0.8"}, "de"),
        ({"accept_language": "fr-CA, fr;q=0.9"}, "en"),
        ({"accept_language": "en-US,en;q=0.9,de;q=0.8"}, "en"),
        ({"accept_language": "en-US", "cookie": "language=de"}, "de"),
        ({"accept_language": "*;q=, ;;,"}, "en"),
        ({"cookie": "language=../../etc"}, "en"),
    ],
)
def test_the_reader_gets_the_language_asked_for(headers, code):
    assert choose_language(asks(**headers)).code == code


def test_english_is_what_stands_in_the_code():
    assert languages()["en"].gettext("Needs someone") == "Needs someone"
    assert languages()["de"].gettext("Needs someone") == "Braucht jemanden"
