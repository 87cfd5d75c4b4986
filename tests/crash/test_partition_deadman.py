"""A process that is frozen in the middle of a commit is ended, and its folder goes on."""

import subprocess
import sys
import threading
from pathlib import Path

import pytest
from collectors import locked, wait_for

from monitor.store.core import Core
from monitor.store.owner import SCHEMA

pytestmark = pytest.mark.crash

FROZEN = """
import os, signal, sys
from pathlib import Path
from monitor.service.deadman import DeadMan
from monitor.store.core import Core
from monitor.store.owner import SCHEMA
handle = DeadMan(look_s=0.2, looks=5)
with Core(Path(sys.argv[1]), [SCHEMA]).write() as db:
    db.execute("INSERT OR REPLACE INTO ownership VALUES(1, 99, 'ant')")
    print("in", flush=True)
    if sys.argv[2] == "stop":
        os.kill(os.getpid(), signal.SIGSTOP)
    sys.stdin.read()
handle.close()
print("out", flush=True)
"""


def start(folder: Path, what: str) -> subprocess.Popen[str]:
    child = subprocess.Popen(
        [sys.executable, "-c", FROZEN, str(folder), what],
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert child.stdout is not None
    assert child.stdout.readline() == "in\n"
    return child


def test_frozen_in_a_commit_it_is_ended_and_what_it_had_not_committed_is_gone(
    tmp_path: Path,
) -> None:
    Core(tmp_path, [SCHEMA]).close()
    child = start(tmp_path, "stop")
    assert locked(tmp_path / "core.db")
    assert wait_for(lambda: child.poll() is not None, 20)
    assert child.returncode == -9
    assert not locked(tmp_path / "core.db")
    core = Core(tmp_path, [SCHEMA])
    assert core.rows("SELECT number FROM ownership") == []
    core.close()
    child.communicate()


def test_one_that_only_takes_long_is_left_alone(tmp_path: Path) -> None:
    Core(tmp_path, [SCHEMA]).close()
    child = start(tmp_path, "work")
    threading.Event().wait(2.0)  # twice as long as a frozen one would have had
    assert child.poll() is None
    out, _ = child.communicate("")
    assert (out, child.returncode) == ("out\n", 0)
    assert not locked(tmp_path / "core.db")
