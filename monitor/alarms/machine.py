"""The life cycle of a site's alarms after ANSI/ISA-18.2 and IEC 62682, as a pure machine.

Time is an argument and only goes forward; an earlier time counts as the latest one seen. Delays
that ran out between two calls take effect at the moment they ran out, so that recorded data
and live data give the same history.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from itertools import groupby
from typing import Any

import msgspec

from monitor.advice.kinds import Kind, Priority
from monitor.alarms.grouping import Family
from monitor.alarms.policy import AlarmPolicy
from monitor.alarms.slot import Shelf, Slot
from monitor.alarms.types import Alarm, AlarmRefused, Change, State, What, split_tag, tag
from monitor.detectors.finding import Finding, Presence

MACHINE = "Strokewise"
"""Who did it, when no person did."""

_RANK = {priority: rank for rank, priority in enumerate(Priority)}


class OutOfService(msgspec.Struct, frozen=True):
    """Why a subject's alarms are out of service."""

    by: str
    work_entry: str
    since_ts: float


class _Saved(msgspec.Struct):
    """Everything that survives a restart."""

    now_ts: float | None
    slots: list[Slot]
    out: dict[str, OutOfService]
    untold: list[Change] = []


class AlarmMachine:
    """All alarms of one site.

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
        for slot in [s for s in self._slots.values() if s.active]:
            if slot.cause is None and not any(map(self._is_active, self._causes(slot))):
                continue
            before, under = self._look(slot), slot.cause
            hidden = self._suppress(slot)
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

    def _suppress(self, slot: Slot) -> What | None:
        """Put an active consequence under its cause, or bring it out once the cause has ended.

        Findings come at draws, so what stood under a cause waits for the first finding judged
        after the cause ended: the old one may only tell of the cause.
        """
        if not slot.active or slot.subject in self._out:
            return None
        causes = [name for name in self._causes(slot) if self._is_active(name)]
        if causes:
            is_new = slot.cause is None
            slot.cause = slot.cause if slot.cause in causes else causes[0]
            slot.cause_end_ts = None
            return What.SUPPRESSED if is_new else None
        if slot.cause is None:
            return None
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

    # What people do.

    def acknowledge(self, alarm_id: str, by: str, now_ts: float) -> list[Change]:
        """Acknowledge what stood before `now_ts`; raises AlarmRefused if there is no such alarm."""
        slot = self._ready(alarm_id, by, now_ts)
        before = self._look(slot)
        if before.state not in _HIDDEN and slot.acknowledge(by, self._now):
            self._tell(slot, before, What.ACKNOWLEDGED, by)
        return self._drain()

    def reset(self, alarm_id: str, by: str, now_ts: float) -> list[Change]:
        """Let go of a latched alarm whose condition is gone and which was acknowledged."""
        slot = self._ready(alarm_id, by, now_ts)
        before = self._look(slot)
        if before.state not in _HIDDEN and slot.reset():
            self._tell(slot, before, What.RESET, by)
        return self._drain()

    def shelve(
        self,
        alarm_id: str,
        by: str,
        reason: str,
        now_ts: float,
        *,
        until_ts: float | None = None,
        one_shot: bool = False,
    ) -> list[Change]:
        """Hide an alarm or an alarm point (its tag) until a time or, one-shot, until it clears.

        A one-shot without an end gets the longest end allowed. Raises AlarmRefused without a
        reason, beyond the longest end, when already shelved, or when hidden otherwise.
        """
        slot = self._ready(alarm_id, by, now_ts, make=True)
        now = self._now
        longest_ts = now + self._policy(slot.kind).max_shelve_s
        end_ts = longest_ts if until_ts is None and one_shot else until_ts
        if not reason.strip():
            raise AlarmRefused("shelving needs a reason: say why and for how long it may wait")
        if end_ts is None or not now < end_ts <= longest_ts:
            days = self._policy(slot.kind).max_shelve_s / 86400
            raise AlarmRefused(f"shelving needs an end, at most {days:g} days from now")
        state = self._state(slot)
        if state in _HIDDEN:
            raise AlarmRefused(f"it is {state.value} already; end that first")
        before = self._look(slot)
        self._slots[slot.tag] = slot
        slot.shelf = Shelf(by, reason.strip(), end_ts, one_shot)
        self._tell(slot, before, What.SHELVED, by, reason.strip())
        return self._drain()

    def unshelve(self, alarm_id: str, by: str, now_ts: float) -> list[Change]:
        """End a shelving before its time; the alarm comes back as new if it still stands."""
        slot = self._ready(alarm_id, by, now_ts)
        before = self._look(slot)
        if slot.shelf is not None:
            self._reveal(slot)
            self._tell(slot, before, What.UNSHELVED, by)
        return self._drain()

    def out_of_service(self, subject: str, by: str, work_entry: str, now_ts: float) -> list[Change]:
        """Take a subject's alarms out of service for work; both ends are by hand and recorded."""
        if not by.strip() or not work_entry.strip():
            raise AlarmRefused("out of service needs who does it and a work entry")
        self._run(max(now_ts, self._now), inclusive=True)
        if subject in self._out:
            raise AlarmRefused(f"{subject} is out of service already")
        seen = [(s, self._look(s)) for s in self._of(subject)]
        self._out[subject] = OutOfService(by, work_entry, self._now)
        self._untold.append(Change(self._now, subject, What.OUT_OF_SERVICE, by, work_entry))
        for slot, before in seen:
            slot.cause, slot.cause_end_ts = None, None
            if before.state is not State.NORMAL:
                self._tell(slot, before, What.OUT_OF_SERVICE, by, work_entry)
        return self._drain()

    def return_to_service(self, subject: str, by: str, now_ts: float) -> list[Change]:
        """The work is done: what was found before it is forgotten, new findings decide."""
        self._run(max(now_ts, self._now), inclusive=True)
        if subject not in self._out:
            raise AlarmRefused(f"{subject} is not out of service")
        seen = [(s, self._look(s)) for s in self._of(subject)]
        entry = self._out.pop(subject).work_entry
        self._untold.append(Change(self._now, subject, What.IN_SERVICE, by, entry))
        for slot, before in seen:
            slot.renew(self._now)
            if before.state is not State.NORMAL:
                self._tell(slot, before, What.IN_SERVICE, by, entry)
        return self.tick(now_ts)

    def _of(self, subject: str) -> list[Slot]:
        return [s for s in self._slots.values() if s.subject == subject]

    def _ready(self, alarm_id: str, by: str, now_ts: float, *, make: bool = False) -> Slot:
        if not by.strip():
            raise AlarmRefused("say who does it")
        slot = next((s for s in self._slots.values() if alarm_id in (s.id, s.tag)), None)
        if slot is None and make:
            subject, kind = split_tag(alarm_id)
            slot = Slot(subject, kind, onset_ts=now_ts)
        if slot is None:
            raise AlarmRefused(f"no alarm {alarm_id!r} stands here; it may be over")
        self._run(max(now_ts, self._now), inclusive=True)
        return slot

    def _tell(self, slot: Slot, before: Alarm | None, what: What, by: str, note: str = "") -> None:
        slot.touched_ts = self._now
        after = self._look(slot)
        self._untold.append(Change(self._now, slot.subject, what, by, note, before, after))

    # Looking.

    def alarms(self) -> list[Alarm]:
        """Every alarm that is not in the normal state, most urgent and oldest first."""
        seen = (self._look(slot) for slot in self._slots.values())
        return sorted(
            (a for a in seen if a.state is not State.NORMAL),
            key=lambda a: (_RANK[a.priority], a.since_ts, a.id),
        )

    @property
    def out(self) -> Mapping[str, OutOfService]:
        """The subjects that are out of service."""
        return dict(self._out)

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

    # Restart.

    def dump(self) -> dict[str, Any]:
        """Everything, timers included, as plain values for JSON."""
        now = None if self._now == float("-inf") else self._now
        saved = _Saved(now, list(self._slots.values()), self._out, self._untold)
        plain: dict[str, Any] = msgspec.to_builtins(saved)
        return plain

    def load(self, saved: Mapping[str, Any]) -> None:
        """Go on from a dump; raises AlarmRefused when it is not one."""
        try:
            state = msgspec.convert(dict(saved), _Saved)
        except msgspec.ValidationError as problem:
            raise AlarmRefused(f"the saved alarm state cannot be read: {problem}") from problem
        self._now = float("-inf") if state.now_ts is None else state.now_ts
        self._slots = {slot.tag: slot for slot in state.slots}
        self._out, self._untold = state.out, state.untold


_HIDDEN = frozenset({State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE})
