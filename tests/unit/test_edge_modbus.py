"""Modbus values and their byte orders, without a server. 123456.0 as float32 is 47F12000 and
305419896 is 12345678 in hexadecimal (IEEE 754, integer notation)."""

from types import SimpleNamespace

import numpy as np
import pytest

from edge.sources.modbus import Line, Modbus, Order, blocks, value_of
from edge.sources.sampled import Channel


@pytest.mark.parametrize(
    ("registers", "order"),
    [
        ([0x1234, 0x5678], "ABCD"),
        ([0x5678, 0x1234], "CDAB"),
        ([0x3412, 0x7856], "BADC"),
        ([0x7856, 0x3412], "DCBA"),
    ],
)
def test_32_bit_byte_orders(registers: list[int], order: Order) -> None:
    assert value_of(registers, "uint32", order) == 0x12345678


def test_types() -> None:
    assert value_of([0xFFFE], "int16", "ABCD") == -2
    assert value_of([0xFEFF], "int16", "BADC") == -2
    assert value_of([0xFFFF], "uint16", "ABCD") == 65535
    assert value_of([0xFFFF, 0xFFFE], "int32", "ABCD") == -2
    assert value_of([0x47F1, 0x2000], "float32", "ABCD") == 123456.0


def settings(**more: object) -> Modbus:
    base = {"source": "modbus", "host": "127.0.0.1", "register": 0}
    return Modbus.model_validate({**base, **more})


def test_neighbours_are_read_together_and_far_ones_apart() -> None:
    found = blocks(
        [
            settings(register=10, type="uint32"),
            settings(register=0),
            settings(register=300),
            settings(register=5, table="input"),
            settings(register=5, unit=2),
        ]
    )
    assert found == [
        (1, "holding", 0, 12),
        (1, "holding", 300, 1),
        (1, "input", 5, 1),
        (2, "holding", 5, 1),
    ]


class FakeClient:
    def __init__(self) -> None:
        self.reachable = True
        self.failing = False
        self.registers = [0] * 200
        self.connects = 0

    def connect(self) -> bool:
        self.connects += 1
        return self.reachable

    def close(self) -> None:
        pass

    def read_holding_registers(self, address: int, *, count: int, device_id: int) -> object:
        assert device_id == 1
        if self.failing:
            raise OSError("broken pipe")
        found = self.registers[address : address + count]
        return SimpleNamespace(registers=found, isError=lambda: False)

    read_input_registers = read_holding_registers


def test_back_off_grows_while_the_device_is_away_and_ends_when_it_is_back() -> None:
    client, now = FakeClient(), [0.0]
    client.reachable = False
    line = Line(client, [Channel("foam", "pressure", settings())], clock=lambda: now[0])
    for _ in range(600):
        assert np.isnan(line.scan()[0])
        now[0] += 0.1
    assert client.connects == 6, "at 0, 1, 3, 7, 15 and 31 s of the first minute"
    client.reachable = True
    now[0] += 31
    assert line.scan() == (0.0,)
    client.failing = True
    assert np.isnan(line.scan()[0])
    client.failing = False
    now[0] += 1.01
    assert line.scan() == (0.0,)


def test_values_that_mean_no_reading() -> None:
    client = FakeClient()
    client.registers[0] = 0x8000
    line = Line(client, [Channel("foam", "pressure", settings(type="int16", invalid=[-32768]))])
    assert np.isnan(line.scan()[0])


def test_scale_calibration_and_zero() -> None:
    one = settings(scale_pa=100.0, offset_pa=50.0, zero_pa=25.0)
    assert one.pressure_pa(np.array([10.0])) == pytest.approx([1025.0])


@pytest.mark.parametrize(
    ("more", "word"),
    [
        ({"host": None}, "either"),
        ({"port": "/dev/ttyUSB0"}, "either"),
        ({"register": 65535, "type": "uint32"}, "beyond"),
        ({"calibration": [{"shown_pa": 0, "true_pa": 0}]}, "two points"),
    ],
)
def test_settings_that_cannot_work(more: dict[str, object], word: str) -> None:
    assert any(word in fault for fault in settings(**more).faults())
