"""Where the page gets the status document from: one protocol, so another carrier is a second source."""

from __future__ import annotations

from pathlib import Path
from typing import Protocol

from probe_agent.status import Status, read_status


class StatusSource(Protocol):
    """One carrier of the status document."""

    def read(self) -> Status:
        """The latest document with age_s filled in (None: unknown). Raises StatusError if there is none."""


class FileStatusSource:
    """The file the daemon on this board replaces at each tick."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def read(self) -> Status:
        return read_status(self.path)
