"""The life cycle of a site's alarms after ANSI/ISA-18.2 and IEC 62682, as a pure machine.

Here is what people do to alarms, how they look, and what survives a restart; the clockwork under
it hears the findings and runs the delays. Time is an argument.
"""

from collections.abc import Mapping
from typing import Any

import msgspec

from monitor.advice.kinds import Priority
from monitor.alarms.clockwork import Clockwork, OutOfService
from monitor.alarms.slot import Shelf, Slot
from monitor.alarms.types import Alarm, AlarmRefused, Change, State, What, split_tag

__all__ = ["AlarmMachine", "OutOfService"]

_RANK = {priority: rank for rank, priority in enumerate(Priority)}
_HIDDEN = frozenset({State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE})


class _Saved(msgspec.Struct):
    """Everything that survives a restart."""

    now_ts: float | None
    slots: list[Slot]
    out: dict[str, OutOfService]
    untold: list[Change] = []


class AlarmMachine(Clockwork):
    """All alarms of one site.

    policy: the behaviour of each kind. family: which subject stands under which supply or node.
    Each call that changes something returns the changes in the order in which they happened.
    """

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
            raise AlarmRefused(f"shelving needs an end that lies ahead, at most {days:g} days")
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
