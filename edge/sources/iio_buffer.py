"""Linux industrial I/O through its buffer: the kernel samples evenly and hands over blocks.

Wiring note. As for `iio`; besides, the chip's driver must offer a buffer and a trigger: an
interrupt line of the chip, or a timer trigger (iio-trig-hrtimer) named in `trigger`. The node's
user needs write access to the device's sysfs folder (a udev rule) and read access to /dev.
Cautions: see `iio`; no other program may use the same device's buffer.

Better than `iio` where it is to be had: the samples' spacing does not depend on how busy the
computer is. How a sample lies in the stream is told by scan_elements/*_type, as le:s12/16>>4: byte
order, sign, real bits / stored bits, shift (kernel documentation, sysfs-bus-iio).
"""

import os
import re
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from edge.errors import SourceError
from edge.sources.iio import ROOT, attribute, find_device
from edge.sources.sampled import Channel
from edge.sources.source import Reading
from edge.transducer import Floats, Transducer

DRIFT_US = 100_000
"""Chosen: the chip's clock and ours may part by this before the grid starts anew."""
READ_BYTES = 65_536
TYPE = re.compile(r"(be|le):([su])(\d+)/(8|16|32|64)(?:X1)?>>(\d+)")


class IioBuffer(Transducer):
    """One channel of a device that is read through its buffer."""

    source: Literal["iio_buffer"]
    name: str = Field(description="the chip's name as in the device's name file, or iio:device0")
    channel: str = Field(pattern=r"^voltage\d+$")
    trigger: str | None = Field(None, description="name of the trigger; left out: as it is set")
    root: Path = ROOT
    dev: Path = Path("/dev")
    rate_hz: float = Field(100.0, gt=0, le=1000)

    @property
    def device(self) -> tuple[object, ...]:
        """One buffer for all channels of the chip."""
        return ("iio_buffer", self.root, self.name)


class Layout:
    """How the enabled channels lie in one scan: each aligned to its own size, in index order."""

    def __init__(self, types: Sequence[str]) -> None:
        names, formats, offsets, at = [], [], [], 0
        self._shifts: list[tuple[int, int, bool]] = []
        for number, text in enumerate(types):
            match = TYPE.fullmatch(text.strip())
            if match is None:
                raise SourceError(f"scan type '{text.strip()}' is not understood")
            order, sign, bits, stored, shift = match.groups()
            size = int(stored) // 8
            at = -(-at // size) * size
            names.append(f"c{number}")
            formats.append(("<" if order == "le" else ">") + f"u{size}")
            offsets.append(at)
            at += size
            self._shifts.append((int(shift), int(bits), sign == "s"))
        largest = max(np.dtype(one).itemsize for one in formats)
        self.scan_bytes = -(-at // largest) * largest
        self._type = np.dtype(
            {
                "names": names,
                "formats": formats,
                "offsets": offsets,
                "itemsize": self.scan_bytes,
            }
        )

    def columns(self, data: bytes) -> list[NDArray[np.float64]]:
        """The raw values of each channel in whole scans."""
        scans = np.frombuffer(data, self._type)
        return [_signed(scans[f"c{number}"], *shift) for number, shift in enumerate(self._shifts)]


def _signed(
    stored: NDArray[np.unsignedinteger],
    shift: int,
    bits: int,
    signed: bool,  # noqa: FBT001  # from one tuple
) -> NDArray[np.float64]:
    value = (stored.astype(np.uint64) >> np.uint64(shift)) & np.uint64((1 << bits) - 1)
    out = value.astype(np.float64)
    if signed:
        out[value >= np.uint64(1 << (bits - 1))] -= float(1 << bits)
    return out


class Stream:
    """A Source over the device's stream; what waits is read at each call."""

    def __init__(
        self, file: int, layout: Layout, channels: Sequence[Channel[IioBuffer]], off: Path
    ) -> None:
        self._file = file
        self._layout = layout
        self._channels = channels
        self._off = off
        self._rest = b""
        self._step_us = round(1e6 / channels[0].settings.rate_hz)
        self._next_us: int | None = None
        self.scales: list[tuple[float, float]] = [(1.0, 0.0)] * len(channels)
        """(volts a count, offset in counts) of each channel, in scan order."""

    def read(self, now_us: int) -> dict[str, Reading]:
        """See Source."""
        data = self._rest + self._waiting()
        whole = len(data) // self._layout.scan_bytes * self._layout.scan_bytes
        self._rest = data[whole:]
        count = whole // self._layout.scan_bytes
        if not count:
            return {}
        t0_us = now_us - count * self._step_us
        if self._next_us is not None and abs(t0_us - self._next_us) < DRIFT_US:
            t0_us = self._next_us
        self._next_us = t0_us + count * self._step_us
        out: dict[str, Reading] = {}
        columns = self._layout.columns(data[:whole])
        for channel, raw, scale in zip(self._channels, columns, self.scales, strict=True):
            out[channel.pump] = self._reading(channel, (raw + scale[1]) * scale[0], t0_us)
        return out

    def _waiting(self) -> bytes:
        parts: list[bytes] = []
        with suppress(OSError):  # nothing waits, or the device is gone: no samples then
            while part := os.read(self._file, READ_BYTES):
                parts.append(part)
        return b"".join(parts)

    def _reading(self, channel: Channel[IioBuffer], volts: Floats, t0_us: int) -> Reading:
        pressure_pa = channel.settings.pressure_pa(volts)
        bad = np.isnan(pressure_pa)
        faults = [f"pressure: {channel.settings.fault(float(volts[bad][-1]))}"] if bad.any() else []
        return Reading(
            t0_us=t0_us,
            step_us=self._step_us,
            pressure_pa=pressure_pa,
            failed_reads=int(bad.sum()),
            faults=faults,
        )

    def close(self) -> None:
        """Let the stream go and switch the buffer off."""
        os.close(self._file)
        with suppress(OSError):
            self._off.write_text("0")


def open_source(channels: Sequence[Channel[IioBuffer]]) -> Stream:
    """Set the buffer up and open it. Raises SourceError that names what the kernel refused."""
    one = channels[0].settings
    folder = find_device(one.root, one.name)
    elements = folder / "scan_elements"
    try:
        in_order = sorted(
            channels, key=lambda c: int((elements / f"in_{c.settings.channel}_index").read_text())
        )
        layout = Layout(
            [(elements / f"in_{c.settings.channel}_type").read_text() for c in in_order]
        )
        _set_up(folder, [c.settings for c in in_order])
        file = os.open(one.dev / folder.name, os.O_RDONLY | os.O_NONBLOCK)
    except (OSError, ValueError) as problem:
        raise SourceError(f"{folder.name} gives no buffer: {problem}; see dmesg") from problem
    stream = Stream(file, layout, in_order, folder / "buffer" / "enable")
    stream.scales = [
        (
            attribute(folder, c.settings.channel, "voltage", "scale", 1.0) / 1000.0,
            attribute(folder, c.settings.channel, "voltage", "offset", 0.0),
        )
        for c in in_order
    ]
    return stream


def _set_up(folder: Path, wanted: Sequence[IioBuffer]) -> None:
    """Buffer off, channels and rate as wanted, two seconds of room, buffer on."""
    buffer = folder / "buffer"
    (buffer / "enable").write_text("0")
    names = {f"in_{one.channel}_en" for one in wanted}
    for switch in (folder / "scan_elements").glob("*_en"):
        switch.write_text("1" if switch.name in names else "0")
    if wanted[0].trigger is not None:
        (folder / "trigger" / "current_trigger").write_text(wanted[0].trigger)
    for name in ("sampling_frequency", "in_voltage_sampling_frequency"):
        if (folder / name).exists():
            (folder / name).write_text(f"{wanted[0].rate_hz:g}")
    (buffer / "length").write_text(str(round(2 * wanted[0].rate_hz)))
    (buffer / "enable").write_text("1")
