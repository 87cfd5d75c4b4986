import numpy as np
import pytest

from monitor.api.priming import Expected, expected, judge
from monitor.site import Line, Pump, Site

WANT = Expected(3.0, 11.0, 390e3, 397e3, 2.2)
NOW = 1000.0


def seconds(*parts: tuple[int, float, float]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Parts of (seconds, pressure, strokes a second), ending now."""
    pressure = np.concatenate([np.full(n, p) for n, p, _ in parts])
    strokes = np.concatenate([np.full(n, float(s)) for n, _, s in parts])
    return NOW - len(pressure) + np.arange(len(pressure)), pressure, strokes


@pytest.mark.parametrize(
    ("parts", "word", "strokes"),
    [
        ([(60, 0.0, 0)], "not primed", 0),
        ([(60, 395e3, 0)], "holds", 0),
        ([(60, 0.0, 0), (4, 10e3, 2)], "priming", 8),
        ([(60, 0.0, 0), (10, 10e3, 2)], "late", 20),
        ([(60, 0.0, 0), (20, 10e3, 2)], "missed", 40),
        ([(60, 0.0, 0), (4, 10e3, 2), (20, 395e3, 0)], "primed", 8),
        ([(60, 0.0, 0), (4, 10e3, 2), (10, 250e3, 1)], "primed", 9),
        ([(60, 0.0, 0), (4, 10e3, 2), (20, 50e3, 0)], "not primed", 8),
        ([(20, 10e3, 2), (30, 0.0, 0), (3, 10e3, 2)], "priming", 6),
    ],
)
def test_the_word_follows_the_last_run(parts, word, strokes):
    found = judge(*seconds(*parts), WANT, NOW)
    assert (found.word, found.strokes) == (word, strokes)


def test_old_data_say_nothing():
    ts, pressure, strokes = seconds((60, 395e3, 0))
    assert judge(ts, pressure, strokes, WANT, NOW + 30).word == "no data"
    empty = np.empty(0)
    assert judge(empty, empty, empty, WANT, NOW).word == "no data"


def test_failed_reads_do_not_prime_a_pump():
    ts, pressure, strokes = seconds((60, 0.0, 0), (4, 10e3, 2), (20, 395e3, 0))
    pressure[-20:] = np.nan
    assert judge(ts, pressure, strokes, WANT, NOW).word == "not primed"


def test_a_longer_suction_line_takes_more_strokes():
    near, far = (Pump(id="P", suction=Line(length_m=x, bore_m=0.0095)) for x in (1.0, 4.5))
    site = Site(id="s", pumps=(near,))
    assert expected(site, near).high_strokes < expected(site, far).high_strokes


def test_a_pump_that_races_is_not_primed_whatever_the_pressure():
    n = 60
    ts = 1000.0 + np.arange(n)
    want = Expected(3, 11, 360_000.0, 370_000.0, 3.0)
    found = judge(ts, np.full(n, 140_000.0), np.full(n, 5.0), want, ts[-1] + 1)
    assert found.word == "missed"
    slow = judge(ts, np.full(n, 340_000.0), (np.arange(n) % 2).astype(float), want, ts[-1] + 1)
    assert slow.word == "primed"
