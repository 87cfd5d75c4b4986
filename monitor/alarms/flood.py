"""When alarms come faster than a person can take them in.

A flood starts with more than 10 annunciated alarms in 10 minutes and ends when fewer than 5 came
in 10 minutes; an alarm chatters when it comes 3 times within a minute (working rule; windows are
half-open). ANSI/ISA-18.2 and EEMUA 191, as quoted in public training texts.
"""

from collections.abc import Iterable, Sequence

WINDOW_S = 600.0
START_ABOVE = 10
END_BELOW = 5
CHATTER_COUNT = 3
CHATTER_S = 60.0


def floods(times_ts: Iterable[float], until_ts: float) -> list[tuple[float, float | None]]:
    """The floods among these activations as (start, end); end None = still on at `until_ts`.

    At time t the activations in (t - 10 min, t] count.
    """
    times = sorted(t for t in times_ts if t <= until_ts)
    steps = sorted([(t + WINDOW_S, -1) for t in times] + [(t, 1) for t in times])
    found: list[tuple[float, float | None]] = []
    count, start = 0, None
    for ts, step in steps:
        if ts > until_ts:
            break
        count += step
        if start is None and count > START_ABOVE:
            start = ts
        elif start is not None and count < END_BELOW:
            found.append((start, ts))
            start = None
    if start is not None:
        found.append((start, None))
    return found


def chatters(times_ts: Sequence[float]) -> bool:
    """Whether one alarm's activations hold 3 in some half-open minute."""
    times = sorted(times_ts)
    last = CHATTER_COUNT - 1
    return any(b - a < CHATTER_S for a, b in zip(times, times[last:], strict=False))
