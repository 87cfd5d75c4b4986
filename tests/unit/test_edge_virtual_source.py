"""The adapter between the virtual site and the node."""

from pathlib import Path
from types import SimpleNamespace

import numpy as np

from edge.pace import Pace
from edge.sources.virtual import Virtual, VirtualPumps, open_source

T0 = 1_764_000_000.0


def test_chunks_become_readings() -> None:
    asked: list[float] = []

    def advance(to_ts: float) -> dict[str, SimpleNamespace]:
        asked.append(to_ts)
        chunk = SimpleNamespace(
            t0_ts=T0 + 1.0,
            dt_s=0.05,
            pressure_pa=np.array([4e5, np.nan, 4e5]),
            stroke_ts=np.array([T0 + 1.05]),
            demand=np.array([1.0, 1.0, 0.0]),
            air_pa=np.array([5e5, np.nan, 7e5]),
            silent=False,
        )
        return {"foam": chunk, "wax": SimpleNamespace(**{**chunk.__dict__, "silent": True})}

    source = VirtualPumps(advance, Pace(round(T0 * 1e6), speed=20))
    source.read(0)
    reading = source.read(50_000)["foam"]
    assert asked == [T0, T0 + 1.0]
    at = round((T0 + 1.0) * 1e6)
    assert (reading.t0_us, reading.step_us) == (at, 50_000)
    assert list(reading.strokes) == [(at, 1), (at + 50_000, 2)]
    assert reading.air_pa == 6e5
    assert reading.failed_reads == 1
    assert list(reading.demand) == [(at, True), (at + 100_000, False)]
    assert "wax" not in source.read(60_000)


def test_a_virtual_site_file_is_opened(tmp_path: Path) -> None:
    path = tmp_path / "site.toml"
    path.write_text('site = "pine-hollow"\npattern = "demo"\n[[pump]]\nid = "foam"\n')
    source, pumps = open_source(Virtual(file=path, speed=4), round(T0 * 1e6))
    source.read(0)
    reading = source.read(1_000_000)["foam"]
    assert pumps == ("foam",)
    assert reading.pressure_pa is not None
    assert len(reading.pressure_pa) == 80
