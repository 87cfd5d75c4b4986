"""How long the pages take on the server, and what they weigh; a year of draws behind them.

Wanted: the pump page over a year under 300 ms on the server and under 25 kB gzipped. Times are
printed; the limit asserted leaves room for a busy machine.
"""

import statistics

import pytest
from starlette.testclient import TestClient

from monitor.api.accounts import Role
from monitor.api.double import Double, fill, invented_site
from monitor.api.web import WebSettings
from monitor.clock import steady_s
from monitor.pages.app import create_app

NOW = 1_793_795_200.0
ROOM = 3.0
PAGES = {
    "board, 12 pumps": ("/site/north", 0.3, 25_000),
    "pump, a day": ("/site/north/pump/P2", 0.3, 25_000),
    "pump, a year": ("/site/north/pump/P2?last=1y", 0.3, 25_000),
    "trace only, a year": ("/site/north/pump/P2/trace.svg?last=1y", 0.3, 25_000),
    "alarms": ("/site/north/alarms?state=all", 0.3, 25_000),
}


@pytest.fixture(scope="module")
def client(tmp_path_factory):
    double = Double(tmp_path_factory.mktemp("speed"), NOW, (invented_site(pumps=12),))
    fill(double)
    fill_year(double)
    app = create_app(double, settings=WebSettings(local_role=Role.VIEWER))
    with TestClient(app, base_url="http://localhost", client=("127.0.0.1", 5)) as made:
        yield made
    double.core.close()


def fill_year(double: Double) -> None:
    """One pump with a year of draws: 75,000 episodes."""
    site = double.site_list[0]
    one = site.model_copy(update={"pumps": (site.pumps[1],)})
    whole = double.site_list
    double.site_list = (one,)
    fill(double, days=365)
    double.site_list = whole


@pytest.mark.slow
@pytest.mark.parametrize("name", PAGES)
def test_pages_are_quick_and_light(client, name, capsys):
    path, wanted_s, most_bytes = PAGES[name]
    times = []
    for _ in range(7):
        start = steady_s()
        answer = client.get(path)
        times.append(steady_s() - start)
        assert answer.status_code == 200
    weight = int(answer.headers["content-length"])
    middle = statistics.median(times)
    with capsys.disabled():
        print(f"\n{name}: {1e3 * middle:.0f} ms on the server, {weight / 1e3:.1f} kB gzipped")
    assert weight < most_bytes
    assert middle < ROOM * wanted_s
