"""A device that is not there now may be there later: the others go on meanwhile."""

import logging
from collections.abc import Callable, Mapping

from edge.errors import SourceError
from edge.sources.source import Reading, Source

log = logging.getLogger(__name__)

FIRST_BACK_OFF_S, LONGEST_BACK_OFF_S = 5.0, 300.0


class Patient:
    """Opens its source at the first read, and again with back-off while that fails."""

    def __init__(self, opener: Callable[[], Source]) -> None:
        self._opener = opener
        self._source: Source | None = None
        self._try_at_us = 0
        self._back_off_s = FIRST_BACK_OFF_S

    def read(self, now_us: int) -> Mapping[str, Reading]:
        """See Source; nothing while the device is not there."""
        if self._source is None and now_us >= self._try_at_us:
            self._open(now_us)
        return self._source.read(now_us) if self._source is not None else {}

    def _open(self, now_us: int) -> None:
        try:
            source = self._opener()
        except (SourceError, OSError) as problem:
            log.error("device not opened again_in_s=%.0f reason=%s", self._back_off_s, problem)  # noqa: TRY400  # the reason is for a tech, the trace is not
            self._try_at_us = now_us + round(self._back_off_s * 1e6)
            self._back_off_s = min(2 * self._back_off_s, LONGEST_BACK_OFF_S)
            return
        if hasattr(source, "start"):
            source.start()
        self._source = source

    def close(self) -> None:
        """Let the device go, if it was there."""
        if self._source is not None and hasattr(self._source, "close"):
            self._source.close()
