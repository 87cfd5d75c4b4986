"""All ways of reading a sensor, listed by hand; a test guards that none is forgotten."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

from edge.model import Measured
from edge.sources import ads1115, counter_file, gpio, iio, iio_buffer, modbus
from edge.sources.patient import Patient
from edge.sources.sampled import Channel
from edge.sources.source import Role, Source


@dataclass(frozen=True, slots=True)
class Member:
    """One kind of source: its name in settings, its settings, what it can read, how to open it.

    open_source takes the channels of one device; device_faults says what they cannot do together.
    """

    name: str
    settings: type[Measured]
    roles: frozenset[Role]
    open_source: Callable[[Sequence[Channel[Any]]], Source]
    device_faults: Callable[[Sequence[Channel[Any]]], list[str]] = lambda _channels: []


MEMBERS: tuple[Member, ...] = (
    Member(
        "ads1115",
        ads1115.Ads1115,
        frozenset({"pressure", "air"}),
        ads1115.open_source,
        ads1115.device_faults,
    ),
    Member("iio", iio.Iio, frozenset({"pressure", "air"}), iio.open_source),
    Member("iio_buffer", iio_buffer.IioBuffer, frozenset({"pressure"}), iio_buffer.open_source),
    Member(
        "modbus",
        modbus.Modbus,
        frozenset({"pressure", "air", "strokes", "demand"}),
        modbus.open_source,
    ),
    Member(
        "counter_file",
        counter_file.CounterFile,
        frozenset({"strokes"}),
        counter_file.open_source,
    ),
    Member("gpio", gpio.Gpio, frozenset({"strokes", "demand"}), gpio.open_source),
)
"""Sources of one sensor; `replay` and `virtual` bring whole pumps and stand beside them."""

WHOLE_PUMPS = ("replay", "virtual")
RIPPLE = "ripple"
"""Not a device: strokes counted from the pressure."""


def member(name: str) -> Member | None:
    """The member of that name."""
    return next((m for m in MEMBERS if m.name == name), None)


def by_device(channels: Sequence[tuple[Member, Channel[Any]]]) -> list[tuple[Member, list[Any]]]:
    """The channels of each device together, in the order of the settings."""
    groups: dict[tuple[object, ...], tuple[Member, list[Any]]] = {}
    for kind, channel in channels:
        groups.setdefault(channel.settings.device, (kind, []))[1].append(channel)
    return list(groups.values())


def open_all(channels: Sequence[tuple[Member, Channel[Any]]]) -> Mapping[str, Source]:
    """A source per device, named for logs; one that is not there is tried again and again."""
    return {
        " ".join(str(part) for part in group[0].settings.device): Patient(
            partial(kind.open_source, group)
        )
        for kind, group in by_device(channels)
    }
