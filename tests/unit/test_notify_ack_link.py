"""The acknowledge link: one alarm, one use, until it expires, and nothing if it was touched."""

import stat

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.advice.kinds import Kind, Priority
from monitor.alarms.types import Alarm, State
from monitor.errors import StrokewiseError
from monitor.notify.ack_link import LIFE_S, SCHEMA, AckLinks, LinkRefused, load_key
from monitor.store.core import Core

ALARM = Alarm(
    "harbour.P1.airlock.1", "harbour", "P1", Kind.AIRLOCK, Priority.ACT_NOW,
    State.NOT_ACKNOWLEDGED, True, False, 0.0, 0.0, 0.0, None, None, None, 1, 0.9, 0.5, "Gas.",
)  # fmt: skip


@pytest.fixture(scope="module")
def links(tmp_path_factory):
    core = Core(tmp_path_factory.mktemp("links"), [SCHEMA])
    yield AckLinks(core, b"k" * 32)
    core.close()


def test_it_works_once(links):
    token = links.issue(ALARM, "operator", 100.0)
    assert links.look(token, 101.0).alarm_id == ALARM.id  # a mail scanner's look changes nothing
    link = links.redeem(token, 102.0)
    assert (link.site, link.alarm_id, link.person) == ("harbour", ALARM.id, "operator")
    for use in (links.redeem, links.look):
        with pytest.raises(LinkRefused, match="used already"):
            use(token, 103.0)


def test_it_expires(links):
    token = links.issue(ALARM, "operator", 100.0, life_s=60.0)
    links.look(token, 159.9)
    with pytest.raises(LinkRefused, match="expired"):
        links.redeem(token, 160.0)


def test_uses_are_forgotten_only_after_the_link_has_expired(links):
    token = links.issue(ALARM, "operator", 100.0)
    links.redeem(token, 101.0)
    links.tend(100.0 + LIFE_S)
    with pytest.raises(LinkRefused, match="used already"):
        links.look(token, 102.0)
    links.tend(102.0 + 2 * LIFE_S)
    with pytest.raises(LinkRefused, match="expired"):
        links.look(token, 103.0 + LIFE_S)


def test_two_links_for_one_alarm_are_two(links):
    first, second = (links.issue(ALARM, "operator", 100.0) for _ in range(2))
    links.redeem(first, 101.0)
    assert links.redeem(second, 101.0).alarm_id == ALARM.id


@given(st.integers(0, 10_000), st.sampled_from("ABCdef019-_."))
def test_no_altered_token_is_taken(links, place, letter):
    token = links.issue(ALARM, "operator", 100.0)
    at = place % len(token)
    other = letter if letter != token[at] else "~"
    altered = token[:at] + other + token[at + 1 :]
    try:
        link = links.look(altered, 101.0)
    except LinkRefused:
        return
    # The last letter of a base64 group carries spare bits: then the token is the same bytes.
    assert link == links.look(token, 101.0)


@pytest.mark.parametrize("junk", ["", ".", "a.b.c", "é.é", "AAAA.AAAA", "x" * 5000])
def test_junk_is_refused_in_words(links, junk):
    with pytest.raises(LinkRefused, match="damaged"):
        links.look(junk, 101.0)


def test_another_key_signs_nothing_here(links, tmp_path):
    core = Core(tmp_path, [SCHEMA])
    foreign = AckLinks(core, b"z" * 32).issue(ALARM, "operator", 100.0)
    core.close()
    with pytest.raises(LinkRefused):
        links.look(foreign, 101.0)


def test_the_key_is_made_once_for_its_owner_only(tmp_path):
    key = load_key(tmp_path)
    assert load_key(tmp_path) == key
    path = tmp_path / "ack.key"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600
    path.chmod(0o640)
    with pytest.raises(StrokewiseError, match="chmod 600"):
        load_key(tmp_path)
    path.chmod(0o600)
    path.write_bytes(b"short")
    with pytest.raises(StrokewiseError, match="damaged"):
        load_key(tmp_path)
