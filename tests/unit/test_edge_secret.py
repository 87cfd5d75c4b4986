"""Passwords: who may read the file is checked, and no message holds one."""

from pathlib import Path

import pytest

from edge.errors import SecretError
from edge.secret import read_password

WORD = "correct-horse"


def secret(folder: Path, mode: int, text: str = WORD + "\n") -> Path:
    path = folder / "secret"
    path.write_text(text)
    path.chmod(mode)
    return path


def test_a_private_file(tmp_path: Path) -> None:
    assert read_password(secret(tmp_path, 0o600), None) == WORD
    assert read_password(secret(tmp_path, 0o400), None) == WORD


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o666, 0o660])
def test_a_file_that_others_can_read(tmp_path: Path, mode: int) -> None:
    with pytest.raises(SecretError, match="chmod 600") as caught:
        read_password(secret(tmp_path, mode), None)
    assert WORD not in str(caught.value)


def test_absent_and_empty_files(tmp_path: Path) -> None:
    with pytest.raises(SecretError, match="cannot be read"):
        read_password(tmp_path / "none", None)
    with pytest.raises(SecretError, match="empty"):
        read_password(secret(tmp_path, 0o600, "\n"), None)


def test_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NODE_WORD", WORD)
    assert read_password(None, "NODE_WORD") == WORD
    monkeypatch.delenv("NODE_WORD")
    with pytest.raises(SecretError, match="NODE_WORD"):
        read_password(None, "NODE_WORD")


def test_neither() -> None:
    assert read_password(None, None) is None
