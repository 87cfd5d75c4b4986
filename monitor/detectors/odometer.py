"""Strokes since a work entry: what a drum has given, what a set of seals has done."""

from dataclasses import dataclass

from monitor.signals.types import Episode


@dataclass(slots=True)
class Odometer:
    """Counts the strokes of finished runs since the last work entry of one kind."""

    since_ts: float | None = None
    strokes: float = 0.0
    wet: float = 0.0
    """Those that moved liquid."""

    def count(self, event: Episode, noted_ts: float | None) -> None:
        """Take a run; noted_ts is the last entry's time, None before there was one."""
        if noted_ts != self.since_ts:
            self.since_ts, self.strokes, self.wet = noted_ts, 0.0, 0.0
        if noted_ts is None or event.open_ or event.start_ts < noted_ts:
            return
        self.strokes += event.strokes
        self.wet += max(event.strokes - (event.features.get("dry_strokes") or 0.0), 0.0)
