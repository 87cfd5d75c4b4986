"""kill -9 in the middle of sending: nothing is lost, nothing recorded as sent goes out again."""

import os
import signal
import subprocess
import sys
import threading
from collections import Counter
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer

import pytest

from monitor.notify import SCHEMAS
from monitor.store.core import Core

COUNT = 40
# Half the kills come before the receiver has answered, half just after.
KILL_AT = {3: "before", 8: "after", 14: "before", 20: "after", 26: "before", 33: "after"}

CHILD = """
import sys, threading
from pathlib import Path
from monitor.clock import now_ts
from monitor.notify import SCHEMAS
from monitor.notify.channels import ApprisePost
from monitor.notify.message import merged
from monitor.notify.outbox import Message, Outbox
from monitor.notify.worker import Courier
from monitor.store.core import Core

core = Core(Path(sys.argv[1]), SCHEMAS)
outbox = Outbox(core, merged)
outbox.add(
    [
        Message(f"{n}", "harbour", f"hook{n % 2}", f"p{n}", "raised", f"S{n}", "text", "")
        for n in range(int(sys.argv[3]))
    ],
    now_ts(),
)
courier = Courier(outbox, ApprisePost(lambda *_: sys.argv[2]), lambda _: None, now_ts)
courier.start()
pause = threading.Event()
while any(h.waiting for h in outbox.health()):
    pause.wait(0.02)
courier.close()
core.close()
"""


class Receiver:
    """A webhook that kills the sender at chosen deliveries."""

    def __init__(self):
        self.got = []
        self.child = None
        self.lock = threading.Lock()
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self):
                self.rfile.read(int(self.headers["Content-Length"]))
                with receiver.lock:
                    receiver.got.append(self.headers["X-Strokewise-Message"])
                    when = KILL_AT.get(len(receiver.got))
                    if when == "before":
                        receiver.kill()
                    try:
                        self.send_response(200)
                        self.send_header("Content-Length", "0")
                        self.end_headers()
                    except OSError:
                        self.close_connection = True
                    if when == "after":
                        receiver.kill()

            def log_message(self, *args):
                pass

        self.server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
        self.thread = threading.Thread(target=self.server.serve_forever, args=(0.01,))
        self.thread.start()

    def kill(self):
        os.kill(self.child.pid, signal.SIGKILL)

    def close(self):
        self.server.shutdown()
        self.server.server_close()
        self.thread.join()


@pytest.fixture
def receiver():
    one = Receiver()
    yield one
    one.close()


def recorded(folder):
    core = Core(folder, SCHEMAS)
    rows = core.rows("SELECT key, sent_ts IS NOT NULL FROM notify_outbox")
    core.close()
    return {key for key, sent in rows if sent}, {key for key, sent in rows if not sent}


@pytest.mark.crash
def test_kill_in_mid_send_loses_and_doubles_nothing_recorded_as_sent(tmp_path, receiver):
    kills, sent_before, boundary = 0, set(), 0
    while True:
        url = f"json://127.0.0.1:{receiver.server.server_port}/"
        receiver.child = subprocess.Popen(
            [sys.executable, "-c", CHILD, str(tmp_path), url, str(COUNT)]
        )
        code = receiver.child.wait(60)
        with receiver.lock:
            again = sent_before & set(receiver.got[boundary:])
            boundary = len(receiver.got)
        assert not again, "recorded as sent, and sent again"
        sent, waiting = recorded(tmp_path)
        assert len(sent | waiting) == COUNT
        assert sent_before <= sent <= set(receiver.got), "recorded as sent, never delivered"
        sent_before = sent
        if code == 0:
            break
        assert code == -signal.SIGKILL
        kills += 1
        assert kills <= len(KILL_AT)
    assert kills == len(KILL_AT)
    assert waiting == set()
    counts = Counter(receiver.got)
    assert set(counts) == {str(n) for n in range(COUNT)}
    # At least once: only what was under way at a kill (two channels) may come twice.
    assert sum(n - 1 for n in counts.values()) <= 2 * kills
