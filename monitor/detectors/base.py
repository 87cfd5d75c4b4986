"""What every detector is: a kind, the events it looks at, and one method."""

from monitor.advice.kinds import Kind
from monitor.detectors.context import Context
from monitor.detectors.finding import Evidence, Finding, Presence
from monitor.signals.types import Episode

RUNS = frozenset({"draw", "prime", "idle strokes"})
ALL_EVENTS = RUNS | {"dead-head"}


class Detector:
    """One kind of trouble on one pump; `update` takes an event and gives a finding.

    The class docstring answers, in this order: what it finds, how it looks in the signals, what
    it needs, settings, when it is blind, what the person should do, references.
    """

    kind: Kind
    events: frozenset[str] = RUNS
    open_too: bool = True

    def update(self, event: Episode, context: Context) -> Finding:
        """Judge one event of one pump; cannot tell where the event does not say."""
        raise NotImplementedError

    def rebase(self) -> None:
        """Forget what was learned: the pump was repaired or its set point changed."""

    def gulped(self, _ts: float) -> None:
        """The drum was changed (a work entry): gas that came with it until now told of nothing."""

    def _finding(self, event: Episode, context: Context, presence: Presence) -> Finding:
        return Finding(context.pump.id, self.kind, presence, event.end_ts, event.start_ts)

    def no(self, event: Episode, context: Context) -> Finding:
        """Not present, by this event."""
        return self._finding(event, context, Presence.NO)

    def unknown(self, event: Episode, context: Context) -> Finding:
        """This event does not say."""
        return self._finding(event, context, Presence.CANNOT_TELL)

    def yes(
        self,
        event: Episode,
        context: Context,
        weight: tuple[float, float],
        sentence: str,
        *evidence: Evidence,
        causes: tuple[tuple[Kind, float], ...] = (),
    ) -> Finding:
        """Present; weight is (confidence, severity), each held within 0 to 1. Evidence that is not
        known is left out."""
        confidence, severity = weight
        return Finding(
            subject=context.pump.id,
            kind=self.kind,
            presence=Presence.YES,
            ts=event.end_ts,
            since_ts=event.start_ts,
            confidence=min(max(confidence, 0.0), 1.0),
            severity=min(max(severity, 0.0), 1.0),
            sentence=sentence,
            evidence=tuple(e for e in evidence if e.value is not None),
            causes=causes or ((self.kind, 1.0),),
        )


def near(value: float | None, low: float, high: float) -> bool:
    """A known value within bounds."""
    return value is not None and low <= value <= high


def need(ok: bool, setting: str) -> None:  # noqa: FBT001 - reads as an assertion
    """Refuse a setting by name."""
    if not ok:
        raise ValueError(f"detector setting {setting}: out of its range")
