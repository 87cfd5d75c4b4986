"""The Modbus source against pymodbus's own server over TCP on a free port of the loopback."""

import asyncio
import threading
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pytest
from pymodbus.client import ModbusTcpClient
from pymodbus.server import ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from edge.sources.modbus import Modbus, open_source
from edge.sources.sampled import Channel
from edge.sources.source import Role


@dataclass
class Running:
    """The server's port; writing goes the way any client writes (function 16)."""

    port: int

    def write(self, first: int, values: list[int]) -> None:
        with ModbusTcpClient("127.0.0.1", port=self.port) as client:
            assert not client.write_registers(first, values, device_id=1).isError()


@pytest.fixture
def server() -> Iterator[Running]:
    device = SimDevice(1, [SimData(0, count=50, values=0, datatype=DataType.REGISTERS)])
    loop = asyncio.new_event_loop()
    ready = threading.Event()
    found: list[ModbusTcpServer] = []

    async def serve() -> None:
        one = ModbusTcpServer(device, address=("127.0.0.1", 0))
        await one.listen()
        found.append(one)
        ready.set()

    def run() -> None:
        asyncio.set_event_loop(loop)
        loop.run_until_complete(serve())
        loop.run_forever()

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    assert ready.wait(10)
    port = found[0].transport.sockets[0].getsockname()[1]
    yield Running(port)
    asyncio.run_coroutine_threadsafe(found[0].shutdown(), loop).result(10)
    loop.call_soon_threadsafe(loop.stop)
    thread.join(10)
    loop.close()


def channel(role: Role, port: int, register: int, **more: object) -> Channel[Modbus]:
    settings = {
        "source": "modbus",
        "host": "127.0.0.1",
        "tcp_port": port,
        "register": register,
        **more,
    }
    return Channel("foam", role, Modbus.model_validate(settings))


def test_pressure_strokes_demand_and_air_of_one_pump(server: Running) -> None:
    server.write(0, [4137, 0x0001, 0xFFFE, 1, 4200])
    source = open_source(
        [
            channel("pressure", server.port, 0, scale_pa=100.0),
            channel("strokes", server.port, 1, type="uint32"),
            channel("demand", server.port, 3),
            channel("air", server.port, 4, scale_pa=100.0),
        ]
    )
    source.sample(0)
    server.write(1, [0x0002, 0x0001, 0])
    source.sample(100_000)
    reading = source.read(0)["foam"]
    assert reading.pressure_pa == pytest.approx([413_700.0, 413_700.0])
    assert reading.strokes == [(0, 0), (100_000, 3)], "0x1FFFE to 0x20001"
    assert reading.demand == [(0, True), (100_000, False)]
    assert reading.air_pa == pytest.approx(420_000.0)
    assert reading.failed_reads == 0
    source.close()


def test_a_register_that_is_not_there_is_no_reading_and_the_rest_goes_on(server: Running) -> None:
    source = open_source(
        [channel("pressure", server.port, 0), channel("air", server.port, 900, table="input")]
    )
    source.sample(0)
    reading = source.read(0)["foam"]
    assert reading.pressure_pa == pytest.approx([0.0])
    assert reading.air_pa is None
    assert "air: no answer" in reading.faults[0]
    source.close()


def test_a_server_that_is_not_there_is_no_reading() -> None:
    source = open_source([channel("pressure", 1, 0)])
    source.sample(0)
    reading = source.read(0)["foam"]
    assert reading.pressure_pa is not None
    assert np.isnan(reading.pressure_pa).all()
    assert reading.failed_reads == 1
    source.close()
