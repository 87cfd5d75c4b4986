"""The drawing of how figures grow: well-formed, every number told, nothing on top of another."""

import itertools
import re
import xml.etree.ElementTree as ET

import pytest

from monitor.charts.growth import CELL_H, LEAST_APART, Panel, draw, figure
from monitor.cli.bench import growth
from monitor.service.bench import Parts
from monitor.service.bench_serve import Live

SVG = "{http://www.w3.org/2000/svg}"
SIZES = (20, 200, 2000)


def parsed(drawing: str) -> ET.Element:
    return ET.fromstring(drawing)  # noqa: S314 - our own drawing


def texts(drawing: str) -> list[tuple[float, float, str]]:
    root = parsed(drawing)
    return [(float(t.get("x")), float(t.get("y")), t.text) for t in root.iter(f"{SVG}text")]


def test_every_number_is_told_in_words_and_words_are_escaped() -> None:
    drawing = draw("Growth <of> pumps", SIZES, [Panel("a & b", {"one": [1.0, None, 1234.0]})])
    root = parsed(drawing)
    assert root.find(f"{SVG}title").text == "Growth <of> pumps"
    told = root.find(f"{SVG}desc").text
    assert told == "At 20, 200, 2,000 pumps. a & b: one 1.00, not measured, 1,234."
    assert "nan" not in drawing.lower()


def test_stacked_parts_reach_their_sum_and_keep_their_shares() -> None:
    panel = Panel("parts", {"a": [10.0, 5.0], "b": [30.0, 15.0]}, stacked=True)
    root = parsed(draw("t", (20, 200), [panel]))
    heights = [float(r.get("height")) for r in root.iter(f"{SVG}rect") if r.get("class")]
    assert heights[1] == pytest.approx(3 * heights[0], abs=0.2)
    assert heights[0] == pytest.approx(2 * heights[2], abs=0.2)


def test_names_of_lines_that_end_together_stay_apart_and_a_goal_is_in_sight() -> None:
    lines = {f"line {k}": [1.0, 2.0, 3.0 + 0.01 * k] for k in range(4)}
    drawing = draw("t", SIZES, [Panel("p", lines, goal=("goal 9", 9.0))])
    names = sorted(y for _, y, words in texts(drawing) if words.startswith("line"))
    assert min(b - a for a, b in itertools.pairwise(names)) >= LEAST_APART - 1e-6
    goal = parsed(drawing).find(f".//{SVG}path[@class='goal']").get("d")
    y = float(re.match(r"M\d+ ([\d.]+)H", goal).group(1))
    assert 30 < y < CELL_H


def test_a_panel_without_any_value_is_an_empty_field() -> None:
    drawing = draw("t", SIZES, [Panel("none", {"x": [None] * 3})])
    assert parsed(drawing).find(f".//{SVG}circle") is None


@pytest.mark.parametrize(
    ("value", "said"), [(0.0123, "0.012"), (0.5, "0.50"), (12.34, "12.3"), (1500.0, "1,500")]
)
def test_figures_are_short(value: float, said: str) -> None:
    assert figure(value) == said


def test_what_the_benchmark_measured_is_all_in_its_drawing() -> None:
    grown = [Parts(n, 30.0, 8.0, 10.0, 25.0, 0.5, 0.5, 100.0 + n / 4, n / 10) for n in SIZES]
    live = [Live(n, 2.0, n / 5000, 120.0, 0.5, 1.0, 20, 20) for n in SIZES]
    told = parsed(growth(grown, live)).find(f"{SVG}desc").text
    for part in ("decode", "store", "blocks", "watch", "alarms", "whole service", "99 of 100"):
        assert part in told
    assert "600" in told  # memory at 2,000
