"""Every page at both widths, light and dark: accessible, inside its width, from this host only."""

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Page, expect

pytestmark = pytest.mark.browser

PAGES = {
    "sites": "/",
    "board": "/site/north",
    "calm board": "/site/south",
    "pump": "/site/north/pump/P2",
    "pump year": "/site/north/pump/P1?last=1y",
    "alarms": "/site/north/alarms?state=all",
    "rules": "/site/north/alarms/rules",
    "figures": "/site/north/alarms/figures",
    "work": "/site/north/work?pump=P1",
    "visit": "/site/north/visit",
    "bays": "/site/north/bays?days=7",
    "compare": "/compare?days=7",
    "check": "/site/north/check",
    "priming": "/site/north/pump/P1/priming",
    "sign in": "/sign-in",
    "people": "/people",
    "not found": "/site/nowhere",
}
OVER = "document.documentElement.scrollWidth - document.documentElement.clientWidth"
COLOURS = {"runOnly": {"type": "rule", "values": ["color-contrast", "link-in-text-block"]}}
WCAG = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}


def alarm_address(served) -> str:
    return f"/site/north/alarm/{served.double.alarms('north')[0].id}"


@pytest.mark.parametrize("width", [1280, 390])
@pytest.mark.parametrize("name", [*PAGES, "alarm"])
def test_page_is_accessible_fits_and_asks_no_other_host(page: Page, looked_at, name, width):
    asked: list[str] = []
    problems: list[str] = []
    page.on("request", lambda r: asked.append(r.url))
    page.on("console", lambda m: problems.append(m.text) if m.type == "error" else None)
    page.on("pageerror", lambda e: problems.append(str(e)))
    page.set_viewport_size({"width": width, "height": 844})
    page.emulate_media(color_scheme="light")
    page.goto(looked_at.url + (PAGES.get(name) or alarm_address(looked_at)))
    page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    for scheme, rules in (("light", WCAG), ("dark", COLOURS)):
        page.emulate_media(color_scheme=scheme)
        found = Axe().run(page, options=rules)
        assert found.violations_count == 0, found.generate_report()
    over = page.evaluate(OVER)
    assert over <= 0, f"{over} px too wide"
    assert all(url.startswith(looked_at.url) for url in asked)
    if name != "not found":
        assert problems == []


@pytest.mark.parametrize("name", ["board", "pump", "alarms", "work", "priming", "bays"])
def test_a_longer_language_still_fits_a_phone(browser, looked_at, name):
    context = browser.new_context(locale="de-DE", viewport={"width": 390, "height": 844})
    page = context.new_page()
    page.goto(looked_at.url + PAGES[name])
    assert page.evaluate("document.documentElement.lang") == "de"
    assert page.evaluate(OVER) <= 0
    context.close()


def test_dark_devices_print_on_white(page: Page, looked_at):
    page.emulate_media(color_scheme="dark", media="print")
    page.goto(looked_at.url + "/site/north/visit")
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    assert page.evaluate("getComputedStyle(document.body).color") == "rgb(30, 36, 34)"
    expect(page.locator("header.top")).to_be_hidden()


def test_the_look_can_be_chosen_against_the_devices(page: Page, looked_at):
    page.emulate_media(color_scheme="light")
    page.goto(looked_at.url + "/site/north")
    page.get_by_role("button", name="dark").click()
    page.wait_for_url("**/site/north")
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(33, 39, 37)"


def test_controls_are_large_enough_for_a_thumb(page: Page, looked_at):
    """WCAG 2.2, 2.5.8: 24 CSS px at least; ours are 44 on a phone but for words in a line."""
    page.set_viewport_size({"width": 390, "height": 844})
    for path in ("/site/north", "/site/north/alarms", "/site/north/pump/P2/priming"):
        page.goto(looked_at.url + path)
        small = page.evaluate(
            """[...document.querySelectorAll('main button, main .button, main select')]
               .filter((e) => e.offsetParent && e.getBoundingClientRect().height < 43.5)
               .map((e) => e.outerHTML)"""
        )
        assert small == []
