"""InfluxDB away, slow, refusing, or taking half: minutes wait here and arrive exactly once."""

import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from influx_server import TOKEN, InfluxServerProcess

from monitor.store.influx import (
    BadBody,
    InfluxRemote,
    InfluxServer,
    InfluxStore,
    ServerAway,
    ServerRefuses,
)
from monitor.store.interface import Receipt
from monitor.store.retention import Retention
from monitor.wire import Message

T0_S = 20_000 * 86_400


def message(seq: int, pump: str = "a", every_s: int = 1) -> Message:
    counts = np.random.default_rng(seq).integers(0, 4000, 20).astype(np.int16)
    t0_us = (T0_S + seq * every_s) * 1_000_000
    return Message("fern", pump, 1, seq, t0_us, 50_000, counts, 244.0, -3.5)


class Pretend:
    """A server in memory that does what the script says, then takes everything."""

    def __init__(self, *script: Exception) -> None:
        self.script = list(script)
        self.points: dict[tuple[str, str], str] = {}
        self.writes = 0
        self.poison = ""

    def write(self, body: bytes) -> None:
        self.writes += 1
        if self.script:
            raise self.script.pop(0)
        text = body.decode()
        if self.poison and self.poison in text:
            raise BadBody("InfluxDB answered 422: type conflict")
        for line in text.splitlines():
            head, fields, time = line.split(" ")[0], line, line.rsplit(" ", 1)[1]
            self.points[head, time] = fields

    def query(self, influxql: str) -> list[list[Any]]:
        raise ServerAway(f"not this time: {influxql[:10]}")

    def close(self) -> None:
        """Nothing to let go of."""


def pressures(remote: Pretend) -> int:
    return sum(head.startswith("pressure") for head, _ in remote.points)


def test_a_server_away_for_a_day_gets_everything_once_it_is_back(tmp_path: Path) -> None:
    remote = Pretend(*[ServerAway("refused")] * 1500)
    store = InfluxStore(tmp_path, remote)
    for part in range(240):
        assert store.append([message(part, every_s=360)]) == [Receipt.STORED]
        for minute in range(6):
            store.tend(T0_S + part * 360 + minute * 60 + 59.0)
    assert store.server_problem == "refused"
    assert store.stats()["influx_unsent_minutes"] > 230
    assert remote.points == {}
    # Its patience grows to a minute, not more.
    assert 1000 < remote.writes <= 1500
    # Meanwhile everything is read from here.
    assert len(store.messages("fern", "a", T0_S, T0_S + 86_400)) == 240
    remote.script.clear()
    for k in range(30):
        store.tend(T0_S + 90_000.0 + k)
    assert store.stats()["influx_unsent_minutes"] == 0
    assert store.server_problem == ""
    assert pressures(remote) == 240 * 20
    store.close()


def test_what_waits_survives_a_restart(tmp_path: Path) -> None:
    store = InfluxStore(tmp_path, Pretend(*[ServerAway("refused")] * 99))
    store.append([message(seq) for seq in range(60)])
    store.tend(T0_S + 200.0)
    store.close()
    remote = Pretend()
    store = InfluxStore(tmp_path, remote)
    store.tend(T0_S + 300.0)
    assert pressures(remote) == 60 * 20
    store.close()


def test_a_late_second_sends_its_minute_again_and_overwrites_equal_points(tmp_path: Path) -> None:
    remote = Pretend()
    store = InfluxStore(tmp_path, remote)
    store.append([message(seq) for seq in range(60) if seq != 30])
    store.tend(T0_S + 200.0)
    assert pressures(remote) == 59 * 20
    store.append([message(30)])
    store.tend(T0_S + 300.0)
    assert pressures(remote) == 60 * 20
    store.close()


def test_a_bad_minute_is_set_aside_and_the_others_arrive(tmp_path: Path) -> None:
    remote = Pretend()
    remote.poison = "pump=bad"
    store = InfluxStore(tmp_path, remote)
    store.append([message(seq, pump) for seq in range(60) for pump in ("a", "bad", "c")])
    store.tend(T0_S + 200.0)
    assert pressures(remote) == 2 * 60 * 20
    stats = store.stats()
    assert stats["influx_refused_minutes"] == 1
    assert stats["influx_unsent_minutes"] == 0
    assert len(store.messages("fern", "bad", T0_S, T0_S + 60)) == 60
    store.close()


def test_local_days_are_not_dropped_before_they_are_sent(tmp_path: Path) -> None:
    remote = Pretend(*[ServerAway("refused")] * 100_000)
    keep = Retention(raw_days=2, second_days=9, free_share=0.0, free_bytes=0)
    store = InfluxStore(tmp_path, remote, keep=keep)
    store.append([message(seq) for seq in range(60)])
    for minute in range(20):
        store.tend(T0_S + 10 * 86_400 + minute * 60.0)
    assert store.stats()["raw_days"] == 1
    remote.script.clear()
    for minute in range(20, 40):
        store.tend(T0_S + 10 * 86_400 + minute * 60.0)
    assert store.stats()["raw_days"] == 0
    assert pressures(remote) == 60 * 20
    store.close()


@pytest.fixture
def answering() -> Iterator[tuple[str, list[tuple[int, dict[str, str]]], list[bytes]]]:
    """(url, answers to give, bodies seen) of a little HTTP server."""
    answers: list[tuple[int, dict[str, str]]] = []
    bodies: list[bytes] = []

    class Handler(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            bodies.append(self.rfile.read(int(self.headers["Content-Length"])))
            status, headers = answers.pop(0) if answers else (204, {})
            self.send_response(status)
            for name, value in {**headers, "Content-Length": "0"}.items():
                self.send_header(name, value)
            self.end_headers()

        def log_message(self, *_: object) -> None:
            """Quiet."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    thread = threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True)
    thread.start()
    yield f"http://127.0.0.1:{server.server_port}", answers, bodies
    server.shutdown()
    server.server_close()


@pytest.mark.parametrize(
    ("status", "fault"),
    [
        (400, BadBody),
        (413, BadBody),
        (422, BadBody),
        (401, ServerRefuses),
        (404, ServerRefuses),
        (429, ServerAway),
        (500, ServerAway),
        (503, ServerAway),
    ],
)
def test_each_status_has_its_meaning(
    answering: tuple[str, list[tuple[int, dict[str, str]]], list[bytes]],
    status: int,
    fault: type[Exception],
) -> None:
    url, answers, _ = answering
    remote = InfluxRemote(InfluxServer(url, TOKEN))
    answers.append((status, {"Retry-After": "7"}))
    with pytest.raises(fault, match=str(status)) as caught:
        remote.write(b"pressure pa=1 1")
    if fault is ServerAway:
        assert getattr(caught.value, "retry_after_s", None) == 7.0
    remote.write(b"pressure pa=1 1")
    remote.close()


def test_a_body_of_a_minute_is_one_request_of_deterministic_lines(
    answering: tuple[str, list[tuple[int, dict[str, str]]], list[bytes]], tmp_path: Path
) -> None:
    url, _, bodies = answering
    store = InfluxStore(tmp_path, InfluxRemote(InfluxServer(url, TOKEN)))
    store.append([message(seq) for seq in range(60)])
    store.tend(T0_S + 200.0)
    store.close()
    (body,) = bodies
    lines = body.decode().splitlines()
    assert len(lines) == 60 * 21
    pa = float(message(0).pressure_pa()[0])
    assert lines[0] == f"pressure,site=fern,pump=a pa={pa!r} {T0_S * 1_000_000}"
    assert lines[20].startswith("message,site=fern,pump=a boot=1i,seq=0i,dt=50000i,")


def test_nobody_there_is_a_server_away(tmp_path: Path) -> None:
    remote = InfluxRemote(InfluxServer("http://127.0.0.1:9", TOKEN))
    store = InfluxStore(tmp_path, remote)
    store.append([message(0)])
    store.tend(T0_S + 200.0)
    assert "is away" in store.server_problem
    store.close()


@pytest.mark.influx
def test_a_real_server_killed_in_between_misses_nothing(tmp_path: Path) -> None:
    server = InfluxServerProcess(tmp_path)
    try:
        server.make("strokewise")
        remote = InfluxRemote(InfluxServer(server.url, TOKEN))
        store = InfluxStore(tmp_path / "store", remote)
        for minute in range(30):
            store.append([message(seq) for seq in range(minute * 60, minute * 60 + 60)])
            if minute == 10:
                server.kill()
            if minute == 20:
                assert store.server_problem
                server.start()
            store.tend(T0_S + minute * 60 + 61.0)
        store.tend(T0_S + 4000.0)
        assert store.server_problem == ""
        rows = remote.query("SELECT count(pa) FROM pressure")
        assert rows[0][1] == 30 * 60 * 20
        with pytest.raises(ServerRefuses, match="401"):
            InfluxRemote(InfluxServer(server.url, "wrong")).write(b"pressure pa=1 1")
        with pytest.raises(ServerRefuses, match="404"):
            InfluxRemote(InfluxServer(server.url, TOKEN, bucket="none")).write(b"x pa=1 1")
        store.close()
    finally:
        server.stop()
