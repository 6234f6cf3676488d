"""Where the page gets the status document from: one protocol, so another carrier is a second source."""

from __future__ import annotations

from pathlib import Path
from typing import Protocol

from probe_agent.status import Status, read_status, with_age


class StatusSource(Protocol):
    """One carrier of the status document."""

    def read(self) -> Status:
        """The latest document with age_s filled in (None: unknown). Raises StatusError if there is none."""


class FileStatusSource:
    """The file the daemon on this board replaces at each tick."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._kept: tuple[tuple[int, int, int], Status] | None = None

    def read(self) -> Status:
        """As read_status; a file that wasn't replaced since is not decoded again."""
        try:
            found = self.path.stat()
        except OSError:
            return read_status(self.path)
        mark = (found.st_ino, found.st_mtime_ns, found.st_size)
        kept = self._kept
        if kept is None or kept[0] != mark:
            kept = self._kept = (mark, read_status(self.path))
        return with_age(kept[1])
