import pytest

from monitor.api.accounts import (
    ABSOLUTE_S,
    IDLE_S,
    SCHEMA,
    Accounts,
    BadAccount,
    May,
    Role,
    Throttled,
)
from monitor.store.core import Core

T0 = 1_800_000_000.0


@pytest.fixture
def accounts(tmp_path):
    core = Core(tmp_path, (SCHEMA,))
    made = Accounts(core, memory_kib=8, passes=1)
    made.add("ann", Role.OPERATOR, "correct horse", T0)
    yield made
    core.close()


def test_the_first_start_makes_one_administrator_with_a_one_time_password(tmp_path):
    core = Core(tmp_path, (SCHEMA,))
    fresh = Accounts(core, memory_kib=8, passes=1)
    name, password = fresh.first_administrator(T0)
    assert fresh.first_administrator(T0) is None
    caller = fresh.caller(fresh.sign_in(name, password, "here", T0), T0)
    assert caller.must_change
    assert caller.may(May.ADMINISTER)
    core.close()


def test_passwords_are_argon2id_with_the_published_minimum(tmp_path):
    """PHC string of RFC 9106 section 3.1; 19 MiB, 2 passes, 1 lane as OWASP's minimum."""
    core = Core(tmp_path, (SCHEMA,))
    Accounts(core).add("bo", Role.VIEWER, "battery staple", T0)
    kept = core.rows("SELECT hash FROM account")[0][0]
    assert kept.startswith("$argon2id$v=19$m=19456,t=2,p=1$")
    core.close()


def test_the_file_holds_neither_password_nor_token(accounts, tmp_path):
    token = accounts.sign_in("ann", "correct horse", "here", T0)
    raw = b"".join(p.read_bytes() for p in tmp_path.iterdir())
    assert token.encode() not in raw
    assert b"correct horse" not in raw


def test_a_wrong_password_or_name_opens_nothing(accounts):
    assert accounts.sign_in("ann", "wrong horse!", "here", T0) is None
    assert accounts.sign_in("nobody", "correct horse", "here", T0) is None
    assert accounts.caller("made up", T0) is None
    assert [d.what for d in accounts.audit()] == ["sign-in refused"] * 2


def test_after_five_failures_each_one_waits_twice_as_long(accounts):
    waits = []
    now = T0
    for _ in range(5):
        accounts.sign_in("ann", "wrong horse!", "here", now)
    for _ in range(12):
        with pytest.raises(Throttled) as refused:
            accounts.sign_in("ann", "correct horse", "here", now)
        waits.append(refused.value.wait_s)
        now += refused.value.wait_s
        accounts.sign_in("ann", "wrong horse!", "here", now)
    assert waits[:4] == [2, 4, 8, 16]
    assert max(waits) == 300
    assert accounts.sign_in("ann", "correct horse", "elsewhere", now) is not None


def test_a_session_ends_when_idle_and_in_any_case(accounts):
    token = accounts.sign_in("ann", "correct horse", "here", T0)
    assert accounts.caller(token, T0 + IDLE_S - 1) is not None
    assert accounts.caller(token, T0 + 2 * IDLE_S - 2) is not None  # seen in between
    assert accounts.caller(token, T0 + 4 * IDLE_S) is None
    token = accounts.sign_in("ann", "correct horse", "here", T0)
    now = T0
    while now < T0 + ABSOLUTE_S - 86_400:
        now += 86_400
        assert accounts.caller(token, now) is not None
    assert accounts.caller(token, T0 + ABSOLUTE_S) is None


def test_taking_back_is_at_once(accounts):
    token = accounts.sign_in("ann", "correct horse", "here", T0)
    assert not accounts.revoke(accounts.sessions("ann")[0].id, account="bo")
    assert accounts.revoke(accounts.sessions("ann")[0].id, account="ann")
    assert accounts.caller(token, T0) is None


def test_a_new_password_ends_the_sessions_and_a_closed_account_cannot_come_in(accounts):
    token = accounts.sign_in("ann", "correct horse", "here", T0)
    accounts.set_password("ann", "battery staple")
    assert accounts.caller(token, T0) is None
    token = accounts.sign_in("ann", "battery staple", "here", T0)
    accounts.add("root", Role.ADMINISTRATOR, "another horse", T0)
    accounts.set_disabled("ann", disabled=True)
    assert accounts.caller(token, T0) is None
    assert accounts.sign_in("ann", "battery staple", "here", T0) is None


def test_a_changed_role_holds_at_once_and_one_administrator_stays(accounts):
    token = accounts.sign_in("ann", "correct horse", "here", T0)
    accounts.set_role("ann", Role.ADMINISTRATOR)
    assert accounts.caller(token, T0).may(May.ADMINISTER)
    with pytest.raises(BadAccount, match="last administrator"):
        accounts.set_role("ann", Role.VIEWER)
    with pytest.raises(BadAccount, match="last administrator"):
        accounts.set_disabled("ann", disabled=True)


def test_a_token_may_what_its_scopes_say(accounts):
    token = accounts.issue("api", "edge script", T0, by="ann", scopes=(May.SEE, May.WORK))
    caller = accounts.caller(token, T0 + 10 * ABSOLUTE_S)
    assert caller.may(May.WORK)
    assert not caller.may(May.ALARMS)
    wall = accounts.caller(accounts.issue("wall", "hall", T0, by="ann"), T0)
    assert wall.wall
    assert wall.allowed == {May.SEE}


@pytest.mark.parametrize("scopes", [(May.ADMINISTER,), (May.TAKE_OUT,)])
def test_no_token_administers(accounts, scopes):
    with pytest.raises(BadAccount):
        accounts.issue("api", "x", T0, by="ann", scopes=scopes)


@pytest.mark.parametrize(
    ("name", "password"),
    [
        ("", "long enough it is"),
        ("a\nb", "long enough it is"),
        ("a/b", "long enough it is"),
        ("bo", "short"),
    ],
)
def test_bad_accounts_are_refused(accounts, name, password):
    with pytest.raises(BadAccount):
        accounts.add(name, Role.VIEWER, password, T0)


def test_a_name_cannot_be_taken_twice(accounts):
    with pytest.raises(BadAccount, match="already"):
        accounts.add("ann", Role.VIEWER, "correct horse", T0)


def test_deeds_on_an_account_that_is_not_there_say_who_is(accounts):
    deeds = (
        lambda: accounts.set_password("bob", "correct horse"),
        lambda: accounts.set_role("bob", Role.TECH),
        lambda: accounts.set_disabled("bob", disabled=True),
    )
    for deed in deeds:
        with pytest.raises(BadAccount, match="no account named bob; there are: ann"):
            deed()


def test_an_operator_may_be_closed_though_there_is_no_administrator(accounts):
    accounts.set_disabled("ann", disabled=True)
    assert accounts.accounts()[0].disabled
