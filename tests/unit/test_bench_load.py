"""The benchmark's load is what it says: a counter that only grows, messages that decode."""

import itertools

import numpy as np
import pytest

from monitor import wire
from monitor.service import bench, bench_load


def test_messages_of_a_pump_follow_each_other() -> None:
    made = [bench_load.message(7, s) for s in range(1500)]  # over two laps of the ten minutes
    totals = np.concatenate([m.stroke_total for m in made])
    assert (np.diff(totals) >= 0).all()
    assert totals[-1] - totals[0] > 50
    assert all(b.t0_us == a.end_us for a, b in itertools.pairwise(made))


def test_payloads_decode_to_what_was_sent() -> None:
    raw = bench_load.payloads(3, 5)[2]
    got, sent = wire.decode(raw.topic, raw.payload), bench_load.message(2, 5)
    assert (got.site, got.pump, got.seq) == (sent.site, sent.pump, sent.seq)
    assert np.array_equal(got.samples, sent.samples)


def test_sites_hold_every_pump_once() -> None:
    pumps = [(s.id, p.id) for s in bench_load.sites(45) for p in s.pumps]
    assert len(set(pumps)) == 45
    assert pumps[-1] == ("s2", "p44")
    made = bench_load.message(44, 0)
    assert (made.site, made.pump) == pumps[-1]


@pytest.mark.slow
def test_a_size_is_measured_in_all_its_parts(tmp_path) -> None:
    got = bench.parts(20, 4, tmp_path)
    assert min(got.decode_us, got.store_us, got.assemble_us, got.watch_us) > 0
    assert got.cores * 1e6 / 20 == pytest.approx(got.total_us)
    # Goal: 2,000 pumps on one and a half cores. A tenth of that is allowed for a busy machine.
    assert got.total_us < 7500
