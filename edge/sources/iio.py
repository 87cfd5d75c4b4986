"""Linux industrial I/O: any converter or pressure sensor that the kernel drives, through sysfs.

Wiring note. A device tree overlay names the chip; then /sys/bus/iio/devices/iio:deviceN appears,
with in_voltage0_raw, in_voltage_scale (mV a count) and the like, or in_pressure_* for a digital
pressure sensor (kPa). Name the device by the chip's name, as numbers change between starts. As for
any converter, inputs may not exceed its supply. Cautions: see the transducer's; stop the node
before an overlay is changed.

Units of sysfs: voltage in mV, pressure in kPa, value = (raw + offset) x scale (kernel
documentation, sysfs-bus-iio).
"""

import os
from collections.abc import Sequence
from pathlib import Path
from typing import Literal

from pydantic import Field

from edge.errors import SourceError
from edge.sources.sampled import Channel, Sampled
from edge.transducer import Floats, Transducer

ROOT = Path("/sys/bus/iio/devices")


class Iio(Transducer):
    """One channel of a device, as 'voltage0' or 'pressure'."""

    source: Literal["iio"]
    name: str = Field(description="the chip's name as in the device's name file, or iio:device0")
    channel: str = Field(pattern=r"^(voltage\d*|pressure\d*)$")
    root: Path = ROOT
    rate_hz: float = Field(100.0, gt=0, le=475)

    @property
    def device(self) -> tuple[object, ...]:
        """Channels of a device that are read equally often share a scan."""
        return ("iio", self.root, self.name, self.rate_hz)

    @property
    def is_pressure(self) -> bool:
        """The kernel gives kPa already; no transducer signal lies between."""
        return self.channel.startswith("pressure")

    def pressure_pa(self, raw: Floats) -> Floats:
        """Pa of volts, or of Pa from a digital sensor."""
        return self.corrected_pa(raw) if self.is_pressure else super().pressure_pa(raw)

    def fault(self, raw: float) -> str:
        """In words why there is no pressure."""
        if raw != raw or self.is_pressure:
            return "the kernel gave no reading; see dmesg and the wiring"
        return super().fault(raw)


def find_device(root: Path, name: str) -> Path:
    """The folder of the device of that name. Raises SourceError that lists those there are."""
    names: dict[str, Path] = {}
    for folder in sorted(root.glob("iio:device*")):
        try:
            called = (folder / "name").read_text(encoding="utf-8").strip()
        except OSError:
            called = folder.name
        names.setdefault(called, folder)
        names.setdefault(folder.name, folder)
    if name not in names:
        there = ", ".join(names) or "none at all"
        raise SourceError(f"no IIO device '{name}' under {root}; there are: {there}")
    return names[name]


class _Value:
    """One channel's files: (raw + offset) x scale, or the _input where there is no raw."""

    def __init__(self, folder: Path, channel: str) -> None:
        kind = channel.rstrip("0123456789")
        self._raw = folder / f"in_{channel}_raw"
        processed = not self._raw.exists()
        if processed:
            self._raw = folder / f"in_{channel}_input"
        if not self._raw.exists():
            there = ", ".join(sorted(p.name for p in folder.glob("in_*"))) or "nothing"
            raise SourceError(f"{folder} has no channel '{channel}'; it has: {there}")
        scale = 1.0 if processed else attribute(folder, channel, kind, "scale", 1.0)
        self._offset = 0.0 if processed else attribute(folder, channel, kind, "offset", 0.0)
        # mV to V, kPa to Pa
        self._si = scale * (1e3 if kind == "pressure" else 1e-3)
        self._file = -1

    def read(self) -> float:
        """V or Pa, NaN if the kernel gives none. The file stays open: sysfs answers each pread."""
        try:
            if self._file < 0:
                self._file = os.open(self._raw, os.O_RDONLY)
            return (float(os.pread(self._file, 64, 0)) + self._offset) * self._si
        except (OSError, ValueError):
            self.close()
            return float("nan")

    def close(self) -> None:
        """Let the file go; the next read opens it anew."""
        if self._file >= 0:
            os.close(self._file)
            self._file = -1


def attribute(folder: Path, channel: str, kind: str, name: str, default: float) -> float:
    """The channel's own attribute, else the one all its kind share."""
    for stem in (channel, kind):
        path = folder / f"in_{stem}_{name}"
        if path.exists():
            try:
                return float(path.read_text(encoding="ascii"))
            except (OSError, ValueError) as problem:
                raise SourceError(f"{path} cannot be read: {problem}") from problem
    return default


def open_source(channels: Sequence[Channel[Iio]]) -> Sampled:
    """A source over one device. Raises SourceError if device or channel is not there."""
    one = channels[0].settings
    folder = find_device(one.root, one.name)
    values = [_Value(folder, channel.settings.channel) for channel in channels]

    def close() -> None:
        for value in values:
            value.close()

    return Sampled(lambda: tuple(value.read() for value in values), channels, one.rate_hz, close)
