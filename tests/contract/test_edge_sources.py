"""What every way of reading a sensor is held to; and that none is forgotten in the list."""

import importlib
import inspect
import os
import pkgutil
from collections.abc import Callable
from pathlib import Path
from types import ModuleType, SimpleNamespace

import numpy as np
import pytest

import edge.sources
from edge.errors import SourceError
from edge.model import Measured
from edge.settings import load_node
from edge.sources import members, sampled
from edge.sources.ads1115 import Ads1115, Converter
from edge.sources.counter_file import CounterFile
from edge.sources.gpio import Gpio, Lines
from edge.sources.iio import Iio
from edge.sources.iio_buffer import IioBuffer, Layout, Stream
from edge.sources.members import MEMBERS, WHOLE_PUMPS, Member
from edge.sources.modbus import Line, Modbus
from edge.sources.patient import Patient
from edge.sources.sampled import Channel, Sampled
from edge.sources.source import Reading, Source

NOT_SOURCES = {"members", "patient", "sampled", "source"}


def modules() -> dict[str, ModuleType]:
    found = {m.name for m in pkgutil.iter_modules(edge.sources.__path__)} - NOT_SOURCES
    return {name: importlib.import_module(f"edge.sources.{name}") for name in found}


def test_every_file_of_the_folder_is_in_the_tuple_or_brings_whole_pumps() -> None:
    assert set(modules()) == {m.name for m in MEMBERS} | set(WHOLE_PUMPS)
    assert len({m.name for m in MEMBERS}) == len(MEMBERS)


@pytest.mark.parametrize("name", sorted(modules()))
def test_each_says_how_to_wire_it_and_what_to_mind(name: str) -> None:
    text = inspect.getdoc(modules()[name]) or ""
    assert "Wiring note" in text
    assert "Caution" in text


@pytest.mark.parametrize("member", MEMBERS, ids=lambda m: m.name)
def test_settings_name_their_source_and_say_numbers_with_units(member: Member) -> None:
    assert member.settings.model_fields["source"].annotation is not None
    assert member.name in str(member.settings.model_fields["source"].annotation)
    assert member.roles


class DeadBus:
    def write_i2c_block_data(self, *_: object) -> None:
        raise OSError(5, "Input/output error")

    read_i2c_block_data = write_i2c_block_data


class DeadClient:
    def connect(self) -> bool:
        return False

    def close(self) -> None:
        pass


def dead_ads1115(_: Path) -> Source:
    one = [Channel("foam", "pressure", Ads1115(source="ads1115", input=0))]
    return Sampled(Converter(DeadBus(), one, lambda _: None).scan, one, 100)  # type: ignore[arg-type]  # its two calls


def dead_iio(folder: Path) -> Source:
    device = folder / "iio:device0"
    device.mkdir()
    (device / "in_voltage0_raw").write_text("")
    (device / "name").write_text("adc")
    one = Iio(source="iio", root=folder, name="adc", channel="voltage0")
    return members.member("iio").open_source([Channel("foam", "pressure", one)])  # type: ignore[union-attr]  # it is there


def dead_modbus(_: Path) -> Source:
    settings = Modbus.model_validate({"source": "modbus", "host": "x", "register": 0})
    one = [Channel("foam", "pressure", settings)]
    return Sampled(Line(DeadClient(), one).scan, one, 10)  # type: ignore[arg-type]  # it never connects


def dead_counter_file(folder: Path) -> Source:
    one = CounterFile(source="counter_file", path=folder / "none")
    return members.member("counter_file").open_source([Channel("foam", "strokes", one)])  # type: ignore[union-attr]  # it is there


def dead_gpio(_: Path) -> Source:
    request = SimpleNamespace(wait_edge_events=lambda _t: False, release=lambda: None)
    one = Gpio(source="gpio", line=1)
    return Lines(request, [Channel("foam", "strokes", one)], {})


def dead_iio_buffer(folder: Path) -> Source:
    one = IioBuffer(source="iio_buffer", name="adc", channel="voltage0")
    (folder / "stream").write_bytes(b"")
    stream = os.open(folder / "stream", os.O_RDONLY)
    return Stream(stream, Layout(["le:s16/16>>0"]), [Channel("foam", "pressure", one)], folder)


DEAD: dict[str, Callable[[Path], Source]] = {
    "ads1115": dead_ads1115,
    "iio": dead_iio,
    "iio_buffer": dead_iio_buffer,
    "modbus": dead_modbus,
    "counter_file": dead_counter_file,
    "gpio": dead_gpio,
}


def test_a_dead_twin_is_given_for_each() -> None:
    assert set(DEAD) == {m.name for m in MEMBERS}


@pytest.mark.parametrize("name", sorted(DEAD))
def test_a_dead_device_gives_no_value_and_never_the_last_one_again(
    name: str, tmp_path: Path
) -> None:
    source = DEAD[name](tmp_path)
    for tick in range(3):
        if isinstance(source, Sampled):
            source.sample(tick * source.step_us)
        for reading in source.read(tick * 1_000_000).values():
            assert reading.air_pa is None
            assert list(reading.strokes) == []
            if reading.pressure_pa is not None:
                assert np.isnan(reading.pressure_pa).all()
                assert reading.failed_reads == len(reading.pressure_pa)
                assert reading.faults


@pytest.mark.parametrize("name", sorted(DEAD))
def test_asked_twice_nothing_comes_twice(name: str, tmp_path: Path) -> None:
    source = DEAD[name](tmp_path)
    if isinstance(source, Sampled):
        source.sample(0)
    source.read(0)
    assert source.read(1) == {}


def test_a_device_that_is_not_there_is_tried_again_while_the_rest_goes_on(
    caplog: pytest.LogCaptureFixture,
) -> None:
    tries: list[int] = []

    def opener() -> Source:
        tries.append(1)
        if len(tries) < 3:
            raise SourceError("no such bus")
        return SimpleNamespace(read=lambda _now: {"foam": Reading(air_pa=1.0)})

    patient = Patient(opener)
    for second in range(30):
        found = patient.read(second * 1_000_000)
        assert bool(found) == (second >= 15)
    assert len(tries) == 3
    assert len(caplog.records) == 2


def test_a_scanning_thread_delivers_and_stops() -> None:
    one = [Channel("foam", "pressure", Measured(rate_hz=500))]
    source = Sampled(lambda: (4e5,), one, 500).start()
    got = 0
    while got < 5:
        for reading in source.read(0).values():
            assert reading.pressure_pa is not None
            got += int(np.count_nonzero(reading.pressure_pa == 4e5))
    source.close()
    assert source._thread is not None
    assert not source._thread.is_alive()
    assert sampled.LONGEST_GAP_US == 10_000_000


def test_the_example_settings_use_every_kind(root_folder: Path) -> None:
    node = load_node(root_folder / "config" / "edge" / "node.toml")
    assert {kind.name for kind, _ in node.channels()} == {m.name for m in MEMBERS}
    assert any(pump.strokes == "ripple" for pump in node.pumps)
