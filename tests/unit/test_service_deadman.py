"""Who is silent is told from who has ended, and a word starts the count anew."""

import pytest

from monitor.service.deadman import watch


@pytest.mark.parametrize(
    ("words", "frozen"),
    [
        ([None, None, None], True),
        ([b".", None, None, b"..", None, None, b"."], False),
        ([None, None, b".", None, None, None], True),
        ([None, b""], False),
        ([b""], False),
    ],
)
def test_only_silence_in_a_row_counts(words: list[bytes | None], frozen: bool) -> None:  # noqa: FBT001 - a table
    said = iter([*words, b""])
    assert watch(lambda: next(said), 3) is frozen
