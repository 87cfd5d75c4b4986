"""Word to people: who, when, through which channel, at least once and never a storm."""

from monitor.notify.ack_link import SCHEMA as _ACK_LINK
from monitor.notify.casebook import SCHEMA as _CASEBOOK
from monitor.notify.outbox import SCHEMA as _OUTBOX

SCHEMAS = (_OUTBOX, _CASEBOOK, _ACK_LINK)
"""The tables of this room in `core.db`."""
