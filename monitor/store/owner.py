"""One service a folder: a lock that dies with its process."""

from pathlib import Path

import apsw

from monitor.errors import StrokewiseError


class FolderInUse(StrokewiseError):
    """Another Strokewise runs on this folder; stop it first or name another folder."""


class Owner:
    """Holds `owner.db` exclusively until close() or the end of the process."""

    def __init__(self, folder: Path) -> None:
        folder.mkdir(parents=True, exist_ok=True)
        self._db = apsw.Connection(str(folder / "owner.db"))
        try:
            self._db.execute("BEGIN EXCLUSIVE")
        except apsw.BusyError as problem:
            self._db.close()
            raise FolderInUse(
                f"another Strokewise runs on {folder}; stop it first or name another folder"
            ) from problem

    def close(self) -> None:
        """Let the next one in."""
        self._db.close()
