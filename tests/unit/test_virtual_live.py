"""Virtual sites: the file, the shared air, live against batch."""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from edge.virtual.live import LiveSite, load_script, load_site
from edge.virtual.site import AirMain, shared, simulate_site
from edge.virtual.spec import PSI, Fault, PumpSpec, SitePump, SiteSpec
from monitor.errors import BadSettings

T0 = 1_700_000_000.0
DEMO = Path(__file__).parents[2] / "monitor" / "cli" / "demo_files" / "virtual.toml"
SITE = SiteSpec(
    "elm-bend",
    tuple(SitePump(f"p{i}", PumpSpec(lift_m=0.5), air_fitted=True) for i in range(4)),
    pattern="demo",
)


def test_live_in_odd_bites_equals_one_go():
    faults = {"p1": (Fault("missed prime", T0 + 30.0),), "p2": (Fault("low air", T0 + 40, 20.0),)}
    whole = simulate_site(SITE, 3, (T0, T0 + 120.0), faults)
    live = LiveSite(SITE, 3, T0, faults)
    parts = []
    for step in range(1, 41):
        parts.append(live.advance(T0 + 3.0 * step - 0.7 * (step % 3 == 1)))
    parts.append(live.advance(T0 + 120.0))
    for name, trace in whole.items():
        for field in ("pressure_pa", "stroke_ts", "air_pa"):
            joined = np.concatenate([getattr(p[name], field) for p in parts if name in p])
            np.testing.assert_allclose(joined, getattr(trace, field), atol=1e-6, err_msg=name)


def test_chunks_follow_each_other_without_gap():
    live = LiveSite(SITE, 1, T0)
    before = live.advance(T0 + 1.0)["p0"]
    after = live.advance(T0 + 2.0)["p0"]
    assert after.t0_ts == pytest.approx(before.t0_ts + len(before.pressure_pa) * before.dt_s)
    assert len(after.pressure_pa) == 20


def test_a_small_compressor_lets_all_pumps_sag_together():
    # Four dry pumps take about 4 x 1.2 L/s of free air; this one gives 1.
    weak = replace(SITE, compressor_l_s=1.0, receiver_l=40.0)
    dry = shared(Fault("missed prime", T0 + 5.0), weak)
    traces = simulate_site(weak, 3, (T0, T0 + 120.0), dry)
    for trace in traces.values():
        assert trace.air_pa is not None
        assert np.median(trace.air_pa[-200:]) < 40 * PSI
    healthy = simulate_site(weak, 3, (T0, T0 + 120.0))
    for trace in healthy.values():
        assert trace.air_pa is not None
        assert np.median(trace.air_pa[-200:]) > 55 * PSI


def test_the_compressor_runs_between_its_two_pressures():
    main = AirMain(SITE)
    seen = []
    for _ in range(4000):
        main.after(0.5e-3, 0.5)
        seen.append(main.receiver_pa)
    settled = np.array(seen[400:])
    assert settled.min() > SITE.low_pa - 2 * PSI
    assert settled.max() <= SITE.high_pa
    assert settled.max() - settled.min() > 0.8 * (SITE.high_pa - SITE.low_pa)


def test_demo_file_shows_four_troubles_and_keeps_two_pumps_well():
    live = load_site(DEMO, T0)
    chunks = live.advance(T0 + 600.0)
    assert len(chunks) == 6

    def strokes(pump, start_s, end_s):
        ts = chunks[pump].stroke_ts - T0
        return np.sum((ts >= start_s) & (ts < end_s))

    def psi(pump, start_s, end_s):
        return np.median(chunks[pump].pressure_pa[int(start_s * 20) : int(end_s * 20)]) / PSI

    assert psi("presoak", 200, 300) < 0.8 * psi("presoak", 10, 85)
    assert psi("presoak", 570, 600) > 0.9 * psi("presoak", 10, 85)
    assert strokes("foam", 200, 300) > 300
    assert strokes("foam", 520, 600) < 60
    assert strokes("wheel-acid", 200, 300) > 1.7 * strokes("wheel-acid", 10, 110)
    assert chunks["wax"].demand is not None
    quiet = [
        ts for ts in chunks["wax"].stroke_ts
        if ts > T0 + 70 and not chunks["wax"].demand[int((ts - T0) * 20) - 40]
    ]  # fmt: skip
    assert len([ts for ts in quiet if ts < T0 + 300]) >= 6
    assert np.sum(np.diff(chunks["wax"].demand) > 0) <= 5, "its own, quieter pattern"
    assert np.sum(np.diff(chunks["foam"].demand) > 0) > 15
    for well in ("rinse-aid", "tire-dressing"):
        assert strokes(well, 300, 600) == pytest.approx(strokes(well, 0, 300), rel=0.5)


def test_a_common_air_fault_stands_on_every_pump(tmp_path):
    path = tmp_path / "virtual.toml"
    path.write_text(
        'site = "x"\nreceiver_l = 90\n[[air_fault]]\nkind = "low air"\nonset_s = 60\n'
        '[[pump]]\nid = "a"\n[[pump]]\nid = "b"\nset_psi = 50\n'
        '  [[pump.fault]]\n  kind = "worn pump"\n',
        encoding="utf-8",
    )
    script = load_script(path)
    assert script.site.receiver_l == 90
    assert [f.kind for f in script.faults["a"]] == ["low air"]
    assert [f.kind for f in script.faults["b"]] == ["worn pump", "low air"]
    assert load_site(path, T0).faults["a"][0].onset_ts == T0 + 60


def test_every_fault_of_a_bad_file_is_told_at_once(tmp_path):
    path = tmp_path / "virtual.toml"
    path.write_text(
        'site = "x"\npattern = "nights"\nspeed = 3\nreceiver_l = "big"\nair_fault = 3\n'
        '[[pump]]\nset_psi = "sixty"\ncolour = "red"\ntip_mm = 0\n'
        '[[pump]]\nid = "b"\n'
        '[[pump]]\nid = "b"\npattern = "rarely"\n'
        '  [[pump.fault]]\n  kind = "bad mood"\n  since = 3\n  severity = 7\n'
        '  [[pump.fault]]\n  kind = "airlock"\n  variant = "odd"\n',
        encoding="utf-8",
    )
    with pytest.raises(BadSettings) as caught:
        load_script(path)
    text = str(caught.value)
    for word in (
        "nights", "speed", "colour", "id: missing", "rarely", "bad mood", "since", "odd",
        "sixty", "big", "air_fault", "tip_m must be", "severity: 7", "'b' is there twice",
    ):  # fmt: skip
        assert word in text, text
    path.write_text("pump = [", encoding="utf-8")
    with pytest.raises(BadSettings):
        load_script(path)
