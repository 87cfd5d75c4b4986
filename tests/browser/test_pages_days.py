"""A day of the operator, of the tech and of the owner, each walked through once."""

import re

import pytest
from playwright.sync_api import Page, expect

from monitor.advice.kinds import Kind
from monitor.api.accounts import Role
from monitor.api.double import EVERY_S, Double, fill, finding, invented_site

pytestmark = pytest.mark.browser
NOW = 1_793_795_200.0
PHONE = {"width": 390, "height": 844}


def test_the_operators_day(page: Page, lived_in):
    page.set_viewport_size(PHONE)
    page.goto(lived_in.url)
    expect(page).to_have_title(re.compile("1 act now"))
    needs = page.locator("#needs")
    expect(needs).to_contain_text("look at the discharge side")
    needs.get_by_role("button", name=re.compile("Acknowledge: P2")).click()
    expect(needs.get_by_role("button", name=re.compile("Acknowledge: P2"))).to_have_count(0)
    expect(needs).to_contain_text("Acknowledged, local")

    # A new matter comes in by itself, without a reload.
    page.evaluate("window.sameDocument = true")
    now = lived_in.double.time_ts
    found = finding("P1", Kind.LOW_AIR, now - 120, "Stalls at 31 psi, set 60 psi.")
    lived_in.double.find("north", found)
    expect(needs).to_contain_text("Stalls at 31 psi")
    assert page.evaluate("window.sameDocument") is True
    expect(page).to_have_title(re.compile("2 this shift"))

    needs.get_by_role("link", name="Running with no demand").click()
    page.get_by_label("Reason").fill("valve on order")
    page.get_by_role("button", name="Shelve").click()
    expect(page.locator("#list")).to_contain_text("valve on order")
    page.goto(lived_in.url + "/site/north")
    expect(page.locator("#needs")).not_to_contain_text("Running with no demand")
    expect(page.locator("#needs")).to_contain_text("1 shelved")


def test_the_techs_day(page: Page, lived_in):
    page.goto(lived_in.url + "/site/north/visit")
    expect(page.locator("article").first).to_contain_text("Why you are here")
    with page.expect_download() as paper:
        page.get_by_role("link", name="PDF").click()
    assert paper.value.suggested_filename == "north-visit.pdf"

    page.goto(lived_in.url + "/site/north/pump/P2")
    expect(page.locator("#caption")).to_contain_text("CST")
    page.get_by_role("link", name="Priming watch").click()
    expect(page.locator("#word")).to_contain_text("Primed")
    page.get_by_role("button", name="Primed: stop watching").click()
    page.wait_for_url("**/pump/P2")
    lived_in.double.time_ts += 1
    page.get_by_role("link", name="Write down work").click()
    expect(page.locator("main")).to_contain_text("Priming watch: Primed after")
    page.get_by_role("radio", name=re.compile("^Seals")).check()
    page.get_by_label("Parts used").fill("TPV seal kit")
    page.get_by_role("button", name="Write it down").click()
    row = page.locator("tr", has_text="TPV seal kit")
    expect(row).to_be_visible()
    row.get_by_role("button", name=re.compile("Take back")).click()
    expect(page.locator("tr", has_text="TPV seal kit")).to_contain_text("taken back")


def test_the_owners_day(page: Page, looked_at):
    page.goto(looked_at.url)
    page.get_by_role("link", name="Compare sites").click()
    expect(page.get_by_role("rowheader", name="North yard")).to_be_visible()
    page.goto(looked_at.url + "/site/north/bays?days=7")
    expect(page.get_by_role("rowheader", name=re.compile("Bay 1"))).to_be_visible()
    with page.expect_download() as table:
        page.get_by_role("link", name="CSV").click()
    lines = table.value.path().read_bytes().split(b"\r\n")
    assert lines[0].startswith(b"Bay,")
    with page.expect_download() as paper:
        page.get_by_role("link", name="PDF").click()
    assert paper.value.path().read_bytes().startswith(b"%PDF-")


def test_the_priming_watch_follows_by_itself_and_tells_when_data_stop(page: Page, lived_in):
    page.set_viewport_size(PHONE)
    double = lived_in.double
    page.goto(lived_in.url + "/site/north/pump/P1/priming")
    expect(page.locator("#sentence")).to_contain_text(re.compile(r"holds 5\d psi"))
    page.evaluate("window.sameDocument = true")
    drawing = (NOW // EVERY_S + 1) * EVERY_S + 20
    double.time_ts = drawing
    double.store.newest["north", "P1"] = drawing
    expect(page.locator("#sentence")).to_contain_text("delivers at")
    double.time_ts = drawing + 60
    expect(page.locator("#word")).to_contain_text("No data")
    lived_in.stop()
    expect(page.locator("#age")).to_contain_text("Nothing heard from the monitor", timeout=15_000)
    assert page.evaluate("window.sameDocument") is True


def test_signing_in_and_acknowledging_with_keys_only(page: Page, tmp_path, serve):
    double = Double(tmp_path, NOW, (invented_site(),))
    fill(double)
    served = serve(double, None)
    served.app.state.web.accounts.add("ann", Role.OPERATOR, "correct horse", NOW)
    page.goto(served.url + "/site/north")
    expect(page).to_have_url(re.compile("/sign-in"))
    page.get_by_label("Name").focus()
    page.keyboard.type("ann")
    page.keyboard.press("Tab")
    page.keyboard.type("correct horse")
    page.keyboard.press("Enter")
    expect(page).to_have_url(re.compile("/site/north$"))
    wanted = page.get_by_role("button", name="Acknowledge: P2 Foam soap, airlock")
    for _ in range(40):
        page.keyboard.press("Tab")
        if wanted.evaluate("(e) => e === document.activeElement"):
            break
    page.keyboard.press("Enter")
    expect(page.locator("#needs")).to_contain_text("Acknowledged, ann")
    page.get_by_role("button", name="Sign out").press("Enter")
    page.goto(served.url + "/site/north")
    expect(page).to_have_url(re.compile("/sign-in"))
    served.stop()
    double.core.close()


def test_a_lost_link_never_looks_healthy(page: Page, lived_in):
    page.clock.install()
    page.goto(lived_in.url + "/site/north")
    expect(page.locator("#fresh")).to_contain_text("Data received")
    page.context.set_offline(True)
    lived_in.stop()
    page.clock.run_for(45_000)
    expect(page.locator("html")).to_have_class(re.compile("lost"))
    expect(page.locator("#fresh")).to_contain_text("No word from the server for")


def test_data_that_stop_are_told_on_an_open_page(page: Page, lived_in):
    page.goto(lived_in.url + "/site/north")
    for pump in lived_in.double.site_list[0].pumps:
        lived_in.double.silence("north", pump.id, 3600)
    lived_in.double.changed("alarm:north.x")
    expect(page.locator("#fresh")).to_contain_text("60 min")
    expect(page.locator("#fresh")).to_have_class(re.compile("old"))


def test_cards_of_silent_pumps_say_so_without_any_event(page: Page, lived_in):
    page.clock.install()
    page.goto(lived_in.url + "/site/north")
    expect(page.locator(".card.silent")).to_have_count(1)
    for pump in lived_in.double.site_list[0].pumps:
        lived_in.double.silence("north", pump.id, 60)
    page.clock.run_for(35_000)
    expect(page.locator(".card.silent")).to_have_count(6)
    expect(page.locator("#needs")).not_to_contain_text("Nothing needs anyone.")


def test_a_pump_page_hears_of_its_sites_alarms(page: Page, lived_in):
    page.goto(lived_in.url + "/site/north/pump/P6")
    expect(page.locator("#now")).not_to_contain_text("Drum empty")
    now = lived_in.double.time_ts
    lived_in.double.find("north", finding("P6", Kind.DRUM_EMPTY, now - 120, "No liquid left."))
    expect(page.locator("#now")).to_contain_text("No liquid left.")


def test_on_a_quiet_site_the_age_of_the_data_stays_true(page: Page, lived_in):
    page.clock.install()
    page.goto(lived_in.url + "/site/north")
    with page.expect_response(re.compile("/site/north$")):
        page.clock.run_for(12_000)


def test_eight_tabs_are_all_live(context, lived_in):
    """HTTP/1.1 allows a browser six connections a host; a shared worker holds one for all."""
    pages = [context.new_page() for _ in range(8)]
    for page in pages:
        page.goto(lived_in.url + "/site/north")
    now = lived_in.double.time_ts
    lived_in.double.find("north", finding("P6", Kind.DRUM_EMPTY, now - 120, "The drum is empty."))
    for page in pages:
        page.bring_to_front()
        expect(page.locator("#needs")).to_contain_text("The drum is empty.")
