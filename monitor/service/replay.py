"""Recorded data through the same watch and the same alarm machine as live data.

The clock is the recording's: nothing here asks for the time.
"""

from collections.abc import Iterator, Sequence
from operator import attrgetter
from pathlib import Path

from monitor.advice.kinds import Kind
from monitor.alarms.grouping import Family
from monitor.alarms.machine import AlarmMachine
from monitor.alarms.policy import default_policy
from monitor.alarms.types import Alarm, Change
from monitor.detectors.finding import Finding, Presence
from monitor.detectors.watch import SiteWatch
from monitor.intake.recording import Recording, Together
from monitor.site import Site

BLOCK_S = 600.0
"""Pumps advance together in steps of this length, so that siblings can be compared (chosen)."""

END_S = max(default_policy(kind).on_delay_s for kind in Kind)
"""The longest on-delay: what stands when a recording stops is told as if it went on standing."""


_BY_TIME = attrgetter("ts")


class Replay:
    """One site's recordings, from files to alarms. Raises BadRecording through `files`."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self.watch = SiteWatch(site)
        self.machine = AlarmMachine(default_policy, site=site.id, family=Family.of(site))
        self._seen: dict[str, Alarm] = {}
        self._ends: dict[str, float] = {}
        self._held: list[Finding] = []
        self._said: set[tuple[str, Kind]] = set()
        self._notes: list[str] = []

    def files(self, paths: Sequence[Path]) -> Iterator[float]:
        """Run all recordings, those side by side in time (one a pump) together; yields the share
        done (0 to 1)."""
        recordings = [Recording(path, self.site, block_s=BLOCK_S) for path in paths]
        together = Together(recordings, BLOCK_S)
        for pump, block in together.blocks():
            outcome = self.watch.push(pump, block)
            self._ends[pump] = block.end_ts
            self._hold(outcome.findings)
            self._release(together.horizon_ts)
            yield together.share_done
        self._notes += [note for recording in recordings for note in recording.notes()]
        self._finish()

    def _hold(self, findings: Sequence[Finding]) -> None:
        """Keep findings until their turn; a 'no' before the first 'yes' tells a machine nothing."""
        for finding in findings:
            tag = (finding.subject, finding.kind)
            if finding.presence is Presence.YES:
                self._said.add(tag)
            if tag in self._said:
                self._held.append(finding)

    def _release(self, horizon_ts: float) -> None:
        """Give the machine what no pump can still precede."""
        if not self._held:
            return
        ready = [f for f in self._held if f.ts <= horizon_ts]
        if ready:
            self._held = [f for f in self._held if f.ts > horizon_ts]
            self._keep(self.machine.update(sorted(ready, key=_BY_TIME), horizon_ts))

    def _finish(self) -> None:
        end_ts = max(self._ends.values(), default=0.0)
        last = self.watch.tick(end_ts)
        self._held += last.findings
        self._keep(self.machine.update(sorted(self._held, key=_BY_TIME), end_ts))
        # What still stands when the recording stops is told: its delay would run out as well.
        self._keep(self.machine.tick(end_ts + END_S))
        self._held = []

    def _keep(self, changes: Sequence[Change]) -> None:
        for change in changes:
            if change.after is not None and change.after.raised_ts is not None:
                self._seen[change.after.id] = change.after

    def alarms(self) -> list[Alarm]:
        """Every alarm that was raised, in the order in which it was; as it stood at the end."""
        now = {a.id: a for a in self.machine.alarms() if a.raised_ts is not None}
        everything = {**self._seen, **now}
        return sorted(everything.values(), key=lambda a: (a.raised_ts or 0.0, a.id))

    def notes(self) -> list[str]:
        """What was dropped or corrected on the way, in words."""
        return self._notes
