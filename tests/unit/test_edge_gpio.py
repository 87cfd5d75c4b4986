"""GPIO edges as libgpiod hands them over: lock-out, demand, edges the kernel had to drop."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import timedelta
from types import SimpleNamespace

import pytest

from edge.errors import SourceError
from edge.sources import gpio
from edge.sources.gpio import Gpio, Lines, open_source
from edge.sources.sampled import Channel
from edge.sources.source import Role

UP, DOWN = SimpleNamespace(name="RISING_EDGE"), SimpleNamespace(name="FALLING_EDGE")


@dataclass
class FakeEdge:
    line_offset: int
    timestamp_ns: int
    line_seqno: int
    event_type: SimpleNamespace


class FakeRequest:
    def __init__(self) -> None:
        self.edges: list[FakeEdge] = []
        self.released = False

    def wait_edge_events(self, timeout: timedelta) -> bool:
        assert timeout == timedelta(0), "read never waits"
        return bool(self.edges)

    def read_edge_events(self, max_events: int) -> Sequence[FakeEdge]:
        out, self.edges = self.edges[:max_events], self.edges[max_events:]
        return out

    def release(self) -> None:
        self.released = True


def channel(role: Role, line: int, per_pulse: int = 1) -> Channel[Gpio]:
    settings = {"source": "gpio", "line": line, "strokes_per_pulse": per_pulse}
    return Channel("foam", role, Gpio.model_validate(settings))


def test_bounce_counts_once_and_kernel_times_are_kept() -> None:
    request = FakeRequest()
    lines = Lines(request, [channel("strokes", 4, per_pulse=2)], {4: False})
    assert lines.read(5)["foam"].strokes == [(5, 0)]
    at_ms = [(1000, UP), (1001, DOWN), (1002, UP), (1030, DOWN), (1400, UP)]
    request.edges = [FakeEdge(4, ms * 1_000_000, i, kind) for i, (ms, kind) in enumerate(at_ms)]
    assert lines.read(0)["foam"].strokes == [(1_000_000, 2), (1_400_000, 4)]
    assert lines.read(0) == {}


def test_demand_starts_with_its_state_and_follows_changes() -> None:
    request = FakeRequest()
    lines = Lines(request, [channel("demand", 7)], {7: True})
    assert lines.read(9)["foam"].demand == [(9, True)]
    request.edges = [FakeEdge(7, 2_000_000, 1, DOWN), FakeEdge(7, 3_000_000, 2, DOWN)]
    assert lines.read(0)["foam"].demand == [(2000, False)]


def test_edges_the_kernel_dropped_are_said() -> None:
    request = FakeRequest()
    lines = Lines(request, [channel("strokes", 4)], {})
    request.edges = [FakeEdge(4, 10**9, 1, UP), FakeEdge(4, 2 * 10**9, 9, UP)]
    assert lines.read(0)["foam"].faults == ["strokes: 7 edges were lost"]
    lines.close()
    assert request.released


def test_without_the_library_the_remedy_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    def absent(name: str) -> None:
        raise SourceError(f"this source needs the library {name}: pip install")

    monkeypatch.setattr(gpio, "needed", absent)
    with pytest.raises(SourceError, match="pip install"):
        open_source([channel("strokes", 4)])


def test_lines_are_requested_as_the_settings_say(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: dict[str, object] = {}
    request = FakeRequest()
    request.get_value = lambda _line: SimpleNamespace(value=1)  # type: ignore[attr-defined]  # as gpiod's

    def request_lines(chip: str, **more: object) -> FakeRequest:
        asked.update(more, chip=chip)
        return request

    fake = SimpleNamespace(
        LineSettings=dict,
        request_lines=request_lines,
        line=SimpleNamespace(
            Edge=SimpleNamespace(BOTH="both"),
            Bias=SimpleNamespace(PULL_UP="up", PULL_DOWN="down", DISABLED="none"),
            Clock=SimpleNamespace(MONOTONIC="monotonic"),
        ),
    )
    monkeypatch.setattr(gpio, "needed", lambda _name: fake)
    lines = open_source([channel("demand", 7)])
    assert asked["chip"] == "/dev/gpiochip0"
    assert asked["config"] == {
        7: {"edge_detection": "both", "bias": "up", "active_low": True, "event_clock": "monotonic"}
    }
    assert lines.read(3)["foam"].demand == [(3, True)]

    def busy(*_: object, **__: object) -> None:
        raise OSError(16, "Device or resource busy")

    monkeypatch.setattr(fake, "request_lines", busy)
    with pytest.raises(SourceError, match="busy"):
        open_source([channel("demand", 7)])
