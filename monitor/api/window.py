"""The stretch of time a page shows, as its address says it."""

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Annotated
from zoneinfo import ZoneInfo

from fastapi import Depends, Query

from monitor.errors import StrokewiseError

LENGTHS_S = {
    "1h": 3600.0,
    "1d": 86_400.0,
    "7d": 7 * 86_400.0,
    "30d": 30 * 86_400.0,
    "1y": 366 * 86_400.0,
}
SHORTEST_S, LONGEST_S = 5.0, 20 * 366 * 86_400.0


class BadWindow(StrokewiseError):
    """The window's times cannot be read."""


@dataclass(frozen=True, slots=True)
class WindowQuery:
    """`last` (1h, 1d, 7d, 30d, 1y), or `from` and `to`: Unix seconds, RFC 3339 or local time."""

    last: Annotated[str | None, Query(pattern="^(1h|1d|7d|30d|1y)$")] = None
    from_: Annotated[str | None, Query(alias="from", max_length=40)] = None
    to: Annotated[str | None, Query(max_length=40)] = None

    def span(self, now_ts: float, zone: ZoneInfo, *, usual: str = "1d") -> tuple[float, float]:
        """The half-open span in Unix seconds; raises BadWindow naming what is wrong."""
        if self.from_ is None and self.to is None:
            return now_ts - LENGTHS_S[self.last or usual], now_ts
        end = read_time(self.to, zone) if self.to else now_ts
        length = LENGTHS_S[self.last or usual]
        start = read_time(self.from_, zone) if self.from_ else end - length
        if not SHORTEST_S <= end - start <= LONGEST_S:
            raise BadWindow(
                "The window must end after it starts and be 5 seconds to 20 years long."
            )
        return start, end


Window = Annotated[WindowQuery, Depends()]


def read_time(text: str, zone: ZoneInfo) -> float:
    """Unix seconds from a number, an RFC 3339 time, or a local time without an offset."""
    try:
        seconds = float(text)
    except ValueError:
        pass
    else:
        if 0 <= seconds < 1e11:
            return seconds
        raise BadWindow(f"'{text}' is not a time between 1970 and the year 5138.")
    try:
        moment = datetime.fromisoformat(text.replace("Z", "+00:00").replace(" ", "T", 1))
    except ValueError:
        raise BadWindow(
            f"'{text}' is no time; write 2026-10-25T14:05 (site time), an RFC 3339 time, "
            "or Unix seconds."
        ) from None
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=zone)
    return moment.astimezone(UTC).timestamp()
