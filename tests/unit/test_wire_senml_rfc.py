"""The example packs of RFC 8428 section 5.1 and the CBOR dump of its section 6, RFC 9100 rules."""

import json

import pytest

from monitor import senml
from monitor.errors import BadMessage
from monitor.senml import resolve

NAME = "urn:dev:ow:10e2073a01080063"

PACK_3 = (
    '[{"bn":"urn:dev:ow:10e2073a0108006:","bt":1.276020076001e+09,"bu":"A","bver":5,'
    '"n":"voltage","u":"V","v":120.1},{"n":"current","t":-5,"v":1.2},'
    '{"n":"current","t":-4,"v":1.3},{"n":"current","t":-3,"v":1.4},'
    '{"n":"current","t":-2,"v":1.5},{"n":"current","t":-1,"v":1.6},{"n":"current","v":1.7}]'
)
CBOR_PACK_3 = bytes.fromhex(
    "87a721781b75726e3a6465763a6f773a313065323037336130313038303036"
    "3a22fb41d303a15b00106223614120050067766f6c74616765016156"
    "02fb405e066666666666a3006763757272656e74062402fb3ff3333333333333"
    "a3006763757272656e74062302fb3ff4cccccccccccda3006763757272656e74"
    "062202fb3ff6666666666666a3006763757272656e74062102f93e00"
    "a3006763757272656e74062002fb3ff999999999999aa3006763757272656e74"
    "060002fb3ffb333333333333"
)
PACK_5 = (
    '[{"bn":"urn:dev:ow:10e2073a01080063","bt":1.320067464e+09,"bu":"%RH","v":20},'
    '{"u":"lon","v":24.30621},{"u":"lat","v":60.07965},{"t":60,"v":20.3},'
    '{"u":"lon","t":60,"v":24.30622},{"u":"lat","t":60,"v":60.07965},{"t":120,"v":20.7},'
    '{"u":"lon","t":120,"v":24.30623},{"u":"lat","t":120,"v":60.07966},'
    '{"u":"%EL","t":150,"v":98},{"t":180,"v":21.2},{"u":"lon","t":180,"v":24.30628},'
    '{"u":"lat","t":180,"v":60.07967}]'
)
RESOLVED_5 = [
    ("%RH", 1320067464, 20),
    ("lon", 1320067464, 24.30621),
    ("lat", 1320067464, 60.07965),
    ("%RH", 1320067524, 20.3),
    ("lon", 1320067524, 24.30622),
    ("lat", 1320067524, 60.07965),
    ("%RH", 1320067584, 20.7),
    ("lon", 1320067584, 24.30623),
    ("lat", 1320067584, 60.07966),
    ("%EL", 1320067614, 98),
    ("%RH", 1320067644, 21.2),
    ("lon", 1320067644, 24.30628),
    ("lat", 1320067644, 60.07967),
]


def reason(pack: bytes) -> str:
    with pytest.raises(BadMessage) as caught:
        resolve(pack)
    return caught.value.reason


def rows(*records: dict[str, object]) -> bytes:
    return json.dumps(records).encode()


def test_single_datapoint_is_roughly_now() -> None:
    (record,) = resolve(f'[{{"n":"{NAME}","u":"Cel","v":23.1}}]'.encode())
    assert record == senml.Record(NAME, "Cel", 0, 23.1)


def test_base_name_is_put_before_each_name() -> None:
    pack = f'[{{"bn":"{NAME}:","n":"voltage","u":"V","v":120.1}},{{"n":"current","u":"A","v":1.2}}]'
    names = [(r.name, r.unit, r.value) for r in resolve(pack.encode())]
    assert names == [(f"{NAME}:voltage", "V", 120.1), (f"{NAME}:current", "A", 1.2)]


@pytest.mark.parametrize("pack", [PACK_3.encode(), CBOR_PACK_3], ids=["json", "cbor"])
def test_pack_with_old_version_and_negative_times(pack: bytes) -> None:
    records = resolve(pack)
    base = "urn:dev:ow:10e2073a0108006:"
    current = [(r.time_us, r.value) for r in records if r.name == base + "current"]
    assert current == [
        (1276020071001000 + i * 1_000_000, v) for i, v in enumerate([1.2, 1.3, 1.4, 1.5, 1.6, 1.7])
    ]
    (voltage,) = [r for r in records if r.name == base + "voltage"]
    assert (voltage.unit, voltage.value, voltage.time_us) == ("V", 120.1, 1276020076001000)
    assert {r.unit for r in records if r is not voltage} == {"A"}


def test_the_cbor_dump_is_what_we_write_too() -> None:
    assert len(CBOR_PACK_3) == 195
    pack = json.loads(PACK_3)
    pack[-1] = {"n": "current", "t": 0, "v": 1.7}
    ours = senml.to_cbor(pack)
    assert resolve(ours) == resolve(CBOR_PACK_3)
    assert len(ours) <= 195 + 6, "1.5 is a half float in the dump and may be a double in ours"


def test_open_stream_of_humidity() -> None:
    pack = (
        f'[{{"bn":"{NAME}","bt":1.320067464e+09,"bu":"%RH","v":21.2}},'
        '{"t":10,"v":21.3},{"t":20,"v":21.4},{"t":30,"v":21.4}]'
    )
    assert [(r.time_us // 1_000_000 - 1320067464, r.value) for r in resolve(pack.encode())] == [
        (0, 21.2),
        (10, 21.3),
        (20, 21.4),
        (30, 21.4),
    ]


def test_three_quantities_under_one_name() -> None:
    records = resolve(PACK_5.encode())
    assert {r.name for r in records} == {NAME}
    assert [(r.unit, r.time_us // 1_000_000, r.value) for r in records] == RESOLVED_5


def test_every_kind_of_value() -> None:
    pack = (
        f'[{{"bn":"{NAME}:","n":"temp","u":"Cel","v":23.1}},{{"n":"label","vs":"Machine Room"}},'
        '{"n":"open","vb":false},{"n":"nfc-reader","vd":"aGkgCg"}]'
    )
    assert [r.value for r in resolve(pack.encode())] == [23.1, "Machine Room", False, b"hi \n"]


def test_base_name_may_change_and_base_time_stay() -> None:
    pack = (
        '[{"bn":"2001:db8::2/","bt":1.320078429e+09,"n":"temperature","u":"Cel","v":25.2},'
        '{"n":"humidity","u":"%RH","v":30},'
        '{"bn":"2001:db8::1/","n":"temperature","u":"Cel","v":12.3},'
        '{"n":"humidity","u":"%RH","v":67}]'
    )
    last = resolve(pack.encode())[-1]
    assert (last.name, last.time_us) == ("2001:db8::1/humidity", 1320078429000000)


def test_several_names_without_base_name() -> None:
    pack = (
        '[{"bt":1.320078429e+09,"bu":"/","n":"2001:db8::3","v":0.5},{"n":"2001:db8::4","v":0.5},'
        '{"n":"2001:db8::3","t":0.1,"v":0},{"n":"2001:db8::4","t":0.1,"v":0}]'
    )
    assert [(r.name[-1], r.unit, r.value) for r in resolve(pack.encode())] == [
        ("3", "/", 0.5),
        ("4", "/", 0.5),
        ("3", "/", 0),
        ("4", "/", 0),
    ]


@pytest.mark.parametrize("version", [1, 5, 9, 10, 26])
def test_versions_we_understand(version: int) -> None:
    assert resolve(rows({"bver": version, "n": "a", "v": 1}))[0].version == version


@pytest.mark.parametrize("version", [11, 14, 27, 42, 58, 0, -10, 10.5])
def test_versions_we_do_not_understand(version: float) -> None:
    assert reason(rows({"bver": version, "n": "a", "v": 1})) == "bad version"


def test_version_is_the_same_in_the_whole_pack() -> None:
    assert (
        reason(rows({"n": "a", "v": 1}, {"bver": 26, "n": "a", "v": 1, "u": "hPa"}))
        == "bad version"
    )
    assert resolve(rows({"bver": 26, "n": "a", "v": 1, "u": "hPa"}, {"bver": 26, "n": "a", "v": 1}))


def test_secondary_unit_needs_its_feature_bit() -> None:
    assert reason(rows({"n": "a", "u": "mA", "v": 4})) == "bad version"


def test_label_that_must_be_understood() -> None:
    assert reason(rows({"n": "a", "v": 1, "must_": 0})) == "bad label"
    assert resolve(rows({"n": "a", "v": 1, "may": 0}))[0].value == 1


def test_integer_labels_unknown_to_us_are_ignored_in_cbor() -> None:
    pack = senml.cbor2.dumps([{0: "a", 2: 1, 99: "x", "new": 1}])
    assert resolve(pack)[0].value == 1


def test_streamed_cbor_is_an_indefinite_array() -> None:
    assert resolve(b"\x9f\xa2\x00\x61a\x02\x01\xff")[0].value == 1


def test_base_value_and_base_sum_are_added_and_missing_addends_are_zero() -> None:
    records = resolve(rows({"bv": 20, "bs": 3, "n": "a", "v": 1.5, "s": 4}, {"n": "b"}))
    assert [(r.value, r.sum) for r in records] == [(21.5, 7.0), (20, 3)]


def test_sum_alone_is_a_record() -> None:
    assert resolve(rows({"n": "a", "s": 4}))[0][3:5] == (None, 4.0)


def test_update_time_is_kept() -> None:
    assert resolve(rows({"n": "a", "v": 1, "ut": 60}))[0].update_s == 60


def test_time_below_two_to_the_28_is_relative_to_now() -> None:
    now_us = 1_764_000_000_000_000
    pack = rows({"n": "a", "v": 1, "t": -5}, {"n": "b", "v": 1, "t": 2**28})
    by_name = {r.name: r.time_us for r in resolve(pack, now_us)}
    assert by_name == {"a": now_us - 5_000_000, "b": 268_435_456_000_000}


def test_resolved_records_are_in_order_of_time() -> None:
    pack = rows({"n": "a", "v": 2, "t": 2e9}, {"n": "a", "v": 1, "t": 1e9})
    assert [r.value for r in resolve(pack)] == [1, 2]


@pytest.mark.parametrize("name", ["", "-a", ":a", "_a", "a b", "å", "a\n", "a#"])
def test_names_outside_the_alphabet_are_refused(name: str) -> None:
    assert reason(rows({"n": name, "v": 1})) == "bad name"


@pytest.mark.parametrize(
    "record",
    [
        {"n": 1, "v": 1},
        {"n": "a", "v": "1"},
        {"n": "a", "v": True},
        {"n": "a", "vb": 1},
        {"n": "a", "vs": 1},
        {"n": "a", "vd": "aGkgCg=="},
        {"n": "a", "vd": "a"},
        {"n": "a", "v": 1, "t": "x"},
        {"n": "a", "u": None, "v": 1},
        {"n": "a", "v": 1, "vs": "x"},
        {"n": "a"},
    ],
)
def test_values_of_the_wrong_kind_are_refused(record: dict[str, object]) -> None:
    assert reason(rows(record)) == "bad value"
