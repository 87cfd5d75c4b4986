"""What drives the alarms of a site: findings, delays that run out, causes that hide.

Time is an argument and only goes forward; an earlier time counts as the latest one seen. Delays
that ran out between two calls take effect at the moment they ran out, so that recorded data
and live data give the same history.
"""

from collections.abc import Callable, Iterable, Sequence
from itertools import groupby

import msgspec

from monitor.advice.kinds import Kind
from monitor.alarms.grouping import Family
from monitor.alarms.policy import AlarmPolicy
from monitor.alarms.slot import Slot
from monitor.alarms.types import Alarm, Change, State, What, tag
from monitor.detectors.finding import Finding, Presence

MACHINE = "Strokewise"
"""Who did it, when no person did."""


class OutOfService(msgspec.Struct, frozen=True):
    """Why a subject's alarms are out of service."""

    by: str
    work_entry: str
    since_ts: float


class Clockwork:
    """The part of the alarm machine that no hand touches.

    policy: the behaviour of each kind. family: which subject stands under which supply or node.
    Each call that changes something returns the changes in the order in which they happened.
    """

    def __init__(
        self,
        policy: Callable[[Kind], AlarmPolicy],
        *,
        site: str = "",
        family: Family | None = None,
    ) -> None:
        self._policy = policy
        self._site = site
        self._family = family or Family()
        self._slots: dict[str, Slot] = {}
        self._out: dict[str, OutOfService] = {}
        self._now = float("-inf")
        self._untold: list[Change] = []

    # Hearing and time.

    def update(self, findings: Sequence[Finding], now_ts: float) -> list[Change]:
        """Take in findings, each at the time it was judged (never after `now_ts`)."""
        now = max(now_ts, self._now)
        findings = [*findings, *self._family.silence(findings, self._silent())]
        due = {tag(f.subject, f.kind) for f in findings if f.presence is Presence.YES}
        told = [
            (min(max(f.ts, self._now), now), f)
            for f in findings
            if f.presence is not Presence.CANNOT_TELL
            and (tag(f.subject, f.kind) in due or tag(f.subject, f.kind) in self._slots)
        ]
        told.sort(key=lambda pair: pair[0])
        for ts, group in groupby(told, key=lambda pair: pair[0]):
            # A delay that ends at this very moment must first see what is heard at this moment.
            self._run(ts, inclusive=False)
            for _, finding in group:
                slot = Slot(finding.subject, finding.kind)
                slot = self._slots.setdefault(slot.tag, slot)
                slot.hear(finding, ts, self._policy(finding.kind))
        return self.tick(now)

    def _silent(self) -> list[str]:
        return [
            s.subject for s in self._slots.values() if s.kind is Kind.NODE_SILENT and s.standing
        ]

    def tick(self, now_ts: float) -> list[Change]:
        """Let the delays and shelves run out; call about once a second."""
        self._run(max(now_ts, self._now), inclusive=True)
        return self._drain()

    def _drain(self) -> list[Change]:
        """What was not handed out yet, also by a call that ended in a refusal."""
        changes, self._untold = self._untold, []
        return changes

    def put_back(self, changes: Sequence[Change]) -> None:
        """These could not be kept: the next call that hands out changes begins with them."""
        self._untold = [*changes, *self._untold]

    def _run(self, until_ts: float, *, inclusive: bool) -> None:
        while True:
            due = min((self._due(s) for s in self._slots.values()), default=float("inf"))
            if due > until_ts or (due == until_ts and not inclusive):
                break
            self._now = max(due, self._now)
            self._apply([s for s in self._slots.values() if self._due(s) <= self._now])
        self._now = max(until_ts, self._now)
        self._apply([])
        self._forget()

    def _due(self, slot: Slot) -> float:
        """When this slot changes if nothing new is heard."""
        return min(self._fact_due(slot), slot.shelf.until_ts if slot.shelf else float("inf"))

    def _fact_due(self, slot: Slot) -> float:
        due = slot.due_ts(self._policy(slot.kind))
        if due is None:
            return float("inf")
        if slot.active:
            return due
        # A consequence waits while the on-delay of its cause still runs.
        waits = (self._slots.get(name) for name in self._causes(slot))
        ends = (c.due_ts(self._policy(c.kind)) for c in waits if c is not None and c.pending)
        return max([due, *(end for end in ends if end is not None)])

    def _causes(self, slot: Slot) -> tuple[str, ...]:
        return self._family.causes(slot.subject, slot.kind)

    def _apply(self, due: Iterable[Slot]) -> None:
        """Flip what is due, let causes take their consequences under them, then tell."""
        told: list[tuple[Slot, Alarm | None, What, str]] = []
        for slot in due:
            before = self._look(slot) if slot.id or slot.shelf else None
            if slot.shelf is not None and slot.shelf.until_ts <= self._now:
                self._reveal(slot)
                told.append((slot, before, What.SHELF_ENDED, ""))
                continue
            what, note = slot.fire(self._now, self._policy(slot.kind), self._site), ""
            if slot.shelf is not None and slot.shelf.one_shot and not slot.active:
                note = "one-shot shelving ended"
                self._reveal(slot)
            told.append((slot, None if what is What.RAISED else before, what, note))
        fired = {slot.tag for slot, *_ in told}
        for slot in [s for s in self._slots.values() if s.active and s.subject not in self._out]:
            causes = [name for name in self._causes(slot) if self._is_active(name)]
            if not causes and slot.cause is None:
                continue
            before, under = self._look(slot), slot.cause
            hidden = self._suppress(slot, causes)
            if hidden is not None and slot.tag not in fired:
                told.append((slot, before, hidden, slot.cause or under or ""))
        for slot, before, what, note in told:
            self._tell(slot, before, what, MACHINE, note)
        for slot in [s for s in self._slots.values() if s.active and s.severity > s.worst]:
            before, slot.worst = self._look(slot), slot.severity
            if before.priority is not self._look(slot).priority:
                self._tell(slot, before, What.URGENT, MACHINE)

    def _reveal(self, slot: Slot) -> None:
        slot.shelf = None
        if slot.cause is None:
            slot.reveal(self._now)

    def _suppress(self, slot: Slot, causes: Sequence[str]) -> What | None:
        """Put an active consequence under its cause, or bring it out once the cause has ended.

        Findings come at draws, so what stood under a cause waits for the first finding judged
        after the cause ended: the old one may only tell of the cause.
        """
        if causes:
            is_new = slot.cause is None
            slot.cause = slot.cause if slot.cause in causes else causes[0]
            slot.cause_end_ts = None
            return What.SUPPRESSED if is_new else None
        if slot.cause_end_ts is None:
            slot.cause_end_ts, slot.fresh = self._now, False
        elif slot.fresh and slot.standing:
            slot.reveal(self._now)
            return What.RELEASED
        return None

    def _is_active(self, name: str) -> bool:
        slot = self._slots.get(name)
        return slot is not None and slot.active

    def _forget(self) -> None:
        spent = [t for t, s in self._slots.items() if s.spent(self._now, self._policy(s.kind))]
        for name in spent:
            del self._slots[name]

    def _tell(self, slot: Slot, before: Alarm | None, what: What, by: str, note: str = "") -> None:
        slot.touched_ts = self._now
        after = self._look(slot)
        self._untold.append(Change(self._now, slot.subject, what, by, note, before, after))

    # Looking.

    def _state(self, slot: Slot) -> State:
        return slot.state(in_service=slot.subject not in self._out)

    def _look(self, slot: Slot) -> Alarm:
        shelf, cause, name = slot.shelf, self._slots.get(slot.cause or ""), slot.tag
        return Alarm(
            id=slot.id or slot.tag,
            site=self._site,
            subject=slot.subject,
            kind=slot.kind,
            priority=self._policy(slot.kind).priority_at(slot.worst),
            state=self._state(slot),
            active=slot.active,
            acked=slot.acked,
            since_ts=slot.onset_ts,
            raised_ts=slot.raised_ts,
            last_raised_ts=slot.last_raised_ts,
            cleared_ts=slot.cleared_ts,
            acked_ts=slot.acked_ts,
            acked_by=slot.acked_by,
            count=slot.count,
            confidence=slot.confidence,
            severity=slot.severity,
            sentence=slot.sentence,
            evidence=slot.evidence,
            causes=slot.causes,
            shelved_until_ts=shelf.until_ts if shelf else None,
            shelved_by=shelf.by if shelf else None,
            shelve_reason=shelf.reason if shelf else None,
            one_shot=bool(shelf and shelf.one_shot),
            cause=cause.id if cause else slot.cause,
            members=tuple(s.subject for s in self._slots.values() if s.cause == name),
        )
