from types import SimpleNamespace

import pytest

from monitor.pages.pump import _is_fresh

NOW = 1_000_000.0


@pytest.mark.parametrize(
    ("subject", "active", "raised_ts", "fresh"),
    [
        ("p1", True, NOW - 60.0, True),
        ("p1", True, NOW - 3601.0, False),
        ("p1", False, NOW - 60.0, False),
        ("p2", True, NOW - 60.0, False),
        ("p1", True, None, False),
    ],
)
def test_an_alarm_of_the_last_hour_narrows_the_first_view(subject, active, raised_ts, fresh):
    alarm = SimpleNamespace(subject=subject, active=active, raised_ts=raised_ts)
    live = SimpleNamespace(alarms=lambda _site: [alarm])
    look = SimpleNamespace(live=live, words=SimpleNamespace(now_ts=NOW))
    assert _is_fresh(look, "fern", "p1") is fresh
