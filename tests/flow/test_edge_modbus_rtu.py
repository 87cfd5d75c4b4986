"""Modbus RTU against pymodbus's own serial server, over two pseudo-terminals joined by a thread.

Without parity, which a pseudo-terminal refuses to set.
"""

import asyncio
import os
import select
import threading
from collections.abc import Iterator

import numpy as np
import pytest
from pymodbus.server import ModbusSerialServer
from pymodbus.simulator import DataType, SimData, SimDevice

from edge.sources.modbus import Modbus, open_source
from edge.sources.sampled import Channel

pytest.importorskip("serial", reason="the serial line needs pyserial, which is optional")


class Cable:
    """Two pseudo-terminals; what goes into one comes out of the other."""

    def __init__(self) -> None:
        (self._a, a), (self._b, b) = os.openpty(), os.openpty()
        self._slaves = (a, b)
        self.ends = (os.ttyname(a), os.ttyname(b))
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._carry, daemon=True)
        self._thread.start()

    def _carry(self) -> None:
        other = {self._a: self._b, self._b: self._a}
        while not self._stop.is_set():
            for end in select.select(list(other), [], [], 0.05)[0]:
                os.write(other[end], os.read(end, 4096))

    def cut(self) -> None:
        self._stop.set()
        self._thread.join(5)
        for end in (self._a, self._b, *self._slaves):
            os.close(end)


@pytest.fixture
def port() -> Iterator[str]:
    cable = Cable()
    device = SimDevice(3, [SimData(0, values=[0x47F1, 0x2000, 517], datatype=DataType.REGISTERS)])
    loop = asyncio.new_event_loop()
    ready = threading.Event()
    servers: list[ModbusSerialServer] = []

    async def serve() -> None:
        one = ModbusSerialServer(device, port=cable.ends[0], baudrate=19200, parity="N")
        await one.listen()
        servers.append(one)
        ready.set()

    def run() -> None:
        asyncio.set_event_loop(loop)
        loop.run_until_complete(serve())
        loop.run_forever()

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    assert ready.wait(10)
    yield cable.ends[1]
    asyncio.run_coroutine_threadsafe(servers[0].shutdown(), loop).result(10)
    loop.call_soon_threadsafe(loop.stop)
    thread.join(10)
    loop.close()
    cable.cut()


def channel(port: str, register: int, **more: object) -> Channel[Modbus]:
    settings = {"source": "modbus", "port": port, "parity": "N", "unit": 3, "register": register}
    settings |= more
    return Channel("foam", "pressure", Modbus.model_validate(settings))


def test_values_over_a_serial_line(port: str) -> None:
    source = open_source([channel(port, 0, type="float32")])
    source.sample(0)
    assert source.read(0)["foam"].pressure_pa == pytest.approx([123456.0])
    source.close()


def test_a_unit_that_does_not_answer_is_no_reading(port: str) -> None:
    source = open_source([channel(port, 0, unit=9)])
    source.sample(0)
    pressure = source.read(0)["foam"].pressure_pa
    assert pressure is not None
    assert np.isnan(pressure).all()
    source.close()
