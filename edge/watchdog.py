"""Tells systemd that the node is up and alive (sd_notify over its datagram socket)."""

import os
import socket
from contextlib import suppress


def notify(state: str) -> None:
    """Send READY=1, WATCHDOG=1 or STOPPING=1; does nothing where systemd does not listen."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    if address.startswith("@"):
        address = "\0" + address[1:]
    with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as line:
        line.sendto(state.encode(), address)
