"""How much of one core decoding and storing take: 2,000 pumps at 20 samples a second.

Printed with -s: python -m pytest -m slow tests/bench/test_intake_store_speed.py -s
"""

import resource
import time
from pathlib import Path

import numpy as np
import pytest

from monitor import wire
from monitor.intake.desk import Desk, Hooks, Raw
from monitor.site import Pump, Site
from monitor.store.embedded import EmbeddedStore
from monitor.wire import Message

pytestmark = pytest.mark.slow

PUMPS = 2000
SECONDS = 200
T0_S = 1_750_000_000


def payloads(second: int, rng: np.random.Generator) -> list[Raw]:
    """One second of every pump: a tenth of them drawing, message times off by 300 us."""
    out = []
    t0_us = (T0_S + second) * 1_000_000
    noise = rng.normal(1800, 1.2, (PUMPS, 20)).astype(np.int16)
    for i in range(PUMPS):
        start = t0_us + int(rng.integers(-300, 300))
        drawing = (i + second // 20) % 10 == 0
        strokes = np.array([second * 2 + 1, second * 2 + 2, second * 2 + 2] if drawing else [7])
        at = start + np.array([310_000, 790_000, 1_000_000] if drawing else [1_000_000])
        one = Message(
            f"s{i % 20}", f"p{i}", 5, second, start, 50_000, noise[i], 244.14, 0.0, at, strokes
        )
        out.append(Raw(wire.data_topic(one.site, one.pump), wire.encode_cbor(one)))
    return out


def test_two_thousand_pumps_take_well_under_a_core(tmp_path: Path) -> None:
    rng = np.random.default_rng(1)
    sites = [
        Site(id=f"s{k}", pumps=tuple(Pump(id=f"p{i}") for i in range(k, PUMPS, 20)))
        for k in range(20)
    ]
    store = EmbeddedStore(tmp_path / "store")
    desk = Desk(store, sites, Hooks(lambda _m: None, lambda _s: None))
    take, tend, worst = [], [], 0.0
    for second in range(SECONDS):
        batch = payloads(second, rng)
        began, wall = time.process_time(), time.perf_counter()
        desk.tell(desk.take(batch, T0_S + second + 1.0))
        middle = time.process_time()
        store.tend(T0_S + second + 1.0)
        take.append(middle - began)
        tend.append(time.process_time() - middle)
        worst = max(worst, time.perf_counter() - wall)
    stats = store.stats()
    store.close()
    size = sum(p.stat().st_size for p in (tmp_path / "store").glob("raw-*.db"))
    core = float(np.mean(take) + np.mean(tend))
    print(
        f"\n{PUMPS} pumps x 20/s: {100 * core:.1f} % of one core "
        f"(decode and journal {100 * np.mean(take):.1f}, fold {100 * np.mean(tend):.1f}), "
        f"longest second {worst:.2f} s, {size / (PUMPS * SECONDS * 20):.2f} bytes a sample, "
        f"{resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1000:.0f} MB at most"
    )
    assert stats["stored_messages"] == PUMPS * SECONDS
    assert core < 0.5
