"""What the service manager hears of the daemon: that it is up, how it is, and that it goes round.

The protocol is sd_notify(3): datagrams of "NAME=value" lines to the socket that NOTIFY_SOCKET names. The
watchdog is kicked only while every thread comes round in time; what hangs is named, in the log with the
place where it hangs, and the service manager starts the daemon anew.
"""

from __future__ import annotations

import contextlib
import logging
import os
import socket
import sys
import threading
import traceback
from collections.abc import Callable, Mapping, Sequence

from probe_agent.pulse import Pulse

log = logging.getLogger(__name__)

QUIET_EVERY_S = 10.0
"""How often it is looked where no watchdog was asked for."""
KICKS = 3
"""So many kicks in the time within which the service manager wants one."""
STATUS_CHARACTERS = 200
BEGIN_ANEW_S = 900


def tell(address: str, *lines: str) -> bool:
    """Send lines to the service manager's socket; False where it doesn't take them now. Never blocks."""
    name = f"\0{address[1:]}" if address.startswith("@") else address
    with contextlib.suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as to:
        to.setblocking(False)
        to.sendto("\n".join(lines).encode(), name)
        return True
    return False


def kick_every_s(environ: Mapping[str, str], pid: int) -> float | None:
    """How often the watchdog is to be kicked [s]; None where none is wanted of this process."""
    wanted, whose = environ.get("WATCHDOG_USEC", ""), environ.get("WATCHDOG_PID", str(pid))
    if not wanted.isdecimal() or int(wanted) == 0 or whose != str(pid):
        return None
    return int(wanted) / 1e6 / KICKS


class Service:
    """Tells the service manager of the daemon for as long as it runs.

    first: the pulse that says the daemon is up; how: in a sentence, how things are.
    """

    def __init__(
        self, address: str, kick_s: float | None, pulses: Sequence[Pulse], how: Callable[[], str]
    ) -> None:
        self._address, self._kick_s, self._how = address, kick_s, how
        self._first, self._pulses = pulses[0], tuple(pulses)
        self._late: tuple[str, ...] = ()
        self._is_up = False
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="service", daemon=True)

    def start(self) -> None:
        """Begin, in the background."""
        self._thread.start()

    def stop(self) -> None:
        """The daemon ends."""
        if not self._stopping.is_set():
            self._stopping.set()
            tell(self._address, "STOPPING=1")

    def begin_anew(self) -> None:
        """The daemon begins anew in the same process, which may take a while."""
        self._stopping.set()
        tell(self._address, "STATUS=Begins anew.", "WATCHDOG=1", f"WATCHDOG_USEC={BEGIN_ANEW_S * 10**6}")

    def _run(self) -> None:
        while not self._stopping.is_set():
            try:
                self._round()
            except Exception:  # without kicks the daemon would be ended for a sentence
                log.exception("service manager: a round failed")
            self._stopping.wait(self._kick_s or QUIET_EVERY_S)

    def _round(self) -> None:
        """Say what is to be said now; before the first tick only that it is coming."""
        if not self._is_up:
            while not self._first.begun.wait(1.0):
                if self._stopping.is_set():
                    return
        late = self._find_late()
        lines = [f"STATUS={self._status(late)}"]
        if not late and self._kick_s is not None:
            lines.append("WATCHDOG=1")
        if not self._is_up:
            lines += ["READY=1", *self._watchdog_again()]
        self._is_up = tell(self._address, *lines) or self._is_up

    def _watchdog_again(self) -> list[str]:
        """The watchdog's own time, which beginning anew has lengthened."""
        return [] if self._kick_s is None else [f"WATCHDOG_USEC={round(self._kick_s * KICKS * 1e6)}"]

    def _status(self, late: Sequence[str]) -> str:
        said = f"Hangs: {', '.join(late)}." if late else self._how()
        return " ".join(said.split())[:STATUS_CHARACTERS]

    def _find_late(self) -> tuple[str, ...]:
        """Names of what is overdue; each is logged once, with where it hangs."""
        late = [p for p in self._pulses if p.is_late()]
        for pulse in late:
            if pulse.name not in self._late:
                log.error("%s hangs; the watchdog is not kicked any more.\n%s", pulse.name, _where(pulse))
        self._late = tuple(p.name for p in late)
        return self._late


def _where(pulse: Pulse) -> str:
    """Where the thread of a pulse is just now: file, line and function, without values."""
    frame = sys._current_frames().get(pulse.thread or 0)
    if frame is None:
        return "Its thread has ended."
    return "".join(traceback.format_stack(frame, 12)).rstrip()


def service_of(environ: Mapping[str, str], pulses: Sequence[Pulse], how: Callable[[], str]) -> Service | None:
    """The line to the service manager; None where there is none."""
    address = environ.get("NOTIFY_SOCKET", "")
    if not address.startswith(("/", "@")):
        return None
    return Service(address, kick_every_s(environ, os.getpid()), pulses, how)
