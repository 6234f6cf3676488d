"""Time: the system's clock, and one for simulation with a rate or jumps to the next deadline."""

from __future__ import annotations

import functools
import threading
import time
import uuid
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol


class Clock(Protocol):
    """What a run asks about time. `monotonic` and `utc` count the run's seconds; a network timeout
    or the expiry of a command counts real ones and asks `time.monotonic` itself."""

    @property
    def rate(self) -> float:
        """Run seconds in a real second; inf where the clock jumps to each deadline."""

    def monotonic(self) -> float:
        """Seconds of the run, never going back."""

    def utc(self) -> float:
        """Seconds since 1970-01-01 UTC, as this run sees them."""

    def utc_offset_s(self) -> float:
        """utc() less monotonic(), both of one instant however fast the run."""

    def wait_until(self, t_s: float, wake: threading.Event) -> None:
        """Return when the run reaches t_s or `wake` is set."""

    def utc_is_known(self) -> bool:
        """Whether utc() can be believed."""

    def standing(self) -> Standing:
        """This instant by a time base that nobody sets."""


@dataclass(frozen=True, slots=True)
class Standing:
    """An instant by a time base that no setting of the clock moves and that goes on in a board's sleep.
    base: which one; seconds of different ones can't be compared."""

    base: str
    s: float


_EARLIEST_UTC = 1_767_225_600  # 2026-01-01: no clock of this product's age can be before


@functools.cache
def boot_id() -> str:
    """The kernel's id of this boot; durations across different ids are only 'about'."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text("ascii").strip()
    except OSError:
        return "unknown"


def awake_and_asleep_s() -> float:
    """Seconds of this boot that go on in a board's sleep too, so that no lease outlasts one."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


class SystemClock:
    """The board's own clock."""

    rate = 1.0

    def monotonic(self) -> float:
        return time.monotonic()

    def utc(self) -> float:
        return time.time()

    def utc_offset_s(self) -> float:
        return time.time() - time.monotonic()

    def standing(self) -> Standing:
        return Standing(boot_id(), awake_and_asleep_s())

    def wait_until(self, t_s: float, wake: threading.Event) -> None:
        while not wake.is_set() and (left := t_s - time.monotonic()) > 0:
            wake.wait(min(left, 60.0))

    def utc_is_known(self) -> bool:
        """True once the kernel says its time is synchronised, or the year is believable and a
        hardware clock exists. Without either the time is a guess."""
        if time.time() < _EARLIEST_UTC:
            return False
        return Path("/run/systemd/timesync/synchronized").exists() or any(Path("/sys/class/rtc").glob("rtc*"))


class SimulatedClock:
    """A clock that starts at a given UTC and runs `rate` times as fast; rate inf jumps to the next
    deadline as soon as it is waited for, so a night passes in seconds and always the same way."""

    def __init__(self, start_utc: float, rate: float = float("inf"), start_t_s: float = 0.0) -> None:
        if not rate > 0:
            raise ValueError("rate must be above 0")
        self.rate = rate
        self._start_utc = start_utc - start_t_s
        self._t_s = start_t_s
        self._real_start = time.monotonic()
        self._start_t_s = start_t_s
        self._base = f"simulated {uuid.uuid4().hex}"

    def standing(self) -> Standing:
        return Standing(self._base, self.monotonic())

    def monotonic(self) -> float:
        if self.rate == float("inf"):
            return self._t_s
        return self._start_t_s + (time.monotonic() - self._real_start) * self.rate

    def utc(self) -> float:
        return self._start_utc + self.monotonic()

    def utc_offset_s(self) -> float:
        return self._start_utc

    def wait_until(self, t_s: float, wake: threading.Event) -> None:
        if self.rate == float("inf"):
            if not wake.is_set():
                self._t_s = max(self._t_s, t_s)
            return
        while not wake.is_set() and (left := (t_s - self.monotonic()) / self.rate) > 0:
            wake.wait(min(left, 60.0))

    def utc_is_known(self) -> bool:
        return True
