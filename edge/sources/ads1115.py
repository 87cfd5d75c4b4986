"""ADS1115: a 16 bit, 4 input converter on I2C, read register by register.

Wiring note. Supply the converter from 5 V for a 0.5-4.5 V transducer: an input may not exceed the
converter's own supply, so one on 3.3 V clips at 105 psi of 150 (computed) and wants a divider. Put
the I2C lines at 3.3 V levels, 1 kohm and 100 nF before each input (low-pass at 1.6 kHz), the shunt
of a 4-20 mA loop right at the terminals. Address pin to ground, supply, SDA or SCL: 0x48 to 0x4B.
Range 6.144 V for 0.5-4.5 V (4.096 V would clip at 134.9 psi of 150, computed); 4.096 V for 4-20 mA
over 150 ohm. Cautions: disconnect before wiring; the room is wet, so a drip-proof box with glands
above the pumps; extra-low voltage only.

Registers, ranges and rates: the maker's data sheet (SBAS444), as public drivers give them. The
channels of one converter share its rate, as one conversion is made after the other.
"""

from collections.abc import Callable, Sequence
from time import sleep
from typing import Literal, Protocol

from pydantic import Field

from edge.sources.sampled import Channel, Sampled
from edge.sources.source import needed
from edge.transducer import Transducer

CONVERSION_REGISTER, CONFIG_REGISTER = 0, 1
START, SINGLE_SHOT, NO_COMPARATOR = 0x8000, 0x0100, 0x0003
GAINS = {6.144: 0, 4.096: 1, 2.048: 2, 1.024: 3, 0.512: 4, 0.256: 5}
RATES_HZ = (8, 16, 32, 64, 128, 250, 475, 860)
FULL_COUNT = 32768
CLIPPED = (-32768, 32767)
SHARE_OF_TIME = 0.8
"""Chosen: the rest goes to the bus, about 0.3 ms a conversion at 400 kHz (computed)."""
RATE_TOLERANCE = 1.1
"""The converter's own clock may be 10 % slow (data sheet)."""


class Ads1115(Transducer):
    """One input of a converter."""

    source: Literal["ads1115"]
    bus: int = Field(1, ge=0, le=63)
    address: int = Field(0x48, ge=0x48, le=0x4B)
    input: int = Field(ge=0, le=3)
    range_v: float = Field(6.144, description="full scale of the input, one of the data sheet's")
    converter_supply_v: float = Field(5.0, ge=2.0, le=5.5)
    rate_hz: float = Field(100.0, ge=1, le=475, description="samples a second of this input")

    def faults(self) -> list[str]:
        """What cannot work, before anything is opened."""
        if self.range_v not in GAINS:
            return [f"range_v {self.range_v} is none of {', '.join(map(str, GAINS))}"]
        out = []
        if self.top_v > self.range_v:
            out.append(
                f"range_v {self.range_v} clips: the signal reaches {self.top_v:.2f} V; "
                f"use {min((r for r in GAINS if r >= self.top_v), default='a divider')}"
            )
        if self.top_v > self.converter_supply_v:
            out.append(
                f"the signal reaches {self.top_v:.2f} V, over the converter's supply of "
                f"{self.converter_supply_v} V, which may harm it; use 5 V or a divider"
            )
        return out

    @property
    def device(self) -> tuple[object, ...]:
        """What is opened once for all its channels."""
        return ("ads1115", self.bus, self.address)


class Bus(Protocol):
    """The two transfers of smbus2.SMBus that are used."""

    def write_i2c_block_data(self, address: int, register: int, data: Sequence[int]) -> None:
        """Write bytes to a register."""
        ...

    def read_i2c_block_data(self, address: int, register: int, length: int) -> list[int]:
        """Read bytes of a register."""
        ...


def device_faults(channels: Sequence[Channel[Ads1115]]) -> list[str]:
    """Empty if the converter can serve its channels."""
    need_hz = len(channels) * max(c.settings.rate_hz for c in channels) / SHARE_OF_TIME
    if need_hz <= RATES_HZ[-1]:
        return []
    most_hz = int(RATES_HZ[-1] * SHARE_OF_TIME / len(channels))
    return [
        f"{len(channels)} inputs at {channels[0].settings.rate_hz:g} a second are too much for "
        f"one converter; set rate_hz to {most_hz} or less, or add a converter"
    ]


class Converter:
    """Reads its channels one after the other; a failed one is NaN."""

    def __init__(
        self,
        bus: Bus,
        channels: Sequence[Channel[Ads1115]],
        wait: Callable[[float], None] = sleep,
    ) -> None:
        self._bus = bus
        self._channels = channels
        self._wait = wait
        need_hz = len(channels) * max(c.settings.rate_hz for c in channels) / SHARE_OF_TIME
        self.rate_hz = next(rate for rate in RATES_HZ if rate >= min(need_hz, RATES_HZ[-1]))
        self._conversion_s = RATE_TOLERANCE / self.rate_hz

    def scan(self) -> tuple[float, ...]:
        """Volts of every channel, NaN where the bus failed or the input clipped."""
        return tuple(self._volts(channel.settings) for channel in self._channels)

    def _volts(self, one: Ads1115) -> float:
        config = START | (4 + one.input) << 12 | GAINS[one.range_v] << 9
        config |= SINGLE_SHOT | RATES_HZ.index(self.rate_hz) << 5 | NO_COMPARATOR
        try:
            self._bus.write_i2c_block_data(
                one.address, CONFIG_REGISTER, [config >> 8, config & 0xFF]
            )
            self._wait(self._conversion_s)
            if not self._register(one.address, CONFIG_REGISTER) & START:
                self._wait(self._conversion_s)
                if not self._register(one.address, CONFIG_REGISTER) & START:
                    return float("nan")
            raw = self._register(one.address, CONVERSION_REGISTER)
        except OSError:
            return float("nan")
        count = raw - 2 * FULL_COUNT if raw >= FULL_COUNT else raw  # two's complement
        if count in CLIPPED:
            return float("nan")
        return float(count * one.range_v / FULL_COUNT)

    def _register(self, address: int, register: int) -> int:
        high, low = self._bus.read_i2c_block_data(address, register, 2)
        return high << 8 | low


def open_source(channels: Sequence[Channel[Ads1115]], bus: Bus | None = None) -> Sampled:
    """A running source over one converter. Raises SourceError or OSError if there is no bus."""
    release: Callable[[], None] = lambda: None  # noqa: E731  # nothing to release of a given bus
    if bus is None:
        SMBus = needed("smbus2").SMBus  # noqa: N806  # it is a class
        opened = SMBus(channels[0].settings.bus)
        bus, release = opened, opened.close
    converter = Converter(bus, channels)
    rate_hz = max(channel.settings.rate_hz for channel in channels)
    return Sampled(converter.scan, channels, rate_hz, release)
