"""A node's password: from a file that nobody else can read, or from the environment."""

import os
import stat
from pathlib import Path

from edge.errors import SecretError


def read_password(file: Path | None, variable: str | None) -> str | None:
    """The password, None where neither is given. Raises SecretError, never with the password."""
    if variable is not None:
        value = os.environ.get(variable)
        if not value:
            raise SecretError(f"the environment has no {variable}; set it for this service")
        return value
    if file is None:
        return None
    try:
        about = file.stat()
        if stat.S_IMODE(about.st_mode) & 0o077:
            mode = oct(stat.S_IMODE(about.st_mode))
            raise SecretError(f"{file} is readable by others ({mode}); run: chmod 600 {file}")
        if about.st_uid not in (0, os.geteuid()):
            raise SecretError(f"{file} belongs to another user; run: chown $(id -u) {file}")
        value = file.read_text(encoding="utf-8").strip("\r\n")
    except OSError as problem:
        raise SecretError(f"{file} cannot be read: {problem.strerror}") from problem
    if not value:
        raise SecretError(f"{file} is empty; strokewise-edge provision makes one")
    return value
