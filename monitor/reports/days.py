"""Tallies over months, day by day, so that a day that is over is counted only once."""

from collections import OrderedDict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from threading import Lock

from monitor.reports.tally import Fault, Span, Tally, join, midnight_ts, tally
from monitor.site import Pump, Site
from monitor.store.core import Core
from monitor.store.episodes import EpisodeBook
from monitor.store.interface import Level, Store

NEEDED = ("dry_strokes", "dry_start_strokes", "shut_strokes")
"""Features that a tally asks for."""

MOST_DAYS = 30_000
"""Pump-days remembered (some 15 MB): 60 pumps over a year and more."""

Key = tuple[str, str, float, float]
Stamp = tuple[tuple[int, float], tuple[Fault, ...], tuple[Span, ...]]


@dataclass(slots=True)
class DayTallies:
    """Counts one store's pumps. A remembered day counts only while its episodes, faults and gaps
    are what they were."""

    core: Core
    store: Store
    _known: OrderedDict[Key, tuple[Stamp, Tally]] = field(default_factory=OrderedDict)
    _lock: Lock = field(default_factory=Lock)

    def of(self, site: Site, pump: Pump, span: Span, faults: Sequence[Fault]) -> Tally:
        """The tally of a pump over [from, to)."""
        gaps = self.store.read(site.id, pump.id, span, level=Level.HOUR).gaps
        found = [self._day(site, pump, day, faults, gaps) for day in days(span, site)]
        if not found:
            return tally(pump, span, (), (), (), site.zone)
        return join(found)

    def _day(
        self, site: Site, pump: Pump, day: Span, faults: Sequence[Fault], gaps: Sequence[Span]
    ) -> Tally:
        book = EpisodeBook(self.core)
        mine = tuple(f for f in faults if f.start_ts < day[1] and (f.end_ts or day[1]) > day[0])
        holes = tuple(
            (max(a, day[0]), min(b, day[1])) for a, b in gaps if a < day[1] and b > day[0]
        )
        stamp = book.stamp(site.id, pump.id, day), mine, holes
        key = (site.id, pump.id, *day)
        with self._lock:
            known = self._known.get(key)
        if known is not None and known[0] == stamp:
            # A catch test since then changes what a stroke moves, not how many there were.
            return replace(known[1], pump=pump)
        episodes = book.lean(site.id, pump.id, day, NEEDED)
        made = tally(pump, day, episodes, mine, holes, site.zone)
        with self._lock:
            self._known[key] = stamp, made
            self._known.move_to_end(key)
            while len(self._known) > MOST_DAYS:
                self._known.popitem(last=False)
        return made


def days(span: Span, site: Site) -> Iterator[Span]:
    """The span cut at the site's midnights."""
    start = span[0]
    while start < span[1]:
        tomorrow = datetime.fromtimestamp(start, site.zone).date() + timedelta(days=1)
        end = min(midnight_ts(tomorrow, site.zone), span[1])
        yield start, end
        start = end
