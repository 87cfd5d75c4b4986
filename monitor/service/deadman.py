"""Ends a collector that is frozen: the dead man's handle of one that shares its folders.

A process that is stopped in the middle of a commit holds SQLite's lock, which only its end or its
waking releases; the fence of `store/owner` keeps it from doing harm, but not its folder from
waiting. So a collector has a child in a session of its own (what stops the collector does not reach
it) that hears a word every second. When none comes for 15 seconds it kills its parent, as kill -9
would: what was not receipted comes again, and whoever waits for the folder has it at once.

The child counts its own waking, not the clock's time: where the whole machine was suspended, both
go on together and nobody is ended.
"""

import os
import selectors
import signal
import subprocess
import sys
import threading
from collections.abc import Callable

BEAT_S = 1.0
LOOK_S = 5.0
LOOKS = 3
"""15 to 20 s of silence (chosen: one and a half keepalives of 4 s, after which the broker gives up
on a client by MQTT 3.1.1, 3.1.2.10, are over by then: its sites are somebody else's already, and to
be ended costs it nothing more)."""


class DeadMan:
    """The handle that this process holds from start to close()."""

    def __init__(self, look_s: float = LOOK_S, looks: int = LOOKS) -> None:
        self._released = threading.Event()
        self._beat_s = min(BEAT_S, look_s / 2)
        said = [sys.executable, "-m", __name__, str(os.getpid()), str(look_s), str(looks)]
        self._child = subprocess.Popen(  # noqa: S603 - this very file, by this very Python
            said, stdin=subprocess.PIPE, start_new_session=True
        )
        self._thread = threading.Thread(target=self._beat, name="dead man", daemon=True)
        self._thread.start()

    def _beat(self) -> None:
        line = self._child.stdin
        assert line is not None  # noqa: S101 - for the type checker: it was asked for
        try:
            while not self._released.wait(self._beat_s):
                line.write(b".")
                line.flush()
        except OSError:
            return  # the child was ended by somebody: then this process runs without
        line.close()

    def close(self) -> None:
        """Let go: the child ends and nobody is killed."""
        self._released.set()
        self._thread.join(5)
        self._child.kill()
        self._child.wait()


def watch(heard: Callable[[], bytes | None], looks: int) -> bool:
    """Has the parent been silent for so many looks? False when it has ended. heard() waits for one
    look: what came, None for nothing, empty for the end."""
    silent = 0
    while silent < looks:
        word = heard()
        if word == b"":
            return False
        silent = silent + 1 if word is None else 0
    return True


def main(parent: int, look_s: float, looks: int) -> None:
    """The child's life."""
    with selectors.DefaultSelector() as waiting:
        waiting.register(sys.stdin.fileno(), selectors.EVENT_READ)

        def heard() -> bytes | None:
            return os.read(sys.stdin.fileno(), 4096) if waiting.select(look_s) else None

        if watch(heard, looks) and os.getppid() == parent:
            os.kill(parent, signal.SIGKILL)


if __name__ == "__main__":
    main(int(sys.argv[1]), float(sys.argv[2]), int(sys.argv[3]))
