"""One alarm point: what the findings say, the two facts, and what hides it.

Times are Unix seconds and always arguments. A standing YES counts as true until a NO; the
on-delay runs from the matter's beginning by the signals, never from before the last NO.
"""

from dataclasses import dataclass

from monitor.advice.kinds import Kind
from monitor.alarms.policy import AlarmPolicy
from monitor.alarms.types import State, What, tag
from monitor.detectors.finding import Evidence, Finding, Presence


@dataclass(slots=True)
class Shelf:
    """Hidden by a person, for a reason, until a time."""

    by: str
    reason: str
    until_ts: float
    one_shot: bool


@dataclass(slots=True)
class Slot:
    """The record of one subject and kind. Everything in it survives a restart."""

    subject: str
    kind: Kind
    standing: bool = False
    since_ts: float = 0.0
    heard_ts: float = 0.0
    clear_since_ts: float = 0.0
    last_no_ts: float | None = None
    touched_ts: float = 0.0
    active: bool = False
    acked: bool = True
    latched: bool = False
    id: str = ""
    count: int = 0
    onset_ts: float = 0.0
    raised_ts: float | None = None
    last_raised_ts: float | None = None
    cleared_ts: float | None = None
    acked_ts: float | None = None
    acked_by: str | None = None
    shelf: Shelf | None = None
    cause: str | None = None
    cause_end_ts: float | None = None
    fresh: bool = False
    confidence: float = 0.0
    severity: float = 0.0
    worst: float = 0.0
    sentence: str = ""
    evidence: tuple[Evidence, ...] = ()
    causes: tuple[tuple[Kind, float], ...] = ()

    @property
    def tag(self) -> str:
        """The name of this alarm point."""
        return tag(self.subject, self.kind)

    @property
    def busy(self) -> bool:
        """True while it stands, or waits for a hand."""
        return self.active or self.latched or not self.acked

    @property
    def pending(self) -> bool:
        """True while the on-delay runs."""
        return self.standing and not self.active

    def state(self, *, in_service: bool) -> State:
        """The state shown: out of service over suppressed over shelved over the two facts."""
        if not self.busy and self.shelf is None:
            return State.NORMAL
        if not in_service:
            return State.OUT_OF_SERVICE
        if self.cause is not None:
            return State.SUPPRESSED
        if self.shelf is not None:
            return State.SHELVED
        if self.active:
            return State.ACKNOWLEDGED if self.acked else State.NOT_ACKNOWLEDGED
        if self.latched:
            return State.LATCHED_ACKNOWLEDGED if self.acked else State.LATCHED
        return State.RETURNED

    # What the findings say.

    def hear(self, finding: Finding, ts: float, policy: AlarmPolicy) -> None:
        """Take in a YES or a NO at `ts`; the delays are run by `due_ts` and `fire`."""
        self.touched_ts = ts
        sure = finding.presence is Presence.NO or finding.confidence >= policy.raise_confidence
        self.fresh = sure and self.cause_end_ts is not None and finding.ts > self.cause_end_ts
        if finding.presence is Presence.NO:
            self.last_no_ts = ts
            if self.standing:
                self.standing, self.clear_since_ts = False, ts
            return
        if not sure and not self.active:
            self.standing = False
            return
        if not self.standing:
            floor = finding.since_ts if self.last_no_ts is None else self.last_no_ts
            self.since_ts, self.heard_ts = min(ts, max(finding.since_ts, floor)), ts
            self.standing = True
        self.confidence, self.severity = finding.confidence, finding.severity
        self.sentence, self.evidence, self.causes = (
            finding.sentence,
            finding.evidence,
            finding.causes,
        )

    def due_ts(self, policy: AlarmPolicy) -> float | None:
        """When the fact "active" will flip if nothing new is heard."""
        if self.standing and not self.active:
            return max(self.heard_ts, self.since_ts + policy.on_delay_s)
        if self.active and not self.standing:
            return self.clear_since_ts + policy.off_delay_s
        return None

    # The two facts.

    def fire(self, ts: float, policy: AlarmPolicy, site: str) -> What:
        """A delay ran out: flip "active"."""
        self.touched_ts = ts
        return self._clear(ts, policy) if self.active else self._raise(ts, policy, site)

    def _raise(self, ts: float, policy: AlarmPolicy, site: str) -> What:
        latched_known = self.latched
        away_s = None if self.cleared_ts is None else self.since_ts - self.cleared_ts
        same = bool(self.id) and (
            not self.acked or latched_known or (away_s is not None and away_s <= policy.rejoin_s)
        )
        self.active, self.latched = True, policy.latching
        self.last_raised_ts, self.cleared_ts = ts, None
        if latched_known:
            # Whoever acknowledged a latched alarm and has not reset it still knows of it.
            return What.REPEATED
        self.acked, self.acked_ts, self.acked_by = False, None, None
        if same:
            self.count += 1
            return What.REPEATED
        self.count, self.raised_ts, self.onset_ts = 1, ts, self.since_ts
        self.worst = self.severity
        self.id = f"{site}.{self.tag}.{round(self.since_ts * 1000)}".lstrip(".")
        return What.RAISED

    def _clear(self, ts: float, policy: AlarmPolicy) -> What:
        self.active, self.cleared_ts = False, ts
        if self.cause is not None:
            self.forgive()
        elif policy.auto_ack and not self.latched:
            self.acked = True
        return What.CLEARED

    def acknowledge(self, by: str, ts: float) -> bool:
        """True when it changed something; an activation at `ts` or later stays unacknowledged."""
        if self.acked or (self.last_raised_ts is not None and self.last_raised_ts >= ts):
            return False
        self.acked, self.acked_by, self.acked_ts = True, by, ts
        return True

    def reset(self) -> bool:
        """Let go of a latch; does nothing before the acknowledgement or while active."""
        if not self.latched or self.active or not self.acked:
            return False
        self.latched = False
        return True

    # What hides it.

    def forgive(self) -> None:
        """Nothing is shown, nothing asked: the normal state."""
        self.acked, self.latched, self.cause, self.cause_end_ts = True, False, None, None

    def reveal(self, ts: float) -> None:
        """Come out from behind a shelf or a cause: as new when active, else normal."""
        active = self.active
        latched = self.latched
        self.forgive()
        if active:
            self.acked, self.latched = False, latched
            self.last_raised_ts, self.acked_ts, self.acked_by = ts, None, None

    def renew(self, ts: float) -> None:
        """After work on the subject: what was heard before it no longer counts."""
        if self.active:
            self.cleared_ts = ts
        self.standing, self.active, self.shelf, self.last_no_ts = False, False, None, ts
        self.forgive()

    def spent(self, now_ts: float, policy: AlarmPolicy) -> bool:
        """True when nothing of it is needed any more."""
        quiet = not self.standing and not self.busy and self.shelf is None
        return quiet and now_ts - self.touched_ts > policy.rejoin_s
