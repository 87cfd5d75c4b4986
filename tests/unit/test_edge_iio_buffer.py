"""The kernel's IIO buffer as a tree of files and a FIFO in place of /dev/iio:device0."""

import os
import struct
from collections.abc import Iterator
from pathlib import Path

import pytest

from edge.errors import SourceError
from edge.sources.iio_buffer import IioBuffer, Layout, Stream, open_source
from edge.sources.sampled import Channel

PSI = 6894.757293168


class Tree:
    """A device with two channels and a timestamp, 12 bits in 16, and a FIFO to play it."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder / "iio:device0"
        for name in ("scan_elements", "buffer", "trigger"):
            (self.folder / name).mkdir(parents=True)
        files = {
            "name": "mcp3208\n",
            "in_voltage_scale": "1.25\n",
            "sampling_frequency": "10\n",
            "buffer/enable": "0",
            "buffer/length": "2",
            "trigger/current_trigger": "",
            "scan_elements/in_timestamp_en": "1",
        }
        for number in (0, 1):
            files[f"scan_elements/in_voltage{number}_en"] = "0"
            files[f"scan_elements/in_voltage{number}_index"] = f"{1 - number}\n"
            files[f"scan_elements/in_voltage{number}_type"] = "be:u12/16>>4\n"
        for name, text in files.items():
            (self.folder / name).write_text(text)
        os.mkfifo(folder / "fifo-iio")
        (folder / "dev").mkdir()
        os.rename(folder / "fifo-iio", folder / "dev" / "iio:device0")
        self.root = folder

    def channel(self, pump: str, number: int, **more: object) -> Channel[IioBuffer]:
        settings = {
            "source": "iio_buffer",
            "root": self.root,
            "dev": self.root / "dev",
            "name": "mcp3208",
            "channel": f"voltage{number}",
            "trigger": "timer-100",
            "full_scale_pa": 150 * PSI,
            **more,
        }
        return Channel(pump, "pressure", IioBuffer.model_validate(settings))


@pytest.fixture
def tree(tmp_path: Path) -> Tree:
    return Tree(tmp_path)


@pytest.fixture
def playing(tree: Tree) -> Iterator[tuple[Stream, int]]:
    stream = open_source([tree.channel("foam", 0), tree.channel("wax", 1)])
    player = os.open(tree.root / "dev" / "iio:device0", os.O_WRONLY)
    yield stream, player
    os.close(player)
    stream.close()


def scan(foam_ma: float, wax_ma: float) -> bytes:
    """Wax comes first (its index is 0); counts of 1.25 mV over 150 ohm, left-aligned."""
    counts = [round(ma * 150 / 1.25) << 4 for ma in (wax_ma, foam_ma)]
    return struct.pack(">HH", *counts)


def test_the_kernel_is_told_what_is_wanted(tree: Tree, playing: tuple[Stream, int]) -> None:
    del playing
    said = {
        str(p.relative_to(tree.folder)): p.read_text()
        for p in tree.folder.rglob("*")
        if p.is_file()
    }
    assert said["scan_elements/in_voltage0_en"] == "1"
    assert said["scan_elements/in_timestamp_en"] == "0"
    assert said["trigger/current_trigger"] == "timer-100"
    assert said["sampling_frequency"] == "100"
    assert (said["buffer/length"], said["buffer/enable"]) == ("200", "1")


def test_blocks_become_pressure_of_each_pump_without_a_seam(playing: tuple[Stream, int]) -> None:
    stream, player = playing
    assert stream.read(1_000_000) == {}
    os.write(player, scan(12, 4) * 25 + scan(20, 8)[:3])
    first = stream.read(2_000_000)
    os.write(player, scan(20, 8)[3:] + scan(20, 8) * 23)
    second = stream.read(2_260_000)
    assert first["foam"].t0_us == 1_750_000
    assert second["foam"].t0_us == 2_000_000, "10 ms of our own lateness do not move the grid"
    for pump, low, high in (("foam", 75.0, 150.0), ("wax", 0.0, 37.5)):
        for reading, psi in ((first[pump], low), (second[pump], high)):
            assert reading.pressure_pa is not None
            assert reading.pressure_pa / PSI == pytest.approx(psi, abs=0.1)
    assert second["wax"].pressure_pa is not None
    assert len(second["wax"].pressure_pa) == 24


def test_a_clock_that_parted_too_far_starts_the_grid_anew(playing: tuple[Stream, int]) -> None:
    stream, player = playing
    os.write(player, scan(12, 4) * 10)
    stream.read(1_000_000)
    os.write(player, scan(12, 4) * 10)
    assert stream.read(5_000_000)["foam"].t0_us == 4_900_000


def test_a_broken_wire_in_the_stream(playing: tuple[Stream, int]) -> None:
    stream, player = playing
    os.write(player, scan(12, 4) + scan(1, 4))
    reading = stream.read(1_000_000)["foam"]
    assert reading.failed_reads == 1
    assert "1.00 mA" in reading.faults[0]


def test_closing_switches_the_buffer_off(tree: Tree) -> None:
    open_source([tree.channel("foam", 0)]).close()
    assert (tree.folder / "buffer" / "enable").read_text() == "0"


def test_a_device_without_buffer_is_named(tree: Tree) -> None:
    (tree.folder / "scan_elements" / "in_voltage0_index").unlink()
    with pytest.raises(SourceError, match="gives no buffer"):
        open_source([tree.channel("foam", 0)])


def test_layouts_of_the_kernel_documentation() -> None:
    """le:s12/16>>4 is the example of sysfs-bus-iio; then a signed 24 in 32 beside a 16."""
    (column,) = Layout(["le:s12/16>>4"]).columns(struct.pack("<HH", 0xFFF0, 0x0010))
    assert column.tolist() == [-1.0, 1.0]
    layout = Layout(["le:u16/16>>0", "le:s24/32>>8"])
    assert layout.scan_bytes == 8
    data = struct.pack("<HxxI", 7, (0xFFFFFE << 8) & 0xFFFFFFFF)
    assert [c.tolist() for c in layout.columns(data)] == [[7.0], [-2.0]]
    with pytest.raises(SourceError, match="not understood"):
        Layout(["le:f32/32>>0"])
