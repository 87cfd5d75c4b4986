"""ADS1115 against a bus that answers register by register as its data sheet says (SBAS444)."""

from collections.abc import Sequence

import numpy as np
import pytest

from edge.sources.ads1115 import Ads1115, Converter, device_faults, open_source
from edge.sources.sampled import Channel, Sampled

PSI = 6894.757293168
FULL_SCALE_V = {0: 6.144, 1: 4.096, 2: 2.048, 3: 1.024, 4: 0.512, 5: 0.256, 6: 0.256, 7: 0.256}
RATE_HZ = (8, 16, 32, 64, 128, 250, 475, 860)


class FakeBus:
    """One converter at 0x48: pointer, config and conversion registers, OS bit, conversion time."""

    def __init__(self, volts: Sequence[float]) -> None:
        self.volts = list(volts)
        self.config = 0x8583
        self.conversion = 0
        self.now_s = 0.0
        self.ready_s = 0.0
        self.broken = False
        self.stuck = False

    def wait(self, seconds: float) -> None:
        self.now_s += seconds

    def write_i2c_block_data(self, address: int, register: int, data: Sequence[int]) -> None:
        self._answer(address)
        assert register == 1, "only the config register is written"
        config = data[0] << 8 | data[1]
        assert config & 0x0100, "single shot"
        assert config & 0x0003 == 3, "comparator off"
        assert config >> 12 & 7 >= 4, "single ended"
        self.config = config & 0x7FFF
        if config & 0x8000:
            self.ready_s = self.now_s + 1 / RATE_HZ[config >> 5 & 7]
            if self.stuck:
                self.ready_s = float("inf")

    def read_i2c_block_data(self, address: int, register: int, length: int) -> list[int]:
        self._answer(address)
        assert length == 2
        done = self.now_s >= self.ready_s
        if register == 1:
            value = self.config | (0x8000 if done else 0)
        else:
            assert done, "the conversion register was read too early"
            value = self._convert()
        return [value >> 8, value & 0xFF]

    def _convert(self) -> int:
        lsb = FULL_SCALE_V[self.config >> 9 & 7] / 32768
        count = round(self.volts[(self.config >> 12 & 7) - 4] / lsb)
        return max(-32768, min(32767, count)) & 0xFFFF

    def _answer(self, address: int) -> None:
        if self.broken or address != 0x48:
            raise OSError(121, "Remote I/O error")


def channel(pump: str, input_: int, **more: object) -> Channel[Ads1115]:
    settings = {"source": "ads1115", "input": input_, "full_scale_pa": 150 * PSI, **more}
    return Channel(pump, "pressure", Ads1115.model_validate(settings))


def converter(bus: FakeBus, *channels: Channel[Ads1115]) -> Converter:
    return Converter(bus, channels, bus.wait)


def test_four_inputs_are_read_in_turn() -> None:
    bus = FakeBus([0.6, 1.2, 1.8, 3.0])
    chips = [channel(f"p{i}", i, range_v=4.096) for i in range(4)]
    assert converter(bus, *chips).scan() == pytest.approx([0.6, 1.2, 1.8, 3.0], abs=125e-6)


def test_least_bit_of_each_range() -> None:
    for range_v, lsb in [(6.144, 187.5e-6), (4.096, 125e-6), (2.048, 62.5e-6), (0.256, 7.8125e-6)]:
        bus = FakeBus([lsb * 100.4, 0, 0, 0])
        assert converter(bus, channel("p", 0, range_v=range_v)).scan() == pytest.approx([lsb * 100])


def test_the_slowest_rate_that_serves_all_inputs_is_taken() -> None:
    bus = FakeBus([1.0] * 4)
    assert converter(bus, channel("p", 0, rate_hz=100)).rate_hz == 128
    assert converter(bus, channel("p", 0, rate_hz=250)).rate_hz == 475
    assert converter(bus, *[channel(f"p{i}", i, rate_hz=100) for i in range(4)]).rate_hz == 860


@pytest.mark.parametrize("fault", ["broken", "stuck"])
def test_a_bus_that_fails_gives_no_reading_and_recovers(fault: str) -> None:
    bus = FakeBus([1.2, 0, 0, 0])
    one = converter(bus, channel("p", 0))
    assert one.scan() == pytest.approx([1.2], abs=2e-4)
    setattr(bus, fault, True)
    assert np.isnan(one.scan()[0])
    setattr(bus, fault, False)
    assert one.scan() == pytest.approx([1.2], abs=2e-4)


def test_a_clipped_input_is_no_reading() -> None:
    assert np.isnan(converter(FakeBus([5.0, 0, 0, 0]), channel("p", 0, range_v=4.096)).scan()[0])


def test_readings_come_as_pascal_with_the_failed_ones_counted() -> None:
    bus = FakeBus([0.6 + 2.4 / 2, 0, 0, 0])
    chips = [channel("foam", 0)]
    source = Sampled(converter(bus, *chips).scan, chips, rate_hz=100)
    for tick in range(3):
        source.sample(1_000_000 + tick * 10_000)
    bus.volts[0] = 0.3
    source.sample(1_030_000)
    reading = source.read(1_040_000)["foam"]
    assert reading.t0_us == 1_000_000
    assert reading.step_us == 10_000
    assert reading.pressure_pa is not None
    assert reading.pressure_pa[:3] / PSI == pytest.approx(75.0, abs=0.01)
    assert np.isnan(reading.pressure_pa[3])
    assert reading.failed_reads == 1
    assert "2.00 mA" in reading.faults[0]


def test_ticks_missed_by_a_slow_bus_are_failed_reads_on_an_even_grid() -> None:
    bus = FakeBus([1.8, 0, 0, 0])
    chips = [channel("foam", 0)]
    source = Sampled(converter(bus, *chips).scan, chips, rate_hz=100)
    assert source.sample(0) == 10_000
    assert source.sample(34_000) == 40_000
    assert source.read(40_000)["foam"].pressure_pa == pytest.approx(
        [75 * PSI, np.nan, np.nan, 75 * PSI], abs=100, nan_ok=True
    )
    source.sample(40_000)
    assert source.read(50_000)["foam"].t0_us == 40_000


def test_a_long_silence_is_a_gap_in_time() -> None:
    bus = FakeBus([1.8, 0, 0, 0])
    chips = [channel("foam", 0)]
    source = Sampled(converter(bus, *chips).scan, chips, rate_hz=100)
    source.sample(0)
    source.sample(60_000_000)
    first, second = source.read(0)["foam"], source.read(0)["foam"]
    assert (first.t0_us, second.t0_us) == (0, 60_000_000)


@pytest.mark.parametrize(
    ("settings", "word"),
    [
        ({"signal": "0.5-4.5 V", "range_v": 4.096}, "clips"),
        ({"signal": "0.5-4.5 V", "converter_supply_v": 3.3}, "harm"),
        ({"signal": "4-20 mA", "shunt_ohm": 250, "range_v": 4.096}, "clips"),
        ({"signal": "4-20 mA", "range_v": 5.0}, "none of"),
    ],
)
def test_wiring_that_cannot_work_is_told_before_it_is_opened(
    settings: dict[str, object], word: str
) -> None:
    (fault, *_) = channel("p", 0, **settings).settings.faults()
    assert word in fault


def test_wiring_as_the_note_says_has_no_fault() -> None:
    assert channel("p", 0, signal="0.5-4.5 V").settings.faults() == []
    assert channel("p", 0, signal="4-20 mA", range_v=4.096).settings.faults() == []


def test_too_many_fast_inputs_on_one_converter() -> None:
    assert device_faults([channel(f"p{i}", i, rate_hz=100) for i in range(4)]) == []
    (fault,) = device_faults([channel(f"p{i}", i, rate_hz=250) for i in range(4)])
    assert "172" in fault


def test_opened_over_a_bus_it_scans_at_the_fastest_channel() -> None:
    bus = FakeBus([0.6, 0.6, 0, 0])
    source = open_source([channel("foam", 0, rate_hz=50), channel("wax", 1, rate_hz=100)], bus)
    assert source.step_us == 10_000
    source.close()
