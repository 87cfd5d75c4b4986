"""The edge's own errors; their docstrings are the default sentences."""

from monitor.errors import StrokewiseError


class SourceError(StrokewiseError):
    """A sensor cannot be used; see which, and check its wiring and settings."""


class OutboxError(StrokewiseError):
    """The outbox cannot be used; check the disk and the folder's rights."""


class SecretError(StrokewiseError):
    """A password cannot be used; check the file and who may read it."""
