"""Two collectors share six sites over one mosquitto; one is killed, one is frozen and wakes.

Every message that the broker took must be stored exactly once, whoever had its site when; with
InfluxDB as the store it must be there exactly once as well.
"""

import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from collectors import (
    BUCKET,
    CONNECTED,
    JUDGED,
    SITES,
    Broker,
    Collector,
    Publisher,
    free_row,
    metric,
    stored,
    wait_for,
    write_sites,
)
from influx_server import TOKEN, InfluxServerProcess

from monitor.service.partition import owner
from monitor.store.influx import InfluxRemote, InfluxServer, InfluxStore

pytestmark = [pytest.mark.broker, pytest.mark.crash, pytest.mark.slow]

OF_ANT = [s for s in SITES if owner(s, ("ant", "bee")) == "ant"]
ENOUGH = 50
"""Messages a site, so that each of its homes had some."""
WITHIN_S = 30.0
"""Seconds are the goal; a start of each site takes longer where other work is going on."""


@pytest.fixture
def broker(mosquitto_program: str, tmp_path: Path) -> Iterator[Broker]:
    write_sites(tmp_path)
    made = Broker(mosquitto_program, tmp_path)
    yield made
    made.stop()


@pytest.fixture(params=["embedded", pytest.param("influxdb", marks=pytest.mark.influx)])
def influx(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[InfluxServer | None]:
    if request.param == "embedded":
        yield None
        return
    folder = tmp_path / "influx"
    folder.mkdir()
    server = InfluxServerProcess(folder)
    server.make(BUCKET)
    yield InfluxServer(server.url, TOKEN, bucket=BUCKET)
    server.stop()


def told(words: str) -> None:
    print(words)  # noqa: T201 - shown with -s


def check(folder: Path, sent: int, influx: InfluxServer | None) -> None:
    """Everything the broker took, in each site's store once, and at the server once."""
    assert sent > ENOUGH
    for site in SITES:
        assert stored(folder, site) == list(range(sent)), site
        if influx is not None:
            assert at_server(folder, site, influx) == list(range(sent)), site


def at_server(folder: Path, site: str, influx: InfluxServer) -> list[int]:
    """Send what still waits, then ask the server itself for the sequence numbers."""
    store = InfluxStore(folder / "data" / "sites" / site, InfluxRemote(influx))
    try:
        now_s = int(time.time())  # noqa: TID251 - the store's housekeeping runs by the real time
        for k in range(120):
            store.tend(now_s + 60.0 * k)
            if k > 5 and not store.stats()["influx_unsent_minutes"]:
                break
    finally:
        store.close()
    remote = InfluxRemote(influx)
    rows = remote.query(f"SELECT seq, boot FROM message WHERE site='{site}' AND pump='p1'")  # noqa: S608 - our own names
    remote.close()
    return [int(row[1]) for row in rows]


def test_a_killed_collectors_sites_move_and_nothing_is_lost_or_doubled(
    broker: Broker, influx: InfluxServer | None, tmp_path: Path
) -> None:
    assert 0 < len(OF_ANT) < len(SITES)
    web, url = free_row(len(SITES)), influx.url if influx else ""
    ports = {site: web + k for k, site in enumerate(SITES)}
    ant, bee = (Collector(tmp_path, name, broker.port, web, url) for name in ("ant", "bee"))
    publisher = Publisher(broker.port)
    try:
        assert wait_for(lambda: all(metric(p, CONNECTED) == 1 for p in ports.values()), 60)
        publisher.start()
        assert wait_for(lambda: all(metric(p, JUDGED) > 10 for p in ports.values()), 60)

        ant.end(hard=True)
        began = time.perf_counter()
        assert wait_for(lambda: all(bee.judged(s) > 0 for s in OF_ANT), 60)
        took_s = time.perf_counter() - began
        told(f"{len(OF_ANT)} sites moved in {took_s:.1f} s")
        # Noticed at once (the connection closed), then a start of each site.
        assert took_s < WITHIN_S

        ant = Collector(tmp_path, "ant", broker.port, web, url)  # back: its sites come home
        assert wait_for(lambda: ant.log.read_text().count("took site") == len(OF_ANT), 60)
        assert wait_for(lambda: all(metric(p, JUDGED) > 10 for p in ports.values()), 60)
        assert wait_for(lambda: publisher.sent > ENOUGH, 60)
        sent = publisher.finish()
        threading.Event().wait(3.0)  # what is still under way reaches the stores
    finally:
        publisher.finish()
        for one in (ant, bee):
            one.end()
    check(tmp_path, sent, influx)


@pytest.fixture
def pair(
    broker: Broker, influx: InfluxServer | None, tmp_path: Path
) -> Iterator[tuple[Collector, Collector, Publisher]]:
    """Two collectors that both judge. Pages on ports of its own for each: a frozen process keeps
    its ports, too."""
    ant, bee = (
        Collector(tmp_path, name, broker.port, free_row(len(SITES)), influx.url if influx else "")
        for name in ("ant", "bee")
    )
    publisher = Publisher(broker.port)
    try:
        everywhere = [(ant if s in OF_ANT else bee, s) for s in SITES]
        # Before a site's first session the broker keeps nothing for it.
        assert wait_for(lambda: all(c.connected(s) for c, s in everywhere), 60)
        publisher.start()
        assert wait_for(lambda: all(c.judged(s) > 10 for c, s in everywhere), 60)
        yield ant, bee, publisher
    finally:
        publisher.finish()
        for one in (ant, bee):
            one.end()


def frozen_s(ant: Collector, bee: Collector, *, committing: bool) -> float:
    """Freeze the one; how long until its sites are judged by the other."""
    assert ant.freeze(OF_ANT, committing=committing)
    began = time.perf_counter()
    assert wait_for(lambda: all(bee.judged(s) > 0 for s in OF_ANT), 60)
    took_s = time.perf_counter() - began
    where = "in" if committing else "out of"
    told(f"{len(OF_ANT)} sites moved from the one frozen {where} a commit in {took_s:.1f} s")
    return took_s


def test_a_frozen_collectors_sites_move_and_it_writes_nothing_when_it_wakes(
    pair: tuple[Collector, Collector, Publisher], influx: InfluxServer | None, tmp_path: Path
) -> None:
    ant, bee, publisher = pair
    assert frozen_s(ant, bee, committing=False) < WITHIN_S

    ant.wake()  # finds itself out, lets go, and takes its sites back
    homes = 2 * len(OF_ANT)
    assert wait_for(lambda: ant.log.read_text().count("took site") >= homes, 60)
    assert wait_for(lambda: all(ant.judged(s) > 10 for s in OF_ANT), 60)
    assert wait_for(lambda: publisher.sent > ENOUGH, 60)
    sent = publisher.finish()
    threading.Event().wait(3.0)
    for one in (ant, bee):
        one.end()
    check(tmp_path, sent, influx)


def test_a_collector_frozen_in_a_commit_is_ended_and_its_sites_move(
    pair: tuple[Collector, Collector, Publisher], influx: InfluxServer | None, tmp_path: Path
) -> None:
    ant, bee, publisher = pair
    assert frozen_s(ant, bee, committing=True) < 2 * WITHIN_S
    assert wait_for(lambda: ant.child.poll() is not None, 30)
    assert wait_for(lambda: publisher.sent > ENOUGH, 60)
    sent = publisher.finish()
    threading.Event().wait(3.0)
    bee.end()
    check(tmp_path, sent, influx)
