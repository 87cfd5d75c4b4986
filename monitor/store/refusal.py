"""What no store takes, whatever intake let through."""

from monitor.wire import Message

MAX_SPAN_US = 60_000_000
"""Reads look one message length before their span; this bounds it."""
FIRST_US = 946_684_800_000_000
"""2000-01-01: an older time is a clock that was never set."""
END_US = 4_102_444_800_000_000
"""2100-01-01."""
MAX_NUMBER = 1 << 32


def refusal(message: Message) -> str:
    """Why this message cannot be stored, in one word; empty when it can."""
    if message.dt_us <= 0 or message.dt_us * max(len(message.samples), 1) > MAX_SPAN_US:
        return "span"
    if not FIRST_US <= message.t0_us < END_US:
        return "time"
    if not (0 <= message.boot < MAX_NUMBER and 0 <= message.seq < MAX_NUMBER):
        return "number"
    if len(message.stroke_t_us) != len(message.stroke_total):
        return "strokes"
    if (message.demand_t_us is None) != (message.demand_on is None):
        return "demand"
    if message.demand_t_us is not None and message.demand_on is not None:
        return "demand" if len(message.demand_t_us) != len(message.demand_on) else ""
    return ""
