"""Fits of the baselines' models in a passing process, so that the service itself stays small.

scikit-learn with scipy takes 140 MB in every process that has used it. A fit is wanted now and
then (every some hundred draws of a pump), costs some 40 ms and is in no hurry: fits are gathered
for a while, then a child does them one after another and ends. A child that dies, hangs or cannot
be started costs the fit it had in hand: that one is counted and logged, and asked for again some
draws later. Without its parent the child ends by itself, because its input ends.
"""

import contextlib
import logging
import os
import pickle
import queue
import signal
import subprocess
import sys
import threading
from collections.abc import Mapping
from typing import Any

from monitor.detectors.joint import Job, Ticket

log = logging.getLogger(__name__)

LINGER_S = 60.0
"""Fits are gathered so long: a child's start costs a second of work, a fit a twentieth (chosen)."""
MOST = 256
"""Fits that wait; more are asked for again by their pumps (10 to 30 kB each)."""
PATIENCE_S = 60.0
"""A fit that takes longer hangs (chosen: a thousand times the usual)."""
CHILD = (sys.executable, "-m", "monitor.service.fits")
ONE_THREAD = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}
"""The matrices are small; more threads would only take the service's core."""
NICE = 10

Child = subprocess.Popen[bytes]


class Fits:
    """Takes jobs by `take` (a `Fitter`); thread-safe. `close` ends everything."""

    def __init__(self, linger_s: float = LINGER_S, command: tuple[str, ...] = CHILD) -> None:
        self._linger_s, self._command = linger_s, command
        self._waiting: queue.Queue[tuple[Job, Ticket] | None] = queue.Queue(MOST)
        self._stopping = threading.Event()
        self._lock = threading.Lock()
        self._child: Child | None = None
        self._counts = {"done": 0, "failed": 0, "refused": 0, "children": 0}
        self._thread = threading.Thread(target=self._work, name="fits", daemon=True)
        self._thread.start()

    def take(self, job: Job) -> Ticket | None:
        """A ticket whose answer comes later; None when too many wait."""
        ticket = Ticket()
        try:
            self._waiting.put_nowait((job, ticket))
        except queue.Full:
            self._counts["refused"] += 1
            return None
        return ticket

    def counts(self) -> Mapping[str, int]:
        """Fits done, failed, refused, and children begun, since the start."""
        return {f"{name}_total": number for name, number in self._counts.items()}

    def close(self) -> None:
        """Drop what waits, end the child."""
        self._stopping.set()
        with contextlib.suppress(queue.Full):
            self._waiting.put_nowait(None)  # wakes the thread; a full queue has it awake
        with self._lock:
            if self._child is not None:
                self._child.kill()
        self._thread.join(10)

    def _work(self) -> None:
        while not self._stopping.is_set():
            item = self._waiting.get()
            if item is None or self._stopping.wait(self._linger_s):
                return
            while item is not None and not self._stopping.is_set():
                self._one(*item)
                try:
                    item = self._waiting.get_nowait()
                except queue.Empty:
                    break
            self._end_child()

    def _one(self, job: Job, ticket: Ticket) -> None:
        try:
            ticket.answer = self._asked(job)
            self._counts["done"] += 1
        except (OSError, EOFError, pickle.PickleError, RuntimeError) as problem:
            if not self._stopping.is_set():
                log.warning("fit failed job=%s reason=%s", type(job).__name__, _words(problem))
                self._counts["failed"] += 1
            self._end_child()
        ticket.done = True

    def _asked(self, job: Job) -> Any:
        """The child's answer. Raises OSError, EOFError, PickleError, RuntimeError."""
        child = self._living()
        if child.stdin is None or child.stdout is None:  # pragma: no cover - Popen gave both
            raise RuntimeError("no pipes")
        clock = threading.Timer(PATIENCE_S, child.kill)
        clock.start()
        try:
            pickle.dump(job, child.stdin)
            child.stdin.flush()
            answer, problem = pickle.load(child.stdout)  # noqa: S301 - from our own child
        finally:
            clock.cancel()
        if problem:
            raise RuntimeError(problem)
        return answer

    def _living(self) -> Child:
        with self._lock:
            if self._stopping.is_set():
                raise EOFError("stopping")
            if self._child is None:
                self._child = subprocess.Popen(  # noqa: S603 - our own program
                    self._command,
                    stdin=subprocess.PIPE,
                    stdout=subprocess.PIPE,
                    env={**os.environ, **ONE_THREAD},
                )
                self._counts["children"] += 1
            return self._child

    def _end_child(self) -> None:
        with self._lock:
            child, self._child = self._child, None
        if child is None:
            return
        for pipe in (child.stdin, child.stdout):
            if pipe is not None:
                with contextlib.suppress(OSError):
                    pipe.close()  # its input ends, and so does it
        try:
            child.wait(5)
        except subprocess.TimeoutExpired:
            child.kill()
            child.wait()


def _words(problem: BaseException) -> str:
    return str(problem) or type(problem).__name__


def main() -> None:
    """The child: jobs in, (answer, problem) out, until the input ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the parent, who ends us
    with contextlib.suppress(OSError, AttributeError):
        os.nice(NICE)
    source, sink = sys.stdin.buffer, sys.stdout.buffer
    while True:
        try:
            job = pickle.load(source)  # noqa: S301 - from our own parent
        except EOFError:
            return
        try:
            said: tuple[Any, str] = (job.run(), "")
        except (ValueError, ArithmeticError, MemoryError, ImportError) as problem:
            said = (None, _words(problem))
        pickle.dump(said, sink)
        sink.flush()


if __name__ == "__main__":
    main()
