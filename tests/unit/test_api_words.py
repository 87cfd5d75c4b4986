import pytest

from monitor.api.double import invented_site
from monitor.api.rows import pump_title
from monitor.api.window import BadWindow, WindowQuery, read_time
from monitor.api.words import Words
from monitor.detectors.finding import Evidence
from monitor.site import Pump

NOW = 1_793_795_200.0  # 2026-11-04 12:26:40 UTC


@pytest.fixture
def us():
    return Words(invented_site(), NOW)


@pytest.fixture
def metric():
    return Words(invented_site(units="metric"), NOW)


def test_pressures_are_exact_conversions(us, metric):
    """NIST SP 811, appendix B.8: 1 psi = 6.894757 kPa, 1 bar = 100 kPa."""
    assert us.pressure(42 * 6894.757) == "42 psi"
    assert metric.pressure(289_580) == "2.90 bar"
    assert us.pressure(None) == "–"
    assert us.pressure_range((392e3, 410e3)) == "57 to 59 psi"
    assert us.pressure_range((400e3, 401e3)) == "about 58 psi"


@pytest.mark.parametrize(
    ("pump", "label", "title"),
    [
        ("P2", "Foam soap", "P2 Foam soap"),
        ("wheel-acid", "Wheel acid", "Wheel acid"),
        ("foam", "Foaming soap", "Foaming soap"),
        ("north", "Wax", "north Wax"),
        ("P2", "", "P2"),
        ("wheel-acid", "", "Wheel acid"),
    ],
)
def test_a_pump_is_not_named_twice(pump, label, title):
    assert pump_title(Pump(id=pump, label=label)) == title


def test_times_are_the_sites_with_the_zones_letters(us, metric):
    assert us.clock(NOW) == "06:26 CST"
    assert metric.clock(NOW) == "13:26 CET"
    assert us.clock(NOW - 3 * 86_400, seconds=True) == "Sun 06:26:40 CST"
    assert us.clock(NOW - 40 * 86_400) == "25 Sept 07:26 CDT"
    assert us.clock(NOW - 400 * 86_400) == "30 Sept 2025 07:26 CDT"


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0, "0 s"), (89, "89 s"), (90, "2 min"), (720, "12 min"), (7200, "2.0 h"), (4e5, "5 days")],
)
def test_durations(us, seconds, words):
    assert us.duration(seconds) == words


def test_numbers_follow_the_language_and_units_do_not():
    german = Words(invented_site(units="metric"), NOW, "de")
    assert german.number(12345.7, 1) == "12.345,7"
    assert german.pressure(412_000) == "4,12 bar"


@pytest.mark.parametrize(
    ("value", "unit", "words"),
    [
        (1.23, "1/s", "74 strokes/min"),
        (143.0, "mL", "143 mL"),
        (3785.411784, "mL", "1.00 US gal"),
        (0.137, "", "0.14"),
        (31, "strokes", "31 strokes"),
        (None, "Pa", "–"),
    ],
)
def test_evidence_in_the_sites_units(us, value, unit, words):
    assert us.value(value, unit) == words


def test_the_usual_range_stands_beside_the_value(us):
    assert us.usual(Evidence("x", 1.0, "Pa", 392e3, 410e3)) == "57 to 59 psi"
    assert us.usual(Evidence("x", 1.0, "mL", None, 12.0)) == "up to 12 mL"
    assert us.usual(Evidence("x", 1.0, "mL")) == ""
    assert us.usual(Evidence("x", 1.0, "mL/min", 0.0, 0.0)) == "none"


def test_limits_stand_in_brackets_behind_the_value(us):
    leak = Evidence("leak", 60.0, "mL/min", low=48.0, high=75.0)
    assert us.told(leak) == "60 mL/min (95 %: 48 to 75)"
    assert us.told(Evidence("leak", 60.0, "mL/min", low=48.0)) == "60 mL/min"
    assert us.told(Evidence("loss", 0.13, "share", low=0.1, high=0.16)) == "13 % (95 %: 10 to 16)"


def test_windows_read_seconds_rfc3339_and_site_time(us):
    """RFC 3339 section 5.8: the example below is 482196050.52 s after 1970."""
    zone = us.site.zone
    assert read_time("1985-04-12T23:20:50.52Z", zone) == 482_196_050.52
    assert read_time("1996-12-19T16:39:57-08:00", zone) == 851_042_397
    assert read_time("2026-11-04T06:26:40", zone) == NOW
    assert read_time("1793795200", zone) == NOW


@pytest.mark.parametrize("text", ["yesterday", "-5", "1e300", "2026-13-01", "nan"])
def test_what_is_no_time_is_refused_with_the_remedy(us, text):
    with pytest.raises(BadWindow):
        read_time(text, us.site.zone)


def test_a_window_runs_forward_and_is_not_endless(us):
    zone = us.site.zone
    assert WindowQuery(last="7d").span(NOW, zone) == (NOW - 7 * 86_400, NOW)
    assert WindowQuery(from_="100", to="200").span(NOW, zone) == (100, 200)
    for bad in (WindowQuery(from_="200", to="100"), WindowQuery(from_="0", to="9e10")):
        with pytest.raises(BadWindow):
            bad.span(NOW, zone)
