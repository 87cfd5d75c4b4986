"""A new node's files: private, consistent, never overwritten."""

import stat
from pathlib import Path

import pytest

from edge.errors import SecretError
from edge.provision import Order, password_hash, provision
from edge.secret import read_password
from edge.settings import load_node
from monitor.errors import BadMessage

ORDER = Order(
    "pine-hollow",
    "wall-1",
    tuple(f"pump-{i}" for i in range(6)),
    "mqtts://broker.example:8883",
    "ca.pem",
)


def test_settings_can_be_loaded_and_the_password_read(tmp_path: Path) -> None:
    settings, password, acl, passwd = provision(ORDER, tmp_path)
    node = load_node(settings)
    assert [pump.id for pump in node.pumps] == list(ORDER.pumps)
    assert {channel.settings.device for _, channel in node.channels()} == {
        ("ads1115", 1, 0x48),
        ("ads1115", 1, 0x49),
    }
    word = read_password(node.broker.password_file, None)
    assert word is not None
    assert len(word) >= 32
    assert stat.S_IMODE(password.stat().st_mode) == 0o600
    assert stat.S_IMODE(passwd.stat().st_mode) == 0o600
    assert word not in passwd.read_text() + settings.read_text() + acl.read_text()


def test_access_is_to_its_own_topics_only(tmp_path: Path) -> None:
    lines = provision(ORDER, tmp_path)[2].read_text().splitlines()
    assert lines[0] == "user pine-hollow.wall-1"
    assert lines[1] == "topic write strokewise/1/pine-hollow/pump-0/data"
    assert lines[-3:] == [
        "topic write strokewise/1/pine-hollow/wall-1/status",
        "topic read strokewise/1/pine-hollow/wall-1/wanted",
        "",
    ]
    assert not any("#" in line or "+" in line for line in lines)


def test_nothing_is_overwritten(tmp_path: Path) -> None:
    first = provision(ORDER, tmp_path)[1].read_text()
    with pytest.raises(SecretError, match="there already"):
        provision(ORDER, tmp_path)
    assert (tmp_path / "pine-hollow.wall-1.password").read_text() == first


def test_ids_that_cannot_stand_in_a_topic(tmp_path: Path) -> None:
    with pytest.raises(BadMessage, match="bad topic"):
        provision(Order("pine-hollow", "wall-1", ("a/b",), "mqtt://127.0.0.1"), tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_the_hash_depends_on_word_and_salt() -> None:
    one = password_hash("a", b"x" * 12)
    assert one.startswith("$7$101$")
    assert one == password_hash("a", b"x" * 12)
    assert len({one, password_hash("b", b"x" * 12), password_hash("a", b"y" * 12)}) == 3
