"""A file that holds a whole number that grows: a Linux counter device, or another program's tally.

Wiring note. /sys/bus/counter/devices/counter0/count0/count is such a file: a reed or hall sensor on
a counter input (interrupt-counter driver, `ceiling` gives the bits). A reed needs a pull-up and
100 nF; place the magnet so that it closes once a stroke, or once a cycle with strokes_per_pulse 2.
Cautions: no mains on the sensor's cable; keep it off hoses that are pulled for service.
"""

from collections.abc import Sequence
from pathlib import Path
from typing import Literal

from pydantic import Field

from edge.model import Measured
from edge.sources.sampled import Channel, Sampled


class CounterFile(Measured):
    """One file with one counter."""

    source: Literal["counter_file"]
    path: Path
    wraps_at_bits: Literal[8, 16, 32, 64] = 64
    rate_hz: float = Field(20.0, gt=0, le=100, description="looks a second; gives stroke times")

    @property
    def bits(self) -> int:
        """Where the counter wraps."""
        return self.wraps_at_bits

    @property
    def device(self) -> tuple[object, ...]:
        """Files that are looked at equally often share a scan."""
        return ("counter_file", self.rate_hz)


def read_count(path: Path) -> float:
    """The number in the file, NaN if there is none."""
    try:
        return float(int(path.read_text(encoding="ascii").strip()))
    except (OSError, ValueError):
        return float("nan")


def open_source(channels: Sequence[Channel[CounterFile]]) -> Sampled:
    """A source over files; they are opened anew at each look, as sysfs wants it."""
    paths = [channel.settings.path for channel in channels]
    return Sampled(
        lambda: tuple(read_count(path) for path in paths), channels, channels[0].settings.rate_hz
    )
