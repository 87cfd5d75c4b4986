"""What commands say to wrong use: what was wrong, what there is, exit code 2."""

import io
import sys

import pytest

from monitor.cli import main as program

SITE = """\
[site]
id = "pine"
time_zone = "UTC"
[[pumps]]
id = "presoak"
"""
SERVICE = 'data_dir = "data"\nsites = ["site.toml"]\n'


@pytest.fixture
def run(tmp_path, monkeypatch, capsys):
    (tmp_path / "site.toml").write_text(SITE)
    (tmp_path / "strokewise.toml").write_text(SERVICE)
    monkeypatch.chdir(tmp_path)

    def command(*words: str) -> tuple[int, str]:
        monkeypatch.setattr(sys, "argv", ["strokewise", *words])
        told = io.StringIO()
        monkeypatch.setattr(program.NOTES, "file", told)
        with pytest.raises(SystemExit) as end:
            program.main()
        said = capsys.readouterr()
        return int(end.value.code or 0), said.out + said.err + told.getvalue()

    return command


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("alarms", "nonsense"), "known: running with no demand"),
        (("export", "pine/foam", "x.csv"), "known: pine/presoak"),
        (("export", "pine/presoak", "x.xyz"), ".parquet"),
        (("export", "pine/presoak", "x.csv", "--from", "yesterday"), "RFC 3339"),
        (("report", "visit", "oak"), "known: pine"),
        (("user", "role", "bob", "--role", "king"), "viewer, operator"),
        (("check", "absent.toml"), "no such file"),
    ],
)
def test_wrong_use_ends_with_2_and_says_what_there_is(run, words, told):
    code, said = run(*words)
    assert code == 2, said
    assert told in said


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("restore", "absent.bak", "out"), "no such file"),
        (("restore", "site.toml", "out"), "no whole backup of ours"),
        (("user", "disable", "bob"), "no account named bob"),
    ],
)
def test_what_fails_ends_with_1(run, words, told):
    code, said = run(*words)
    assert code == 1, said
    assert told in said
