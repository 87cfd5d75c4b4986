"""Memory of `strokewise serve` after its pumps' models were fitted, by the real service.

Printed with -s: python -m pytest -m slow tests/bench/speed/test_memory_fitted.py -s
"""

import threading
from pathlib import Path

import pytest

from monitor.clock import now_ts
from monitor.service import bench_load as load
from monitor.service.bench import MODELLED
from monitor.service.bench_serve import Served
from monitor.service.stores import open_folder
from monitor.store.episodes import EpisodeBook

pytestmark = pytest.mark.slow

GOAL_MB = {20: 150.0, 200: 400.0}
"""150 for 20 pumps is the goal; 200 is held to a step on the way to 1 GB for 2,000."""
WITHIN_S = 240.0


@pytest.mark.parametrize("pumps", sorted(GOAL_MB))
def test_a_service_stays_small_after_its_models_are_fitted(tmp_path: Path, pumps: int) -> None:
    served = Served(tmp_path, pumps)
    store = open_folder(tmp_path / "data", read_only=False)
    book, end_ts = EpisodeBook(store.core), now_ts()
    for site in load.sites(pumps):
        for pump in site.pumps:
            book.add(site.id, *load.past(int(pump.id[1:]), end_ts))
    store.close()
    start_s = served.start()
    start_cpu_s, at_start_mb, waiting = served.cpu_s(), served.memory_mb(), threading.Event()
    try:
        for _ in range(int(WITHIN_S)):
            if served.metric("strokewise_fits_done_total") >= MODELLED * pumps:
                break
            waiting.wait(1.0)
        fitted = served.metric("strokewise_fits_done_total")
        memory_mb = served.memory_mb()
    finally:
        served.stop()
    print(
        f"\n{pumps} pumps with 15 hours behind them: first page after {start_s:.1f} s "
        f"({start_cpu_s:.1f} s CPU), {at_start_mb:.0f} MB; {fitted:.0f} fits later "
        f"{memory_mb:.0f} MB"
    )
    assert fitted >= MODELLED * pumps
    assert memory_mb < GOAL_MB[pumps]
