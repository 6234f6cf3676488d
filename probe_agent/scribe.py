"""Commits on a thread of its own: a card that takes seconds for one holds up no tick."""

from __future__ import annotations

import logging
import sqlite3
import threading
from collections.abc import Callable

from probe_agent import pulse
from probe_agent.pulse import Pulse
from probe_agent.store import Batch, Store

log = logging.getLogger(__name__)


class Scribe:
    """Writes one batch after the other with the ticks held until then.

    at_once: in the caller's own thread, as where time jumps. then: done after each commit that succeeded, on
    the writing thread. Used by one thread at a time (under the tick's lock).
    """

    def __init__(self, record: Store, at_once: bool, then: Callable[[], object] = lambda: None) -> None:
        self._record, self._at_once, self._then = record, at_once, then
        self._batch: Batch | None = None
        self._error: sqlite3.Error | None = None
        self._wake, self._done, self._stopping = threading.Event(), threading.Event(), threading.Event()
        self._thread: threading.Thread | None = None
        self.pulse = Pulse("record")
        self.is_busy = False
        """Whether a batch was begun whose outcome nobody has taken yet."""

    def begin(self, batch: Batch) -> None:
        """Have a batch written; its outcome is to be taken before the next begins."""
        self.is_busy, self._batch = True, batch
        self.pulse.expect(pulse.STORE_S)
        self._done.clear()
        if self._at_once:
            self._write()
            return
        if self._thread is None:
            self._thread = threading.Thread(target=self._run, name="scribe", daemon=True)
            self._thread.start()
        self._wake.set()

    def is_done(self, patience_s: float = 0.0) -> bool:
        """Whether the batch begun has been written or refused, after waiting so long at most [real s]."""
        return self.is_busy and self._done.wait(patience_s)

    def outcome(self) -> sqlite3.Error | None:
        """Why the batch was refused, None where it is written; once it is done."""
        self.is_busy = False
        return self._error

    def stop(self) -> None:
        """End the thread; a commit the card never ends is left to it."""
        self._stopping.set()
        self._wake.set()
        if self._thread is not None:
            self._thread.join(2.0)

    def _run(self) -> None:
        while True:
            self._wake.wait()
            self._wake.clear()
            if self._stopping.is_set():
                return
            self._write()

    def _write(self) -> None:
        self.pulse.beat(pulse.STORE_S)
        self._error = None
        try:
            self._record.commit(self._batch)
        except sqlite3.Error as err:
            self._error = err
        if self._error is None:
            try:
                self._then()
            except (sqlite3.Error, OSError) as err:
                log.error("after a commit: %s", err)
        self.pulse.rest()
        self._done.set()
