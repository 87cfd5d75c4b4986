import itertools
import re
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from monitor.advice.kinds import Priority
from monitor.charts import picture, svg
from monitor.charts.card import card, small
from monitor.charts.trace import Mark, Note, Stretch, Trace, draw, grouped
from monitor.store.interface import Level, Series
from monitor.units import METRIC, US

SPAN = (1_000_000.0, 1_003_600.0)


def xml(text: str) -> ElementTree.Element:
    return ElementTree.fromstring(text)  # noqa: S314 - our own drawing


def series(level=Level.SECOND, n=3600, step=1.0, **changes) -> Series:
    ts = SPAN[0] + np.arange(n) * step
    mean = np.full(n, 400e3)
    columns = {
        "low_pa": mean - 2e3,
        "mean_pa": mean,
        "high_pa": mean + 2e3,
        "strokes": np.zeros(n),
        "demand_s": None,
        "air_pa": None,
        "gaps": (),
    } | changes
    return Series(pump="P1", level=level, ts=ts, **columns)


def trace(**changes) -> Trace:
    given = {"series": series(), "span": SPAN, "zone": ZoneInfo("UTC"), "display": US} | changes
    return Trace(**given)


def path_y(d: str) -> list[int]:
    """Absolute heights that a path of ours visits."""
    y, out = 0, []
    for letter, body in re.findall(r"([MlvhV])([^MlvhVz]*)", d):
        numbers = [int(x) for x in re.findall(r"-?\d+", body)]
        if letter == "M":
            y = numbers[1]
        elif letter == "l":
            y += numbers[1]
        elif letter == "v":
            y += numbers[0]
        out.append(y)
    return out


@pytest.mark.parametrize("level", [Level.SECOND, Level.MINUTE])
def test_a_single_spike_is_on_the_drawing(level):
    high = np.full(3600, 402e3)
    high[1234] = 700e3
    drawn = draw(trace(series=series(level, high_pa=high)))
    root = xml(drawn)
    kind = "line" if level is Level.SECOND else "spread"
    d = next(e.get("d") for e in root.iter() if e.get("class") == kind)
    top_pa = 150 * 6894.757  # 101.5 psi in at most four round steps: 50 each
    want = round(svg.UNITS_Y * (1 - 700e3 / top_pa))
    assert min(path_y(d)) == want


def test_a_gap_breaks_the_line():
    mean = np.full(3600, 400e3)
    mean[1000:2000] = np.nan
    drawn = draw(trace(series=series(low_pa=mean, mean_pa=mean, high_pa=mean)))
    d = re.search(r'class="line" d="([^"]*)"', drawn).group(1)
    assert d.count("M") == 2


def test_what_people_wrote_cannot_leave_its_place():
    evil = '"><script>alert(1)</script>'
    drawn = draw(
        trace(
            title=evil,
            marks=(Mark(SPAN[0] + 60, Priority.ACT_NOW, evil, evil),),
            notes=(Note(SPAN[0] + 600, evil, evil),),
        )
    )
    root = xml(drawn)
    assert not [e for e in root.iter() if e.tag.endswith("script")]


def marks(*shares: float, priority=Priority.NEXT_VISIT) -> tuple[Mark, ...]:
    length = SPAN[1] - SPAN[0]
    return tuple(Mark(SPAN[0] + s * length, priority, f"m{s}", f"#m{s}") for s in shares)


def test_marks_are_a_target_apart_or_one_mark_with_a_count():
    """WCAG 2.2, 2.5.8: 24 CSS px a target."""
    frame = svg.Frame(SPAN)
    wide = 380
    lots = marks(*np.linspace(0, 0.99, 300).tolist())
    groups = grouped(lots, frame, wide)
    starts = [frame.share(g[0].ts) * wide for g in groups]
    assert all(b - a >= 24 for a, b in itertools.pairwise(starts))
    assert sum(len(g) for g in groups) == 300


def test_a_group_shows_its_worst_and_its_number():
    two = (*marks(0.5), *marks(0.501, priority=Priority.ACT_NOW))
    drawn = draw(trace(marks=two))
    assert drawn.count('class="mark act"') == 1
    assert 'class="mark visit"' not in drawn
    assert ">2</text>" in drawn
    assert drawn.count('class="hair act"') == 1


def test_marks_outside_the_window_are_not_drawn():
    assert "<a " not in draw(trace(marks=marks(-0.1, 1.0)))


def test_strips_and_air_appear_only_where_there_is_something():
    bare = draw(trace())
    assert "demand" not in bare
    assert 'class="air"' not in bare
    full = draw(
        trace(
            series=series(demand_s=np.ones(3600), air_pa=np.full(3600, 410e3)),
            stretches=(
                Stretch(SPAN[0] + 5, SPAN[0] + 9, "draw"),
                Stretch(SPAN[0] + 500, SPAN[0] + 501, "idle strokes"),
            ),
        )
    )
    for words in ("demand", "draws", "strokes at rest", 'class="air"'):
        assert words in full


def test_labels_are_in_the_sites_unit():
    assert ">psi<" in draw(trace())
    assert ">bar<" in draw(trace(display=METRIC))


def test_the_fluid_drawing_needs_no_script_and_no_style_attribute():
    drawn = draw(trace(usual_pa=(390e3, 410e3), marks=marks(0.2)))
    assert "style" not in drawn
    assert 'width="100%"' in drawn


def test_an_empty_series_still_gives_a_drawing():
    empty = series(n=0)
    assert xml(draw(trace(series=empty))).tag.endswith("svg")
    assert xml(card(empty, SPAN, None, words="x")).tag.endswith("svg")


def test_the_picture_for_mail_is_a_png_of_the_size_asked():
    """PNG signature and IHDR: W3C PNG specification, sections 5.2 and 11.2.1."""
    made = picture.png(draw(trace(), width_px=600), width_px=600, height_px=380, scale=1.0)
    assert made[:8] == bytes([137, 80, 78, 71, 13, 10, 26, 10])
    assert int.from_bytes(made[16:20], "big") == 600


def test_plots_to_compare_share_their_scale():
    half = small([5.0], 10.0, words="a")
    whole = small([10.0], 10.0, words="b")
    assert "v-500" in half
    assert "v-1000" in whole
    assert "v-" not in small([None], 10.0, words="c")
