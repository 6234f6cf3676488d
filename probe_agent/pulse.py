"""Whether a thread still goes round: at each round it says by when it will be back."""

from __future__ import annotations

import math
import threading
import time

TICK_S = 60.0
STORE_S = 120.0
NETWORK_S = 300.0
"""How long a round may take before its thread counts as hung [real s]: of the ticks (or three intervals), of
the record's two threads, of a courier. Wide, for name servers, slow cards and mail take their time."""


class Pulse:
    """The rounds of one thread. It beats its own; anyone may ask whether it is late."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.begun = threading.Event()
        self._due_s = math.inf
        self._beat_s = math.inf
        self._thread: int | None = None

    def beat(self, within_s: float) -> None:
        """Called by the thread: another round begins, the next in so many real seconds. Never blocks."""
        self._thread = threading.get_ident()
        self._beat_s = time.monotonic()
        self._due_s = self._beat_s + within_s
        self.begun.set()

    def rest(self) -> None:
        """There is nothing to do until it is woken, or for good."""
        self._due_s = math.inf

    def expect(self, within_s: float) -> None:
        """Called by whoever starts or wakes the thread: a round is due in so many real seconds."""
        self._due_s = min(self._due_s, time.monotonic() + within_s)

    def is_late(self) -> bool:
        """Whether its round is overdue."""
        return time.monotonic() > self._due_s

    @property
    def still_s(self) -> float:
        """For how long its thread has not come round [real s]; 0 before the first round."""
        return max(0.0, time.monotonic() - self._beat_s)

    @property
    def thread(self) -> int | None:
        """The thread that beat last (threading.get_ident); None before the first beat."""
        return self._thread
