"""One file that holds everything, made beside a running service, and back again.

`core.db` is copied first, the day files after it, each as one consistent snapshot. What a fold
moves in between is then in both copies, never in neither; restoring merges by (boot, seq) and
brings ledger and levels up to what the day files hold.
"""

import errno
import hashlib
import json
import shutil
import tarfile
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import apsw

from monitor.errors import StoreFull, StrokewiseError
from monitor.store.days import DayFiles
from monitor.store.embedded import EmbeddedStore

FORMAT = 1
MANIFEST = "manifest.json"
BLOCK = 1 << 20
OTHERS = ("*.key", "*.secret")
OWNER_ONLY = 0o600

Progress = Callable[[float], None]


class BadBackup(StrokewiseError):
    """The backup cannot be used; make a new one, or take an older one."""


@dataclass(frozen=True, slots=True)
class Member:
    """One file of a backup with its checksum."""

    name: str
    size_bytes: int
    sha256: str


def _quiet(_share: float) -> None:
    """Nobody watches."""


def backup(folder: Path, target: Path, now_ts: float, progress: Progress = _quiet) -> list[Member]:
    """Write the folder's store to the target file; works while a service runs on the folder.

    The target appears whole or not at all. Raises BadBackup, StoreFull.
    """
    core = folder / "core.db"
    if not core.exists():
        raise BadBackup(f"{folder}: there is no core.db here; name the data folder")
    target.parent.mkdir(parents=True, exist_ok=True)
    unfinished = target.with_name(target.name + ".unfinished")
    days = DayFiles(folder, lambda _sid: ("", ""))
    sources = [core, *(days.path(day) for day in days.days())]
    sources += sorted(p for pattern in OTHERS for p in folder.glob(pattern))
    total = sum(p.stat().st_size for p in sources) or 1
    members: list[Member] = []
    done = 0
    try:
        with (
            tempfile.TemporaryDirectory(dir=target.parent) as room,
            tarfile.open(unfinished, "w") as tar,
        ):
            # It holds password hashes and keys: for its owner's eyes only.
            unfinished.chmod(OWNER_ONLY)
            for source in sources:
                done += source.stat().st_size
                members.append(_add(tar, source, Path(room) / source.name))
                progress(done / total)
            _add_manifest(tar, Path(room), members, now_ts)
        unfinished.replace(target)
    except (apsw.Error, OSError) as problem:
        unfinished.unlink(missing_ok=True)
        if isinstance(problem, apsw.FullError) or getattr(problem, "errno", 0) == errno.ENOSPC:
            raise StoreFull(f"no room for the backup: {problem}; free space there") from problem
        raise BadBackup(f"the backup of {folder} was not written: {problem}") from problem
    return members


def _add(tar: tarfile.TarFile, source: Path, copy: Path) -> Member:
    if source.suffix == ".db":
        _snapshot(source, copy)
    else:
        shutil.copyfile(source, copy)
    member = Member(source.name, copy.stat().st_size, _sha256(copy))
    tar.add(copy, source.name)
    copy.unlink()
    return member


def _snapshot(source: Path, copy: Path) -> None:
    """All pages in one read transaction: writers go on meanwhile (WAL)."""
    read, write = apsw.Connection(str(source)), apsw.Connection(str(copy))
    try:
        read.set_busy_timeout(10_000)
        with write.backup("main", read, "main") as pages:
            while not pages.done:
                pages.step(-1)
        # The copy is a plain file without a log beside it.
        write.execute("PRAGMA journal_mode=DELETE").fetchall()
    finally:
        read.close()
        write.close()


def _sha256(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def _add_manifest(tar: tarfile.TarFile, room: Path, members: list[Member], now_ts: float) -> None:
    told = {
        "format": FORMAT,
        "made_ts": now_ts,
        "members": [[m.name, m.size_bytes, m.sha256] for m in members],
    }
    path = room / MANIFEST
    path.write_text(json.dumps(told, indent=1), encoding="utf-8")
    tar.add(path, MANIFEST)


def manifest(path: Path) -> tuple[float, list[Member]]:
    """(when it was made, its members). Raises BadBackup."""
    if not path.is_file():
        raise BadBackup(f"{path}: there is no such file; check the path")
    try:
        with tarfile.open(path, "r:") as tar:
            file = tar.extractfile(MANIFEST)
            told: dict[str, Any] = json.loads(file.read()) if file else {}
            members = [Member(*m) for m in told["members"]]
            made_ts, version = float(told["made_ts"]), int(told["format"])
    except (OSError, tarfile.TarError, KeyError, ValueError, TypeError) as problem:
        raise BadBackup(
            f"{path} is no whole backup of ours, as `strokewise backup` makes them: {problem}"
        ) from problem
    if version > FORMAT:
        raise BadBackup(f"{path} was written by a newer Strokewise; update this one first")
    return made_ts, members


def verify(path: Path, progress: Progress = _quiet) -> list[str]:
    """Check every sum, every page and every chunk; faults in words, none when it is good."""
    with tempfile.TemporaryDirectory(dir=path.parent) as room:
        faults = list(_unpacked(path, Path(room), progress))
        if not faults:
            faults = [f"{d.file}: {d.place}: {d.problem}" for d in _look_over(Path(room))]
    return faults


def _look_over(folder: Path) -> Iterator[Any]:
    store = EmbeddedStore(folder)
    try:
        yield from store.verify()
    finally:
        store.close()


def _unpacked(path: Path, folder: Path, progress: Progress) -> Iterator[str]:
    """Unpack into the folder; what does not agree with the manifest."""
    _, members = manifest(path)
    total, done = sum(m.size_bytes for m in members) or 1, 0
    with tarfile.open(path, "r:") as tar:
        for member in members:
            if Path(member.name).name != member.name or member.name.startswith("."):
                yield f"{member.name!r} is no name of ours"
                continue
            try:
                file = tar.extractfile(member.name)
            except KeyError:
                file = None
            if file is None:
                yield f"{member.name} is missing"
                continue
            copy = folder / member.name
            with copy.open("wb") as out:
                shutil.copyfileobj(file, out, BLOCK)
            if _sha256(copy) != member.sha256:
                yield f"{member.name} does not match its checksum"
            done += member.size_bytes
            progress(done / total)


def restore(path: Path, folder: Path, progress: Progress = _quiet) -> list[Member]:
    """Unpack a backup into an empty folder and bring ledger and levels up to its day files.

    Raises BadBackup; then the folder is as it was.
    """
    if (folder / "core.db").exists() or list(folder.glob("raw-*.db")):
        raise BadBackup(f"{folder} already holds a store; name an empty folder")
    made_ts, members = manifest(path)
    folder.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=folder.parent) as room:
        faults = list(_unpacked(path, Path(room), progress))
        if faults:
            raise BadBackup(f"{path}: " + "; ".join(faults))
        # The core's copy may be older than the day files by as long as the copying took.
        store = EmbeddedStore(Path(room))
        store.rebuild(int(made_ts // 86_400) - 1)
        store.close()
        for file in sorted(Path(room).iterdir()):
            if not file.name.startswith("owner.db"):
                file.chmod(OWNER_ONLY)
                shutil.move(file, folder / file.name)
    return members
