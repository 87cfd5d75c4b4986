"""What nodes and the monitor say of themselves: bad words are refused with a reason."""

import json

import pytest

from monitor.errors import BadMessage
from monitor.wire import decode_status, decode_wanted, parse_topic, status_topic, wanted_topic

STATUS = status_topic("maple-street", "wall-1")
WANTED = wanted_topic("maple-street", "wall-1")


def pack(*records: dict[str, object]) -> bytes:
    return json.dumps([{"bn": "maple-street:wall-1:"} | r for r in records]).encode()


def test_topic_parts() -> None:
    assert parse_topic(STATUS) == ("maple-street", "wall-1", "status")


def test_status_ignores_records_it_does_not_know() -> None:
    status = decode_status(
        STATUS, pack({"n": "online", "vb": True, "t": 1.5e9}, {"n": "x", "v": 1})
    )
    assert (status.online, status.ts, status.lost) == (True, 1.5e9, ())


@pytest.mark.parametrize(
    ("topic", "payload", "reason"),
    [
        (STATUS, pack({"n": "clock", "vb": True}), "missing record"),
        (STATUS, pack({"n": "online", "v": 1}), "bad value"),
        (STATUS, pack({"n": "online", "vb": True}, {"n": "version", "v": 1}), "bad value"),
        (STATUS, pack({"n": "online", "vb": True}, {"n": "dropped", "v": -1}), "bad number"),
        (STATUS, b'[{"n":"maple-street:wall-2:online","vb":true}]', "name mismatch"),
        (WANTED, pack({"n": "online", "vb": True}), "bad topic"),
    ],
)
def test_bad_status(topic: str, payload: bytes, reason: str) -> None:
    with pytest.raises(BadMessage) as caught:
        decode_status(topic, payload)
    assert caught.value.reason == reason


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("p1:1:5", "bad value"),
        ("p 1:1:5-6", "bad value"),
        ("p1:-1:5-6", "bad value"),
        ("p1:1:6-5", "bad number"),
        ("p1:4294967296:5-6", "bad number"),
        ("p1:1:5-4294967296", "bad number"),
    ],
)
def test_bad_ranges(text: str, reason: str) -> None:
    with pytest.raises(BadMessage) as caught:
        decode_wanted(WANTED, pack({"n": "wanted", "vs": text}))
    assert caught.value.reason == reason
