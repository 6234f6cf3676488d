"""A sign of life for the outside: an address elsewhere is fetched while the daemon is fresh.

Silence there is how people learn of a dead board, line or daemon. The address is a secret and stands in a
file, which is read at each try; nothing said or logged holds any part of it.
"""

from __future__ import annotations

import logging
import ssl
import threading
import time
from pathlib import Path
from urllib.error import HTTPError, URLError
from urllib.parse import urlsplit
from urllib.request import HTTPRedirectHandler, Request, build_opener

from probe_agent.config import Watchdog

log = logging.getLogger(__name__)

TIMEOUT_S = 10.0
STOP_S = 1.0
FRESH_S = 60.0
_LOOPBACK = frozenset({"127.0.0.1", "::1", "localhost"})


class _Stay(HTTPRedirectHandler):
    """No redirects: an address that moved is to be corrected by its owner, not followed anywhere."""

    def redirect_request(self, *_: object) -> None:
        return None


def fetch(address: str, timeout_s: float = TIMEOUT_S) -> str | None:
    """Fetch the address once: None where it answered well, else why not, without the address."""
    parts = urlsplit(address)
    if parts.scheme != "https" and not (parts.scheme == "http" and parts.hostname in _LOOPBACK):
        return "its address is not https"
    try:
        request = Request(address, headers={"User-Agent": "probe-agent"})
        with build_opener(_Stay).open(request, timeout=timeout_s) as answer:
            answer.read(1024)
    except HTTPError as err:
        err.close()
        return f"it answers with status {err.code}"
    except URLError as err:
        if isinstance(err.reason, ssl.SSLCertVerificationError):
            return "its certificate isn't trusted, or this board's clock is wrong"
        return f"it can't be reached ({type(err.reason).__name__})"
    except (OSError, ValueError) as err:
        return f"it can't be reached ({type(err).__name__})"
    return None


class WatchdogCourier:
    """Fetches the address each every_s real seconds, as long as the last beat is young enough.

    stale_s: age of the last tick [real s] from which on the daemon no longer counts as fresh.
    """

    def __init__(self, settings: Watchdog, interval_s: float, stale_s: float | None = None) -> None:
        self._file = Path(settings.url_file or "")
        self._every_s = settings.every_s
        self._stale_s = max(FRESH_S, 3 * interval_s) if stale_s is None else stale_s
        self._beat_s: float | None = None
        self._failing: tuple[float, str] | None = None
        self._stopping, self._begun = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._run, name="watchdog", daemon=True)

    def start(self) -> None:
        """Begin, in the background."""
        self._thread.start()

    def beat(self) -> None:
        """A tick was done. Never blocks."""
        self._beat_s = time.monotonic()
        self._begun.set()

    def stop(self) -> None:
        """End; a fetch that hangs is left behind."""
        self._stopping.set()
        self._begun.set()
        if self._thread.is_alive():
            self._thread.join(STOP_S)

    @property
    def trouble(self) -> str | None:
        """Why the sign of life doesn't get out, in a sentence for the owner."""
        if (failing := self._failing) is None:
            return None
        minutes = int((time.monotonic() - failing[0]) / 60)
        since = f" for {minutes} min" if minutes else ""
        return f"The watchdog's address was not fetched{since}: {failing[1]}."

    def _run(self) -> None:
        self._begun.wait()
        while not self._stopping.is_set():
            try:
                self._round()
            except Exception as err:  # a thread that ends would look like a dead board
                self._note(f"fetching ended with {type(err).__name__}")
            self._stopping.wait(self._every_s)

    def _round(self) -> None:
        """Fetch, unless the daemon has fallen silent: then the address must fall silent too."""
        if self._beat_s is None or time.monotonic() - self._beat_s > self._stale_s:
            self._note("nothing has been measured for too long")
            return
        try:
            address = self._file.read_text("utf-8").strip()
        except (OSError, UnicodeDecodeError) as err:
            self._note(f"its file {self._file} can't be read ({type(err).__name__})")
            return
        self._note(fetch(address))

    def _note(self, reason: str | None) -> None:
        if reason is None:
            self._failing = None
        elif self._failing is None or self._failing[1] != reason:
            log.warning("watchdog: %s", reason)
            since_s = time.monotonic() if self._failing is None else self._failing[0]
            self._failing = (since_s, reason)
