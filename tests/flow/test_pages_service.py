"""Pages and API over the service's double, without a browser."""

import html
import io
import json
import re
from xml.etree import ElementTree

import pyarrow.parquet as pq
import pytest
from starlette.testclient import TestClient

from monitor.advice.kinds import Kind
from monitor.api.accounts import May, Role
from monitor.api.double import Double, fill, finding, invented_site
from monitor.api.web import WebSettings
from monitor.notify.ack_link import AckLinks, load_key
from monitor.pages.app import create_app
from monitor.signals.types import Episode
from monitor.site import Site
from monitor.store.episodes import EpisodeBook

NOW = 1_793_795_200.0
CHEAP = {"argon2_memory_kib": 8, "argon2_passes": 1}
HOST = "http://monitor.lan:8117"


@pytest.fixture
def double(tmp_path):
    made = Double(tmp_path, NOW, (invented_site(), invented_site("south", units="metric")))
    fill(made)
    yield made
    made.core.close()


@pytest.fixture
def app(double):
    return create_app(double, settings=WebSettings(**CHEAP))


@pytest.fixture(scope="module")
def shared(tmp_path_factory):
    """One application for all tests that only look."""
    made = Double(
        tmp_path_factory.mktemp("shared"),
        NOW,
        (invented_site(), invented_site("south", units="metric")),
    )
    fill(made)
    yield create_app(made, settings=WebSettings(**CHEAP))
    made.core.close()


@pytest.fixture(scope="module")
def reader(shared):
    return sign_in(shared, Role.VIEWER)


@pytest.fixture(scope="module")
def passer_by(shared):
    return TestClient(shared, base_url=HOST, headers={"origin": HOST}, follow_redirects=False)


@pytest.fixture
def stranger(app):
    return TestClient(app, base_url=HOST, headers={"origin": HOST}, follow_redirects=False)


def sign_in(app, role: Role) -> TestClient:
    accounts = app.state.web.accounts
    if role.value not in {a.name for a in accounts.accounts()}:
        accounts.add(role.value, role, "correct horse", NOW)
    client = TestClient(app, base_url=HOST, headers={"origin": HOST}, follow_redirects=False)
    form = {"name": role.value, "password": "correct horse"}
    assert client.post("/sign-in", data=form).status_code == 303
    return client


@pytest.fixture
def operator(app):
    return sign_in(app, Role.OPERATOR)


@pytest.fixture
def tech(app):
    return sign_in(app, Role.TECH)


@pytest.fixture
def viewer(app):
    return sign_in(app, Role.VIEWER)


@pytest.fixture
def administrator(app):
    return sign_in(app, Role.ADMINISTRATOR)


def an_alarm(double, kind=Kind.AIRLOCK) -> str:
    return next(a.id for a in double.alarms("north") if a.kind is kind)


PAGES = (
    "/",
    "/site/north",
    "/site/north/pump/P1",
    "/site/north/pump/P2?last=1y",
    "/site/north/pump/P5",
    "/site/north/pump/P1/priming",
    "/site/north/pump/P1/trace.svg?last=7d&w=380",
    "/site/north/alarms",
    "/site/north/alarms?state=all",
    "/site/north/alarms/rules",
    "/site/north/alarms/figures",
    "/site/north/work",
    "/site/north/check",
    "/site/north/visit",
    "/site/north/bays?days=7",
    "/site/north/bays?days=7&what=pump",
    "/compare?days=7",
    "/site/south",
    "/site/south/pump/P1",
)
API = (
    "/api/sites",
    "/api/sites/north/board",
    "/api/sites/north/pumps/P1",
    "/api/sites/north/pumps/P1/series?last=1h",
    "/api/sites/north/pumps/P1/episodes?last=1d&limit=5",
    "/api/sites/north/pumps/P1/check",
    "/api/sites/north/pumps/P1/priming",
    "/api/sites/north/alarms",
    "/api/sites/north/alarm-figures",
    "/api/sites/north/work",
    "/api/sites/north/visit",
    "/api/sites/north/bays?days=7",
    "/api/compare?days=7",
    "/api/kinds",
    "/api/openapi.json",
)


@pytest.mark.parametrize("path", PAGES)
def test_every_page_stands_and_is_well_formed_about_safety(reader, path):
    answer = reader.get(path)
    assert answer.status_code == 200, answer.text[:400]
    policy = answer.headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "unsafe" not in policy
    assert answer.headers["x-content-type-options"] == "nosniff"
    body = answer.text
    assert "<script>" not in body
    assert 'style="' not in body
    assert not re.search(r"\son[a-z]+=", body)
    assert not re.search(r"""(?:src|href|action)=["']https?:""", body)


@pytest.mark.parametrize("path", API)
def test_every_twin_answers_json(reader, path):
    answer = reader.get(path)
    assert answer.status_code == 200
    json.loads(answer.text, parse_constant=lambda c: pytest.fail(f"{c} is no JSON"))


@pytest.mark.parametrize("path", [p for p in PAGES if p != "/"])
def test_a_stranger_is_sent_to_sign_in(passer_by, path):
    answer = passer_by.get(path)
    assert answer.status_code == 303
    assert answer.headers["location"].startswith("/sign-in?back=")


@pytest.mark.parametrize("path", [*API, "/metrics", "/events"])
def test_a_strange_program_gets_401_in_words(passer_by, path):
    answer = passer_by.get(path)
    assert answer.status_code == 401
    assert answer.json() == {"error": "Not signed in", "detail": "Sign in first."}


def test_the_board_names_what_needs_someone_worst_first(reader):
    body = reader.get("/site/north").text
    needs = body[body.index("Needs someone") : body.index('id="bays"')]
    kinds = [needs.index(k) for k in ("Airlock", "Running with no demand", "Worn pump")]
    assert kinds == sorted(kinds)
    assert "<title>1 act now, 1 this shift, 1 next visit · North yard</title>" in body
    assert "No data for 12 min" in body


def test_a_calm_board_shows_no_priority_at_all(reader):
    body = reader.get("/site/south").text
    assert "Nothing needs anyone." in body
    assert not re.search(r"edge-(act|shift|visit)|class=\"sign", body)


def test_a_board_without_fresh_data_never_says_that_all_is_well(viewer, double):
    for pump in double.site_list[1].pumps:
        double.silence("south", pump.id, 3600)
    body = viewer.get("/site/south").text
    assert "Nothing needs anyone." not in body
    assert "No fresh data from this site." in body
    assert "fresh old" in body
    assert body.count("card silent") == len(double.site_list[1].pumps)


def test_numbers_are_in_each_sites_units(reader):
    assert "58 psi" in reader.get("/site/north/pump/P1").text
    assert "4.01 bar" in reader.get("/site/south/pump/P1").text


def test_every_mark_on_the_trace_has_its_row(reader):
    body = reader.get("/site/north/pump/P2?last=7d").text
    refs = re.findall(r'data-refs="([^"]*)"', body)
    assert refs
    for ref in " ".join(refs).split():
        assert f'id="{ref.removeprefix("#")}"' in body


def test_the_trace_is_xml(reader):
    answer = reader.get("/site/north/pump/P2/trace.svg?last=1d")
    assert answer.headers["content-type"].startswith("image/svg+xml")
    root = ElementTree.fromstring(answer.text)  # noqa: S314 - our own drawing
    assert root.tag == "{http://www.w3.org/2000/svg}svg"
    assert "CST" in answer.headers["x-caption"]


def test_what_people_write_is_shown_as_written(tech, double):
    evil = '<script>alert("x")</script>{{ 7*7 }}'
    form = {"pump": "P1", "kind": "note", "text": evil}
    assert tech.post("/site/north/work", data=form).status_code == 303
    double.time_ts += 1
    for path in ("/site/north/work", "/site/north/pump/P1"):
        body = tech.get(path).text
        assert "<script>alert" not in body
        assert "&lt;script&gt;alert" in body
        assert "{{ 7*7 }}" in body


def test_the_operators_button_takes_an_alarm_on(operator, double):
    alarm = an_alarm(double)
    answer = operator.post(f"/site/north/alarm/{alarm}/acknowledge", data={"back": "/site/north"})
    assert (answer.status_code, answer.headers["location"]) == (303, "/site/north")
    row = next(a for a in operator.get("/api/sites/north/alarms").json()["alarms"])
    assert (row["state"], row["acked_by"]) == ("acknowledged", "operator")
    assert "operator" in operator.get(f"/site/north/alarm/{alarm}").text


def test_a_viewer_sees_no_button_and_cannot_press_it(viewer, double):
    assert "Acknowledge</button>" not in viewer.get("/site/north").text
    alarm = an_alarm(double)
    assert viewer.post(f"/api/alarms/{alarm}/acknowledge").status_code == 403
    assert viewer.post(f"/site/north/alarm/{alarm}/acknowledge").status_code == 403
    assert viewer.post("/site/north/work", data={"pump": "P1", "kind": "note"}).status_code == 403
    assert not next(a for a in double.alarms() if a.id == alarm).acked


def test_shelving_needs_a_reason_and_an_end_and_shows_on_its_list(operator, double):
    alarm = an_alarm(double, Kind.NO_DEMAND)
    url = f"/site/north/alarm/{alarm}/shelve"
    assert operator.post(url, data={"reason": "", "until": "2026-11-05T10:00"}).status_code == 400
    assert operator.post(url, data={"reason": "valve on order"}).status_code == 400
    beyond = {"reason": "valve on order", "until": "2026-12-24T10:00"}
    assert operator.post(url, data=beyond).status_code == 400
    good = {"reason": "valve on order", "until": "2026-11-05T10:00"}
    assert operator.post(url, data=good).status_code == 303
    assert "Running with no demand</a>" not in operator.get("/site/north").text
    hidden = operator.get("/site/north/alarms?state=hidden").text
    assert "valve on order" in hidden
    assert "Thu" not in hidden  # the end is tomorrow, shown as a date
    assert operator.post(f"/site/north/alarm/{alarm}/unshelve").status_code == 303
    assert "Running with no demand" in operator.get("/site/north").text


def test_out_of_service_is_for_techs_and_shows_who_and_why(operator, tech):
    form = {"subject": "P2", "reason": "pump on the bench"}
    assert operator.post("/site/north/out-of-service", data=form).status_code == 403
    assert tech.post("/site/north/out-of-service", data=form).status_code == 303
    assert "pump on the bench" in tech.get("/site/north/alarms").text
    back = {"subject": "P2", "on": "no"}
    assert tech.post("/site/north/out-of-service", data=back).status_code == 303


def test_a_foreign_page_cannot_press_our_buttons(operator, double):
    alarm = an_alarm(double)
    answer = operator.post(
        f"/api/alarms/{alarm}/acknowledge", headers={"origin": "http://monitor.lan:9000"}
    )
    assert answer.status_code == 403
    assert not next(a for a in double.alarms() if a.id == alarm).acked


def test_many_screens_draw_each_card_once_in_ten_seconds(viewer, double, monkeypatch):
    read, times = type(double.store).read, []

    def counted(self, *args, **kwargs):
        times.append(args[1])
        return read(self, *args, **kwargs)

    monkeypatch.setattr(type(double.store), "read", counted)
    for seconds, reads in ((0, 6), (4, 6), (9, 12)):
        double.time_ts += seconds
        assert viewer.get("/site/north").status_code == 200
        assert len(times) == reads


def priced(site, currency):
    prices = {"currency": currency, "chemical_litre_price": 4.0, "bad_draw_price": 9.0}
    return Site.model_validate({**site.model_dump(), "prices": prices})


@pytest.mark.parametrize(("other", "shown"), [("USD", True), ("EUR", False)])
def test_money_of_sites_is_compared_in_one_currency_only(tmp_path, other, shown):
    sites = (priced(invented_site(), "USD"), priced(invented_site("south"), other))
    made = Double(tmp_path, NOW, sites)
    leak = finding("P3", Kind.NO_DEMAND, NOW - 3 * 86_400, "x")
    made.find("north", leak)
    strokes = Episode("P3", "idle strokes", NOW - 2 * 86_400, NOW - 2 * 86_400 + 900, False, 500)
    EpisodeBook(made.core).add("north", strokes)
    reader = sign_in(create_app(made, settings=WebSettings(**CHEAP)), Role.OWNER)
    headings = reader.get("/api/compare?days=7").json()
    assert ("USD 1" in json.dumps(headings)) is shown
    assert "USD 1" in reader.get("/api/sites/north/bays?days=7").text
    made.core.close()


def test_what_nobody_foresaw_is_told_quietly(viewer, double, monkeypatch):
    def broken(*_, **__):
        raise RuntimeError("secret detail")

    monkeypatch.setattr(type(double.store), "latest_ts", broken)
    lenient = TestClient(
        viewer.app, base_url=HOST, cookies=viewer.cookies, raise_server_exceptions=False
    )
    page = lenient.get("/site/north")
    assert page.status_code == 500
    assert "written into the log" in page.text
    assert "secret" not in page.text
    assert "default-src 'none'" in page.headers["content-security-policy"]
    twin = lenient.get("/api/sites/north/board")
    assert (twin.status_code, "secret" in twin.text) == (500, False)


def test_an_endless_request_is_refused(tech):
    def endless():
        for _ in range(40):
            yield b"x" * 100_000

    answer = tech.post("/site/north/work", content=endless())
    assert answer.status_code == 413
    assert tech.get("/site/north").status_code == 200


def test_a_catch_test_sets_the_volume_of_a_stroke(tech):
    form = {"pump": "P1", "kind": "catch test", "numbers": ["1240", "20", "", ""]}
    assert tech.post("/site/north/work", data=form).status_code == 303
    entry = tech.get("/api/sites/north/work").json()["entries"][0]
    assert entry["values"]["displacement_ml"] == 62.0
    absurd = {"pump": "P1", "kind": "catch test", "numbers": ["1240", "1"]}
    answer = tech.post("/site/north/work", data=absurd)
    assert answer.status_code == 400
    assert "not possible" in answer.text


def test_a_number_beyond_reason_is_refused_by_the_field_and_leads_back(tech):
    form = {"pump": "P1", "kind": "set point changed", "numbers": ["", "", "500", ""]}
    before = {"referer": f"{HOST}/site/north/work?pump=P1"}
    answer = tech.post("/site/north/work", data=form, headers=before)
    assert answer.status_code == 400
    assert "New set point" in answer.text
    assert 'href="/site/north/work?pump=P1"' in answer.text
    elsewhere = tech.post("/site/north/work", data=form, headers={"referer": "http://evil//x"})
    assert "evil" not in elsewhere.text


def test_only_what_is_there_goes_out_of_service(tech):
    form = {"subject": "P77", "reason": "seal change", "on": "yes"}
    answer = tech.post("/site/north/out-of-service", data=form)
    assert answer.status_code == 404
    assert "node:node1" in answer.text


def test_refusals_name_the_field_in_plain_words(tech):
    answer = tech.post("/site/north/work", data={"pump": "P1"})
    assert answer.status_code == 422
    assert "Kind: missing" in answer.text
    assert "no page at this address" in tech.get("/nothing").text


def test_a_wall_address_that_is_none_says_so(stranger):
    answer = stranger.get("/wall/none")
    assert answer.status_code == 404
    assert "administrator makes a new one" in answer.text


def test_the_pump_page_shows_what_people_can_use_of_a_draw(reader):
    body = reader.get("/site/north/pump/P1").text
    assert "pressure while drawing 40 psi" in body
    assert "_pa" not in body.split('id="episodes"')[1].split("</details>")[0]


def test_work_taken_back_stays_readable(tech):
    number = tech.post(
        "/api/sites/north/work", json={"pump": "P1", "kind": "seals", "parts": ["FKM kit"]}
    ).json()["id"]
    assert tech.post(f"/site/north/work-entry/{number}/undo").status_code == 303
    body = tech.get("/site/north/work").text
    assert "taken back" in body
    assert "FKM kit" in body
    assert tech.post(f"/api/sites/north/work/{number}/undo").status_code == 404


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/api/sites/nowhere/board", 404),
        ("/api/sites/north/pumps/P99", 404),
        ("/api/alarms/none", 404),
        ("/api/sites/north/pumps/P1?from=never", 400),
        ("/api/sites/north/pumps/P1?last=2w", 422),
        ("/api/sites/north/pumps/P1/series?max_points=0", 422),
        ("/api/nothing", 404),
    ],
)
def test_errors_say_what_is_wrong(reader, path, status):
    answer = reader.get(path)
    assert answer.status_code == status
    assert set(answer.json()) == {"error", "detail"}


def test_pages_of_episodes_and_alarms_can_be_turned(reader):
    first = reader.get("/api/sites/north/pumps/P1/episodes?last=1d&limit=5").json()
    assert len(first["episodes"]) == 5
    assert first["more"]
    last = first["episodes"][-1]["start_ts"]
    second = reader.get(
        f"/api/sites/north/pumps/P1/episodes?from={last - 86_400}&to={last}&limit=5"
    ).json()
    assert second["episodes"][0]["start_ts"] < last
    page = reader.get("/api/sites/north/alarms?limit=1&offset=1").json()
    assert (page["total"], len(page["alarms"])) == (3, 1)


def test_a_one_time_password_leads_to_choosing_ones_own(app):
    web = app.state.web
    _, password = web.accounts.first_administrator(NOW)
    client = TestClient(app, base_url=HOST, headers={"origin": HOST}, follow_redirects=False)
    client.post("/sign-in", data={"name": "admin", "password": password})
    assert client.get("/site/north").headers["location"] == "/account"
    assert client.get("/api/sites").status_code == 403
    form = {"old": password, "new": "battery staple"}
    assert client.post("/account/password", data=form).status_code == 303
    assert client.get("/site/north").status_code == 200


def test_the_administrator_makes_accounts_and_tokens_and_reads_who_did_what(administrator, app):
    form = {"name": "cleo", "password": "once and only once", "role": "viewer"}
    assert administrator.post("/people/add", data=form).status_code == 303
    odd = administrator.post("/people/add", data={**form, "name": "dee", "role": "king"})
    assert odd.status_code == 422
    short = administrator.post("/people/add", data={**form, "name": "dee", "password": "short"})
    assert (short.status_code, "10 to 256 letters" in short.text) == (400, True)
    shown = administrator.post("/people/token", data={"label": "hall", "kind": "wall"}).text
    token = re.search(r"/wall/([\w-]+)<", shown).group(1)
    assert token not in administrator.get("/people").text
    assert "made an account" in administrator.get("/people").text
    screen = TestClient(app, base_url=HOST, follow_redirects=False)
    assert screen.get(f"/wall/{token}").status_code == 303
    assert screen.get("/site/north").status_code == 200
    assert screen.get("/site/north/alarms").status_code == 403
    assert screen.get("/people").status_code == 403


def test_the_twin_of_the_people_page_holds_no_secret(administrator, app):
    app.state.web.accounts.issue("api", "script", NOW, by="ann")
    told = administrator.get("/api/people")
    assert [a["name"] for a in told.json()["accounts"]] == ["administrator"]
    assert "script" in told.text
    assert "argon2" not in told.text
    assert set(told.json()["sessions"][0]["id"]) <= set("0123456789abcdef")


def test_only_administrators_reach_the_people_page(tech):
    assert tech.get("/api/people").status_code == 403
    assert tech.get("/people").status_code == 403
    assert tech.post("/people/add", data={"name": "x"}).status_code == 403


def test_a_token_opens_what_its_scopes_say(app, double):
    token = app.state.web.accounts.issue(
        "api", "script", NOW, by="ann", scopes=(May.SEE, May.ALARMS)
    )
    program = TestClient(app, base_url=HOST, headers={"authorization": f"Bearer {token}"})
    assert program.get("/api/sites").status_code == 200
    assert program.post(f"/api/alarms/{an_alarm(double)}/acknowledge").status_code == 200
    note = {"pump": "P1", "kind": "note", "text": "x"}
    assert program.post("/api/sites/north/work", json=note).status_code == 403


def test_the_local_role_is_for_this_machine_only(double):
    app = create_app(double, settings=WebSettings(local_role=Role.VIEWER, **CHEAP))
    near = TestClient(app, base_url="http://localhost:8117", client=("127.0.0.1", 5))
    far = TestClient(app, base_url=HOST, client=("192.0.2.9", 5), follow_redirects=False)
    assert near.get("/site/north").status_code == 200
    assert far.get("/site/north").status_code == 303


def test_the_link_in_a_message_shows_a_button_and_only_the_button_acts(stranger, double, tmp_path):
    links = AckLinks(double.core, load_key(tmp_path))
    alarm = next(a for a in double.alarms("north") if a.kind is Kind.AIRLOCK)
    url = f"/ack/{links.issue(alarm, 'operator on duty', NOW)}"
    assert "Acknowledge as operator on duty" in stranger.get(url).text
    assert not next(a for a in double.alarms() if a.id == alarm.id).acked
    assert stranger.post(url).status_code == 200
    assert next(a for a in double.alarms() if a.id == alarm.id).acked_by == "operator on duty"
    assert stranger.get(url).status_code == 400
    assert stranger.post("/ack/forged.token").status_code == 400


def test_files_of_a_window_hold_what_the_store_holds(reader, shared):
    """RFC 4180: CRLF, a header line, the same number of fields in each line."""
    answer = reader.get(f"/site/north/pump/P1/samples.csv?from={NOW - 60}&to={NOW}")
    assert answer.headers["content-type"] == "text/csv; charset=utf-8; header=present"
    lines = answer.content.decode().split("\r\n")
    assert lines[0].startswith("time (UTC),pump,pressure_low (Pa)")
    assert lines[-1] == ""
    assert {len(line.split(",")) for line in lines[:-1]} == {len(lines[0].split(","))}
    store = shared.state.web.live.store
    want = store.read("north", "P1", (NOW - 60, NOW), max_points=200_000).mean_pa.tolist()
    assert [float(line.split(",")[3]) for line in lines[1:-1]] == want
    parquet = reader.get(f"/site/north/pump/P1/samples.parquet?from={NOW - 60}&to={NOW}").content
    assert pq.read_table(io.BytesIO(parquet))["pressure_mean (Pa)"].to_pylist() == want


@pytest.mark.parametrize(
    ("path", "start"),
    [
        ("/site/north/pump/P1/trace.png", b"\x89PNG\r\n\x1a\n"),
        ("/site/north/pump/P1/trace.pdf", b"%PDF-1.7"),
        ("/site/north/visit.pdf", b"%PDF-1.7"),
        ("/site/north/bays.pdf?days=7", b"%PDF-1.7"),
        ("/compare.pdf?days=7", b"%PDF-1.7"),
        ("/site/north/pump/P1/episodes.csv", b"start (UTC),"),
        ("/site/north/bays.csv?days=7", b"Bay,"),
        ("/site/north/alarms.csv", b"time (UTC),subject,what,"),
        ("/site/north/work.csv", b"time (UTC),pump,kind,"),
    ],
)
def test_paper_and_pictures_are_what_they_say(reader, path, start):
    answer = reader.get(path)
    assert answer.content.startswith(start)
    assert "attachment" in answer.headers["content-disposition"]


def test_single_samples_are_not_sent_by_the_week(reader):
    answer = reader.get("/site/north/pump/P1/samples.csv?last=7d&level=raw")
    assert answer.status_code == 400
    assert "a day at most" in answer.text


def test_page_and_paper_of_a_visit_say_the_same(reader):
    page = html.unescape(reader.get("/site/north/visit").text)
    told = reader.get("/api/sites/north/visit").json()
    assert told["pumps"][0]["pump"] == "P2"
    for pump in told["pumps"]:
        words = [*pump["why"], *pump["bring"], *(c["text"] for c in pump["checks"])]
        words += [text for _, text in pump["cautions"]]
        assert [w for w in words if w not in page] == []
    assert told["defer"] in page


def test_metrics_follow_the_published_text_format(reader):
    """Prometheus exposition format 0.0.4: comment and sample lines as its grammar gives them."""
    answer = reader.get("/metrics")
    assert answer.headers["content-type"].startswith("text/plain; version=0.0.4")
    sample = re.compile(
        r'[a-zA-Z_:][a-zA-Z0-9_:]*(\{([a-zA-Z_]\w*="([^"\\\n]|\\[\\"n])*",?)*\})? \S+( -?\d+)?'
    )
    typed: set[str] = set()
    assert answer.text.endswith("\n")
    for line in answer.text.splitlines():
        if line.startswith("# TYPE "):
            name, kind = line.split()[2:]
            assert kind in ("counter", "gauge")
            assert name not in typed
            typed.add(name)
            continue
        assert sample.fullmatch(line), line
        assert line.split("{")[0].split(" ")[0] in typed
        float(line.rsplit(" ", 1)[1])
    assert 'strokewise_refused_messages_total{reason="unknown pump"} 3' in answer.text


def test_health_says_so_to_anyone_and_nothing_more(passer_by):
    answer = passer_by.get("/health")
    assert (answer.status_code, answer.json()) == (200, {"status": "ok"})


def test_a_year_of_data_weighs_under_25_kb(reader):
    answer = reader.get("/site/north/pump/P2?last=1y")
    assert answer.headers["content-encoding"] == "gzip"
    assert int(answer.headers["content-length"]) < 25_000


def test_the_reader_is_sent_back_only_to_pages_of_ours(operator, double):
    for back in ("//evil.example/", "https://evil.example/", "/\\evil.example", "javascript:x"):
        answer = operator.post(
            f"/site/north/alarm/{an_alarm(double)}/acknowledge", data={"back": back}
        )
        assert answer.headers["location"] == "/site/north"


def test_air_troubles_show_on_every_pump_they_concern(viewer, double):
    double.find("north", finding("air:main", Kind.LOW_AIR, NOW - 600, "Header at 31 psi."))
    assert "Main header" in viewer.get("/site/north").text
    assert "Header at 31 psi." in viewer.get("/site/north/pump/P6").text


def test_events_carry_what_changed_and_a_tick_otherwise(double):
    """Field names and blank-line ends of text/event-stream: WHATWG HTML, section 9.2."""
    app = create_app(double, settings=WebSettings(event_wait_s=0.05, **CHEAP))
    double.changed("north/P1", "alarm:north.P2.x")
    token = app.state.web.accounts.issue("api", "x", NOW, by="ann")
    client = TestClient(app, base_url=HOST, headers={"authorization": f"Bearer {token}"})
    double.after_looking = app.state.stopping.set
    first = double.sequence() - 2
    body = client.get("/events", headers={"last-event-id": str(first)}).text
    events = [dict(x.split(": ", 1) for x in e.splitlines()) for e in body.split("\n\n") if e]
    assert [e["event"] for e in events] == ["tick", "change"]
    assert json.loads(events[1]["data"]) == ["north/P1", "alarm:north.P2.x"]
    assert int(events[1]["id"]) == double.sequence()
