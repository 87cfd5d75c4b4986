"""A counter in a file: changes get times, absence is no reading, wraps lose nothing."""

from pathlib import Path

from edge.sources.counter_file import CounterFile, open_source
from edge.sources.sampled import Channel


def test_strokes_from_a_file(tmp_path: Path) -> None:
    path = tmp_path / "count"
    settings = CounterFile(
        source="counter_file", path=path, wraps_at_bits=16, strokes_per_pulse=2, rate_hz=10
    )
    source = open_source([Channel("foam", "strokes", settings)])
    for tick, text in enumerate(["65534\n", "65535\n", "", "1\n", "1\n", "x"]):
        path.write_text(text)
        source.sample(tick * 100_000)
    assert source.read(0)["foam"].strokes == [(0, 0), (100_000, 2), (300_000, 6)]
    path.unlink()
    source.sample(600_000)
    assert source.read(0)["foam"].strokes == []
