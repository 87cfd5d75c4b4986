"""Languages of the pages: the English words are the messages; others come from catalogues.

A catalogue is a gettext text file (.po) in `locale/`, read at the start by babel.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from babel.core import Locale, negotiate_locale
from babel.messages.pofile import read_po
from fastapi import Request

FOLDER = Path(__file__).parent / "locale"
COOKIE = "language"


@dataclass(frozen=True, slots=True)
class Language:
    """A language's code, its locale for numbers and dates, and its translation."""

    code: str
    locale: str
    gettext: Callable[[str], str]


@cache
def languages() -> dict[str, Language]:
    """All there are, English first."""
    found = {"en": Language("en", "en_GB", str)}
    for path in sorted(FOLDER.glob("*.po")):
        with path.open("rb") as file:
            catalogue = read_po(file)
        messages = {str(m.id): str(m.string) for m in catalogue if m.id and m.string}
        found[path.stem] = Language(path.stem, path.stem, _lookup(messages))
    return found


@cache
def tongues() -> tuple[tuple[str, str], ...]:
    """(code, the language's own name) of all there are."""
    named = ((code, Locale.parse(code).get_display_name(code)) for code in languages())
    return tuple((code, str(name)[:1].upper() + str(name)[1:]) for code, name in named)


def _lookup(messages: dict[str, str]) -> Callable[[str], str]:
    def gettext(message: str) -> str:
        return messages.get(message, message)

    return gettext


def choose_language(request: Request) -> Language:
    """By the cookie, else by what the browser asks for, else English."""
    known = languages()
    chosen = request.cookies.get(COOKIE)
    if chosen in known:
        return known[chosen]
    header = request.headers.get("accept-language", "")
    wanted = [part.split(";")[0].strip() for part in header.split(",") if part.strip()]
    code = negotiate_locale(wanted, list(known), sep="-")
    return known[code or "en"]
