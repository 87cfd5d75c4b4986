"""The golden messages document the wire: every good one is read, every bad one refused so."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from monitor.errors import BadMessage
from monitor.wire import Message, data_topic, decode

GOLDEN = Path(__file__).parent.parent / "golden"
TOPIC = data_topic("maple-street", "presoak-1")
GOOD: dict[str, Any] = json.loads((GOLDEN / "good" / "expected.json").read_text())
BAD: dict[str, str] = json.loads((GOLDEN / "bad" / "expected.json").read_text())


def seen(message: Message) -> dict[str, Any]:
    pressure = [None if p != p else round(p, 6) for p in message.pressure_pa().tolist()]
    demand_t, demand_on = message.demand_t_us, message.demand_on
    return {
        "boot": message.boot,
        "seq": message.seq,
        "t0_us": message.t0_us,
        "dt_us": message.dt_us,
        "pressure_pa": pressure,
        "stroke_t_us": message.stroke_t_us.tolist(),
        "stroke_total": message.stroke_total.tolist(),
        "demand_t_us": None if demand_t is None else demand_t.tolist(),
        "demand_on": None if demand_on is None else demand_on.tolist(),
        "air_pa": message.air_pa,
        "clock_ok": message.clock_ok,
        "historical": message.historical,
        "failed_reads": message.failed_reads,
    }


@pytest.mark.parametrize("form", ["json", "cbor"])
@pytest.mark.parametrize("name", sorted(GOOD))
def test_good_message_says_what_it_should(name: str, form: str) -> None:
    message = decode(TOPIC, (GOLDEN / "good" / f"{name}.{form}").read_bytes())
    assert seen(message) == GOOD[name]


@pytest.mark.parametrize("name", sorted(BAD))
def test_bad_message_is_refused_with_its_reason(name: str) -> None:
    with pytest.raises(BadMessage) as caught:
        decode(TOPIC, (GOLDEN / "bad" / name).read_bytes())
    assert caught.value.reason == BAD[name]
    assert str(caught.value).startswith(f"{BAD[name]}: "), "a detail says where"


def test_every_golden_file_is_listed() -> None:
    good = {p.name for p in (GOLDEN / "good").iterdir()} - {"expected.json"}
    assert good == {f"{name}.{form}" for name in GOOD for form in ("json", "cbor")}
    assert {p.name for p in (GOLDEN / "bad").iterdir()} - {"expected.json"} == set(BAD)


def test_counts_stay_counts_and_plain_values_become_pascal() -> None:
    counts = decode(TOPIC, (GOLDEN / "good" / "counts-least.cbor").read_bytes())
    assert counts.samples.dtype == np.int16
    assert counts.scale_pa == 37.5
    plain = decode(TOPIC, (GOLDEN / "good" / "plain-hectopascal.json").read_bytes())
    assert plain.samples.dtype == np.float64
    assert (plain.scale_pa, plain.offset_pa) == (1.0, 0.0)
    assert plain.samples[0] == 400_000.0


@pytest.mark.parametrize(
    "topic",
    [
        "strokewise/1/maple-street/presoak-1",
        "strokewise/2/maple-street/presoak-1/data",
        "strokewise/1/maple-street/presoak-1/data/x",
        "strokewise/1//presoak-1/data",
        "strokewise/1/maple-street/pre soak/data",
        "strokewise/1/maple-street/presoak-1/command",
        "strokewise/1/maple-street/presoak-1/status",
        "strokewise/1/maple-street/" + "x" * 49 + "/data",
    ],
)
def test_topics_that_are_not_ours_are_refused(topic: str) -> None:
    with pytest.raises(BadMessage) as caught:
        decode(topic, (GOLDEN / "good" / "counts-least.json").read_bytes())
    assert caught.value.reason == "bad topic"
