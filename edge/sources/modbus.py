"""Modbus TCP and RTU: remote I/O, transmitters and counters, 16 and 32 bit, any byte order.

Wiring note. RTU: two wires A and B twisted, a third for the common, 120 ohm at both ends only; the
node's adapter fails safe biased. TCP: a network of its own, as Modbus knows no password: whoever
reaches the port can write outputs. This source only reads (functions 3 and 4), never writes.
Registers are numbered from 0 as on the wire; a manual that writes 40001 means holding register 0.
A 32 bit value lies in two registers; `order` says how its four bytes A (highest) to D come.
Cautions: remote I/O often sits in a panel with mains; that is licensed work.
"""

import struct
from collections.abc import Callable, Sequence
from typing import Any, Literal, Protocol

import numpy as np
from pydantic import Field

from edge.clock import Clock, steady_s
from edge.model import Measured
from edge.sources.sampled import Channel, Sampled
from edge.sources.source import needed
from edge.transducer import CalibrationPoint, Floats

Type = Literal["int16", "uint16", "int32", "uint32", "float32"]
Order = Literal["ABCD", "CDAB", "BADC", "DCBA"]
Table = Literal["holding", "input"]
CODES = {"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f"}
MOST_REGISTERS = 100
"""Registers read at once at most; the protocol allows 125."""
TIMEOUT_S = 1.0
FIRST_BACK_OFF_S, LONGEST_BACK_OFF_S = 1.0, 30.0


class Modbus(Measured):
    """One value in one or two registers. Give host for TCP, or port for RTU."""

    source: Literal["modbus"]
    host: str | None = None
    tcp_port: int = Field(502, ge=1, le=65535)
    port: str | None = Field(None, description="serial device, as /dev/ttyUSB0")
    baud: Literal[1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200] = 19200
    parity: Literal["N", "E", "O"] = "E"
    unit: int = Field(1, ge=0, le=247)
    table: Table = "holding"
    register_: int = Field(alias="register", ge=0, le=65535)
    type: Type = "uint16"
    order: Order = "ABCD"
    scale_pa: float = Field(1.0, description="Pa for 1 of the register's value")
    offset_pa: float = 0.0
    zero_pa: float = 0.0
    calibration: tuple[CalibrationPoint, ...] = ()
    invalid: tuple[int, ...] = Field((), description="raw values that mean: no reading")
    rate_hz: float = Field(10.0, gt=0, le=100)

    @property
    def bits(self) -> int:
        """Where a counter in these registers wraps."""
        return 32 if self.width == 2 else 16

    @property
    def width(self) -> int:
        """Registers that the value takes."""
        return 2 if self.type.endswith("32") else 1

    @property
    def device(self) -> tuple[object, ...]:
        """One connection for all that is behind it."""
        return ("modbus", self.host, self.tcp_port, self.port, self.baud, self.parity)

    def faults(self) -> list[str]:
        """What cannot work, before anything is opened."""
        out = []
        if (self.host is None) == (self.port is None):
            out.append("give either host (TCP) or port (RTU), not both")
        if len(self.calibration) == 1:
            out.append("calibration needs two points; for one, set zero_pa")
        if self.register_ + self.width > 65536:
            out.append("the value reaches beyond register 65535")
        return out

    def pressure_pa(self, raw: Floats) -> Floats:
        """Pa of the register's value."""
        out = raw * self.scale_pa + self.offset_pa
        if len(self.calibration) == 2:
            low, high = self.calibration
            gain = (high.true_pa - low.true_pa) / (high.shown_pa - low.shown_pa)
            out = low.true_pa + gain * (out - low.shown_pa)
        return np.asarray(out - self.zero_pa, np.float64)

    def fault(self, raw: float) -> str:
        """In words why there is no pressure."""
        if raw != raw:
            return "no answer, an exception answer, or a value that means no reading"
        return ""


class Client(Protocol):
    """What is used of a pymodbus client."""

    def connect(self) -> bool:
        """Open the line."""
        ...

    def close(self) -> None:
        """Close the line."""
        ...

    def read_holding_registers(self, address: int, *, count: int, device_id: int) -> Any:
        """Function 3."""
        ...

    def read_input_registers(self, address: int, *, count: int, device_id: int) -> Any:
        """Function 4."""
        ...


def value_of(registers: Sequence[int], type_: Type, order: Order) -> float:
    """The number in one or two 16 bit registers."""
    data = b"".join(register.to_bytes(2, "big") for register in registers)
    letters = "ABCD"[: len(data)]
    came_as = order if len(data) == 4 else ("BA" if order in ("BADC", "DCBA") else "AB")
    data = bytes(data[came_as.index(letter)] for letter in letters)
    return float(struct.unpack(CODES[type_], data)[0])


class Line:
    """Reads all channels behind one connection; reconnects with back-off."""

    def __init__(
        self, client: Client, channels: Sequence[Channel[Modbus]], clock: Clock = steady_s
    ) -> None:
        self._client = client
        self._channels = channels
        self._clock = clock
        self._problems = (needed("pymodbus").ModbusException, OSError)
        self._up = False
        self._try_at_s = float("-inf")
        self._back_off_s = FIRST_BACK_OFF_S
        self._blocks = blocks([channel.settings for channel in channels])

    def scan(self) -> tuple[float, ...]:
        """Every channel's value, NaN where there was no good answer."""
        registers: dict[tuple[int, Table, int], int] = {}
        if self._connected():
            for unit, table, first, count in self._blocks:
                found = self._read(unit, table, first, count)
                registers |= {(unit, table, first + i): r for i, r in enumerate(found)}
                if not self._up:
                    break
        return tuple(self._value(channel.settings, registers) for channel in self._channels)

    def _connected(self) -> bool:
        now_s = self._clock()
        if self._up or now_s < self._try_at_s:
            return self._up
        try:
            self._up = bool(self._client.connect())
        except self._problems:
            self._up = False
        if not self._up:
            self._down(now_s)
        return self._up

    def _down(self, now_s: float) -> None:
        self._up = False
        self._try_at_s = now_s + self._back_off_s
        self._back_off_s = min(2 * self._back_off_s, LONGEST_BACK_OFF_S)
        self._client.close()

    def _read(self, unit: int, table: Table, first: int, count: int) -> list[int]:
        call = getattr(self._client, f"read_{table}_registers")
        try:
            answer = call(first, count=count, device_id=unit)
        except self._problems:
            self._down(self._clock())
            return []
        if answer.isError() or len(answer.registers) < count:
            return []
        self._back_off_s = FIRST_BACK_OFF_S
        return list(answer.registers[:count])

    def _value(self, one: Modbus, registers: dict[tuple[int, Table, int], int]) -> float:
        places = [(one.unit, one.table, one.register_ + i) for i in range(one.width)]
        found = [registers[place] for place in places if place in registers]
        if len(found) < one.width:
            return float("nan")
        value = value_of(found, one.type, one.order)
        return float("nan") if value in one.invalid or abs(value) == float("inf") else value

    def close(self) -> None:
        """Close the line."""
        self._client.close()


def blocks(settings: Sequence[Modbus]) -> list[tuple[int, Table, int, int]]:
    """(unit, table, first, count) to read: neighbours within 100 registers go together."""
    out: list[tuple[int, Table, int, int]] = []
    for one in sorted(settings, key=lambda s: (s.unit, s.table, s.register_)):
        end = one.register_ + one.width
        if out:
            unit, table, first, count = out[-1]
            if (unit, table) == (one.unit, one.table) and end - first <= MOST_REGISTERS:
                out[-1] = (unit, table, first, max(count, end - first))
                continue
        out.append((one.unit, one.table, one.register_, one.width))
    return out


def open_source(channels: Sequence[Channel[Modbus]], client: Client | None = None) -> Sampled:
    """A source over one connection; whether the device answers shows in the readings."""
    one = channels[0].settings
    if client is None:
        client = _client(one)
    line = Line(client, channels)
    rate_hz = max(channel.settings.rate_hz for channel in channels)
    close: Callable[[], None] = line.close
    return Sampled(line.scan, channels, rate_hz, close)


def _client(one: Modbus) -> Client:
    library = needed("pymodbus.client")
    client: Client
    if one.host is not None:
        client = library.ModbusTcpClient(one.host, port=one.tcp_port, timeout=TIMEOUT_S, retries=0)
    else:
        needed("serial")
        client = library.ModbusSerialClient(
            one.port, baudrate=one.baud, parity=one.parity, timeout=TIMEOUT_S, retries=0
        )
    return client
