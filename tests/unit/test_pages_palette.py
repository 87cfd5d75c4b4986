"""The colours of the style sheet against the contrast rules of WCAG 2.2."""

import re
from itertools import product

import pytest

from monitor.charts.picture import PAPER
from monitor.pages.render import STATIC

CSS = (STATIC / "strokewise.css").read_text()


def palettes() -> list[dict[str, str]]:
    blocks = re.findall(r"\{([^{}]*--ground:[^{}]*)\}", CSS)
    return [dict(re.findall(r"--([a-z0-9-]+): (#[0-9a-f]{6})", b)) for b in blocks]


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.2 (sRGB, 0.04045 as corrected)."""
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(a: str, b: str) -> float:
    high, low = sorted((luminance(a), luminance(b)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_the_formula_gives_the_known_ratios():
    """Known values: black on white 21; #767676 is the lightest grey with 4.5 on white."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)
    assert contrast("#777777", "#ffffff") < 4.5


def test_light_and_dark_are_both_there_and_the_switch_gives_the_same_dark():
    whole = [p for p in palettes() if "ink" in p]
    assert len(whole) == 3
    assert whole[1] == whole[2]
    assert set(whole[0]) == set(whole[1])


@pytest.mark.parametrize("palette", [p for p in palettes() if "ink" in p][:2])
def test_words_have_four_and_a_half_and_signs_three(palette):
    grounds = [palette[g] for g in ("ground", "panel", "field")]
    for name, ground in product(("ink", "second", "act", "shift", "visit"), grounds):
        assert contrast(palette[name], ground) >= 4.5, name
    for name, ground in product(("edge", "trace", "trace2", "focus"), grounds):
        assert contrast(palette[name], ground) >= 3.0, name
    for name in ("act", "shift", "visit"):
        assert contrast(palette["on-fill"], palette[name]) >= 4.5


def test_paper_is_legible():
    for name in ("ink", "second", "act", "shift", "visit", "trace"):
        assert contrast(PAPER[name], PAPER["field"]) >= 4.5


def test_no_colour_stands_for_all_being_well():
    """Nothing but grey and ink outside the three priorities and the focus ring."""
    palette = palettes()[0]
    for name in ("ground", "panel", "field", "ink", "second", "edge", "grid", "trace2"):
        channels = [int(palette[name][i : i + 2], 16) for i in (1, 3, 5)]
        assert max(channels) - min(channels) <= 16, name
