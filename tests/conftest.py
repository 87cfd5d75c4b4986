"""What every test may use, and which tests run by default.

Default: everything that needs no program outside Python and no patience. `--all`, or CI=true in
the environment, runs the rest too; there a missing program is a failure, never a silent skip.
"""

import gc
import os
import shutil
import tempfile
from pathlib import Path

import pace  # noqa: F401 - names the profiles
import pytest
from hypothesis import settings
from threadpoolctl import threadpool_limits

# As `strokewise` itself does: our arrays are small, and idle BLAS threads spin on the other cores.
# The variable is for what is loaded later and for programs that tests start.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
threadpool_limits(1, user_api="blas")

NOT_BY_DEFAULT = {
    "broker": ("mosquitto",),
    "influx": ("influxd", "nginx"),
    "browser": ("chromium",),
    "crash": (),
    "slow": (),
}
MEMORY = Path("/dev/shm")  # noqa: S108 - folders in it are made by mkdtemp and pytest
MEMORY_NEEDED = 1_000_000_000
DAEMON_FOLDERS = ["/usr/sbin", "/usr/local/sbin"]


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--all", action="store_true", help="run broker, browser, crash and slow tests")


def wants_all(config: pytest.Config) -> bool:
    return bool(config.getoption("--all")) or os.environ.get("CI") == "true"


def pytest_configure(config: pytest.Config) -> None:
    """The fast tests try laws on fewer examples (`pace`) and write to memory where there is some:
    a disk makes each commit wait. With --all, CI=true or a marker asked for, everything is on the
    disk, as in life."""
    settings.load_profile("whole" if wants_all(config) else "quick")
    if wants_all(config) or config.getoption("markexpr") or not MEMORY.is_dir():
        return
    if os.access(MEMORY, os.W_OK) and shutil.disk_usage(MEMORY).free > MEMORY_NEEDED:
        os.environ.setdefault("PYTEST_DEBUG_TEMPROOT", str(MEMORY))
        tempfile.tempdir = str(MEMORY)


def pytest_report_header(config: pytest.Config) -> str:
    if wants_all(config):
        return "strokewise: all tests, those with broker, database, browser and kills too"
    return "strokewise: fast tests; --all adds " + ", ".join(NOT_BY_DEFAULT)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if wants_all(config) or config.getoption("markexpr"):
        return
    marked = [i for i in items if any(i.get_closest_marker(m) for m in NOT_BY_DEFAULT)]
    config.hook.pytest_deselected(items=marked)
    items[:] = [i for i in items if i not in set(marked)]


def pytest_collection_finish() -> None:
    """What is loaded by now stays: it need not be looked through again and again."""
    gc.collect()
    gc.freeze()


def pytest_runtest_setup(item: pytest.Item) -> None:
    path = os.pathsep.join([os.environ.get("PATH", ""), *DAEMON_FOLDERS])
    for marker, programs in NOT_BY_DEFAULT.items():
        if item.get_closest_marker(marker) is None:
            continue
        missing = [p for p in programs if shutil.which(p, path=path) is None]
        if missing:
            pytest.fail(f"needs {', '.join(missing)} on PATH: install it and run again")


@pytest.fixture(scope="session")
def mosquitto_program() -> str:
    """Path of the real broker's program."""
    path = os.pathsep.join([os.environ.get("PATH", ""), *DAEMON_FOLDERS])
    found = shutil.which("mosquitto", path=path)
    if found is None:
        pytest.fail("needs mosquitto on PATH")
    return found


@pytest.fixture(scope="session")
def root_folder() -> Path:
    """The checkout."""
    return Path(__file__).resolve().parent.parent
