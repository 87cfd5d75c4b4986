"""How many of the edge's own messages a second one core decodes; prints the figure."""

import time

import numpy as np
import pytest

from monitor.wire import Message, data_topic, decode, encode_cbor

FLOOR_PER_S = 4_000
"""Far under what an idle core does, so that a busy machine does not fail the suite."""


@pytest.mark.slow
def test_decoding_speed_of_counts_in_cbor() -> None:
    t0_us = 1_764_000_000_000_000
    message = Message(
        site="maple-street",
        pump="presoak-1",
        boot=1,
        seq=2,
        t0_us=t0_us,
        dt_us=50_000,
        samples=np.arange(20, dtype=np.int16),
        scale_pa=37.5,
        offset_pa=-1000.0,
        stroke_t_us=t0_us + np.array([100_000, 500_000, 1_000_000]),
        stroke_total=np.array([7, 8, 8]),
        demand_t_us=np.array([t0_us]),
        demand_on=np.array([True]),
        air_pa=4.1e5,
    )
    topic, payload = data_topic("maple-street", "presoak-1"), encode_cbor(message)
    rates = []
    for _ in range(5):
        start = time.perf_counter()
        for _ in range(2_000):
            decode(topic, payload)
        rates.append(2_000 / (time.perf_counter() - start))
    print(f"\ndecode, CBOR counts, {len(payload)} bytes: best of 5 {max(rates):,.0f} a second")
    assert max(rates) > FLOOR_PER_S
