"""The trace: keys, links without scripts, marks and rows, windows in the address."""

import re

import pytest
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser


def window(page: Page) -> tuple[float, float]:
    svg = page.locator("#figure svg.trace")
    return float(svg.get_attribute("data-from")), float(svg.get_attribute("data-to"))


def settled(page: Page, act) -> tuple[float, float]:
    with page.expect_response(re.compile("trace.svg")):
        act()
    expect(page.locator("#figure svg.trace:not(.moving)")).to_have_count(1)
    return window(page)


@pytest.fixture
def pump(page: Page, looked_at):
    with page.expect_response(re.compile("trace.svg")):
        page.goto(looked_at.url + "/site/north/pump/P2?last=1d")
    page.locator("#figure").focus()
    return page


def test_keys_zoom_and_move(pump: Page):
    before = window(pump)
    close = settled(pump, lambda: pump.keyboard.press("+"))
    assert close[1] - close[0] == pytest.approx((before[1] - before[0]) / 2, rel=0.01)
    earlier = settled(pump, lambda: pump.keyboard.press("ArrowLeft"))
    assert earlier[0] < close[0]
    wide = settled(pump, lambda: pump.keyboard.press("-"))
    assert wide[1] - wide[0] == pytest.approx(before[1] - before[0], rel=0.01)
    home = settled(pump, lambda: pump.keyboard.press("Home"))
    assert home[1] - home[0] == pytest.approx(86_400, abs=1)


def test_the_address_holds_the_window(pump: Page):
    shown = settled(pump, lambda: pump.keyboard.press("+"))
    pump.goto(pump.url)
    assert window(pump) == pytest.approx(shown, abs=0.1)


def test_the_wheel_belongs_to_the_page_unless_the_plot_has_the_focus(pump: Page):
    pump.locator("#figure").evaluate("(e) => e.blur()")
    before = window(pump)
    pump.locator("#figure").hover()
    pump.mouse.wheel(0, 300)
    scrolled = pump.locator("html").evaluate_handle
    while not scrolled("() => window.scrollY > 0").json_value():
        pump.wait_for_timeout(10)
    assert window(pump) == before
    pump.locator("#figure").focus()
    pump.locator("#figure").hover()
    closer = settled(pump, lambda: pump.mouse.wheel(0, -300))
    assert closer[1] - closer[0] < before[1] - before[0]


def test_dragging_moves_and_shift_dragging_marks_a_stretch(pump: Page):
    box = pump.locator("#figure svg.trace").bounding_box()
    middle = box["y"] + 150

    def drag(start: float, end: float) -> None:
        pump.mouse.move(box["x"] + start * box["width"], middle)
        pump.mouse.down()
        pump.mouse.move(box["x"] + end * box["width"], middle, steps=5)
        pump.mouse.up()

    before = window(pump)
    moved = settled(pump, lambda: drag(0.3, 0.6))
    assert before[0] - moved[0] == pytest.approx(0.3 * 86_400, rel=0.05)
    pump.keyboard.down("Shift")
    marked = settled(pump, lambda: drag(0.25, 0.5))
    pump.keyboard.up("Shift")
    assert marked[1] - marked[0] == pytest.approx(0.25 * 86_400, rel=0.05)


def test_every_mark_has_its_row_and_leads_there(pump: Page):
    marks = pump.locator("#figure svg.trace a[data-refs]")
    assert marks.count() >= 1
    for mark in marks.all():
        for ref in mark.get_attribute("data-refs").split():
            expect(pump.locator(f'[id="{ref[1:]}"]')).to_have_count(1)


def test_words_and_rows_follow_the_window(pump: Page):
    before = pump.locator("#window").inner_text()
    pump.locator("#fitted summary").click()
    pump.locator("#figure").focus()
    settled(pump, lambda: pump.keyboard.press("-"))
    settled(pump, lambda: pump.keyboard.press("-"))
    expect(pump.locator("#window")).to_contain_text("(4 days)")
    assert pump.locator("#window").inner_text() != before
    assert pump.locator("#fitted").evaluate("(d) => d.open")
    for mark in pump.locator("#figure svg.trace a[data-refs]").all():
        for ref in mark.get_attribute("data-refs").split():
            expect(pump.locator(f'[id="{ref[1:]}"]')).to_have_count(1)


def test_a_failed_fetch_keeps_the_drawing_and_says_so(pump: Page):
    pump.route("**/trace.svg*", lambda route: route.abort())
    pump.keyboard.press("+")
    expect(pump.locator("#caption")).to_contain_text("could not be fetched")
    expect(pump.locator("#figure svg.trace")).to_have_count(1)


def test_everything_works_without_scripts(browser, looked_at):
    context = browser.new_context(java_script_enabled=False, viewport={"width": 390, "height": 844})
    page = context.new_page()
    page.goto(looked_at.url + "/site/north")
    expect(page.locator("#needs")).to_contain_text("Airlock")
    page.goto(looked_at.url + "/site/north/pump/P2?last=1d")
    before = window(page)
    page.get_by_role("link", name="Closer").click()
    after = window(page)
    assert after[1] - after[0] == pytest.approx((before[1] - before[0]) / 2, rel=0.01)
    page.get_by_role("link", name="7 d").click()
    after = window(page)
    assert after[1] - after[0] == pytest.approx(7 * 86_400, rel=0.01)
    for path in ("/site/north/alarms", "/site/north/visit", "/site/north/work"):
        page.goto(looked_at.url + path)
        expect(page.locator("h1")).to_be_visible()
    context.close()


def test_skipping_to_the_content_and_the_focus_ring(pump: Page, looked_at):
    pump.goto(looked_at.url + "/site/north")
    pump.keyboard.press("Tab")
    skip = pump.get_by_role("link", name="Skip to the content")
    expect(skip).to_be_focused()
    assert "3px" in skip.evaluate("(e) => getComputedStyle(e).outlineWidth")
