"""The kernel's industrial I/O as a tree of files (names and units: kernel ABI sysfs-bus-iio)."""

from pathlib import Path

import numpy as np
import pytest

from edge.errors import SourceError
from edge.sources.iio import Iio, open_source
from edge.sources.sampled import Channel

PSI = 6894.757293168


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    adc = tmp_path / "iio:device0"
    adc.mkdir()
    (adc / "name").write_text("ads1015\n")
    (adc / "in_voltage0_raw").write_text("1000\n")
    (adc / "in_voltage0_scale").write_text("3.000000\n")
    (adc / "in_voltage1_raw").write_text("900\n")
    (adc / "in_voltage_scale").write_text("2.0\n")
    (adc / "in_voltage_offset").write_text("-10\n")
    digital = tmp_path / "iio:device1"
    digital.mkdir()
    (digital / "name").write_text("hsc030pa\n")
    (digital / "in_pressure_input").write_text("413.685\n")
    return tmp_path


def channel(tree: Path, name: str, which: str, **more: object) -> Channel[Iio]:
    settings = {"source": "iio", "root": tree, "name": name, "channel": which, **more}
    return Channel("foam", "pressure", Iio.model_validate(settings))


def read(one: Channel[Iio]) -> float:
    source = open_source([one])
    source.sample(0)
    pressure = source.read(1)["foam"].pressure_pa
    assert pressure is not None
    return float(pressure[0])


def test_voltage_with_its_own_scale(tree: Path) -> None:
    one = channel(tree, "ads1015", "voltage0", signal="0.5-4.5 V", full_scale_pa=150 * PSI)
    assert read(one) / PSI == pytest.approx(((1000 - 10) * 0.003 - 0.5) / 4 * 150)


def test_voltage_with_the_scale_and_offset_that_all_share(tree: Path) -> None:
    one = channel(tree, "iio:device0", "voltage1", signal="4-20 mA", full_scale_pa=150 * PSI)
    current_ma = (900 - 10) * 2.0 / 150
    assert read(one) / PSI == pytest.approx((current_ma - 4) / 16 * 150)


def test_a_digital_pressure_sensor_gives_kilopascal(tree: Path) -> None:
    assert read(channel(tree, "hsc030pa", "pressure")) == pytest.approx(413_685.0)


def test_a_reading_that_goes_away_is_no_reading(tree: Path) -> None:
    source = open_source([channel(tree, "ads1015", "voltage0", signal="0.5-4.5 V")])
    (tree / "iio:device0" / "in_voltage0_raw").write_text("")
    source.sample(0)
    reading = source.read(1)["foam"]
    assert reading.pressure_pa is not None
    assert np.isnan(reading.pressure_pa[0])
    assert reading.faults == ["pressure: the kernel gave no reading; see dmesg and the wiring"]


@pytest.mark.parametrize(
    ("name", "which", "words"),
    [("mcp3424", "voltage0", "ads1015"), ("ads1015", "voltage7", "in_voltage0_raw")],
)
def test_what_is_not_there_is_said_with_what_is(
    tree: Path, name: str, which: str, words: str
) -> None:
    with pytest.raises(SourceError, match=words):
        open_source([channel(tree, name, which)])
