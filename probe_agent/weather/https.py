"""Fetching over HTTPS alone: verified, bounded in time and size, and every failure a sentence."""

from __future__ import annotations

import http.client
import socket
import ssl
import threading
from contextlib import closing, suppress
from dataclasses import dataclass
from email.utils import parsedate_to_datetime
from urllib.parse import urljoin, urlsplit

from probe_agent.weather.decoding import WeatherError

MOST_BYTES = 512 * 1024
_MOST_HOPS = 3
_REDIRECTS = (301, 302, 303, 307, 308)
_EXPIRED, _NOT_YET, _WRONG_NAME = 10, 9, (62, 64)
"""OpenSSL's verify codes (X509_V_ERR_*, openssl-verification-options)."""


@dataclass(frozen=True, slots=True)
class Fetched:
    """An answer's body; said_at: when it was made by the server's word [UTC s], None where it doesn't say."""

    body: bytes
    said_at: float | None


class Fetcher:
    """One address. `fetch` blocks for little more than timeout_s; the name server's time comes on top.

    ca_file: authority besides which none is trusted; None: the system's.
    """

    def __init__(self, address: str, ca_file: str | None, timeout_s: float) -> None:
        self._address, self._ca_file, self._timeout_s = address, ca_file, timeout_s
        self._known: dict[str, str] = {}
        """What the server called its last answer: headers that ask for a newer one only."""

    @property
    def host(self) -> str:
        """What may be shown of the address: the rest may hold a secret."""
        return urlsplit(self._address).hostname or "?"

    def fetch(self) -> Fetched | None:
        """The document; None where it is still the last one. Raises WeatherError."""
        address = self._address
        for _ in range(_MOST_HOPS + 1):
            found = self._ask(address)
            if not isinstance(found, str):
                return found
            address = urljoin(address, found)
            if urlsplit(address).scheme != "https":
                raise WeatherError("it sends us on to an address without https, which is not followed")
        raise WeatherError("it sends us on from address to address")

    def forget(self) -> None:
        """Ask for the whole document again: the last one was of no use."""
        self._known.clear()

    def _ask(self, address: str) -> Fetched | str | None:
        """One request: a document, where to go instead, or None for nothing new."""
        context = self._context()
        parts = urlsplit(address)
        try:
            connection = http.client.HTTPSConnection(
                parts.hostname or "", parts.port, timeout=self._timeout_s, context=context
            )
        except (ValueError, http.client.InvalidURL) as err:
            raise WeatherError("its address is not one") from err
        late, opened = threading.Event(), list[socket.socket]()
        watchdog = threading.Timer(self._timeout_s, _cut_off, (connection, opened, late))
        watchdog.daemon = True
        watchdog.start()
        try:
            connection.connect()
            opened.append(connection.sock)  # an answer without a length takes the socket from the connection
            path = parts._replace(scheme="", netloc="", fragment="").geturl() or "/"
            connection.request("GET", path, headers={"User-Agent": "probe-agent", **self._known})
            with closing(connection.getresponse()) as response:
                found = self._answer(response)
            if late.is_set():  # cut off, a body without a length looks complete
                raise TimeoutError
            return found
        except (OSError, ValueError, http.client.HTTPException) as err:
            if isinstance(err, WeatherError) and not late.is_set():
                raise
            raise WeatherError(self._late() if late.is_set() else self._why(err)) from err
        finally:
            watchdog.cancel()
            connection.close()
            for sock in opened:
                sock.close()

    def _context(self) -> ssl.SSLContext:
        try:
            return ssl.create_default_context(cafile=self._ca_file)
        except (OSError, ssl.SSLError) as err:
            raise WeatherError(f"its ca_file {self._ca_file} can't be used ({err.strerror or err})") from err

    def _answer(self, response: http.client.HTTPResponse) -> Fetched | str | None:
        if response.status == 304 and self._known:
            return None
        if response.status in _REDIRECTS and (location := response.getheader("Location")):
            return location
        if response.status != 200:
            raise WeatherError(_refusal(response.status))
        body = response.read(MOST_BYTES + 1)
        if len(body) > MOST_BYTES:
            raise WeatherError(f"it sends more than {MOST_BYTES // 1024} KB")
        if response.length:
            raise WeatherError("it broke off in the middle")
        self._remember(response)
        return Fetched(body, _instant(response.getheader("Last-Modified")))

    def _remember(self, response: http.client.HTTPResponse) -> None:
        pairs = (("If-None-Match", "ETag"), ("If-Modified-Since", "Last-Modified"))
        self._known = {ask: said for ask, name in pairs if (said := response.getheader(name))}

    def _late(self) -> str:
        return f"it did not answer in full within {self._timeout_s:g} s"

    def _why(self, err: Exception) -> str:
        if isinstance(err, ssl.SSLCertVerificationError):
            return _distrust(err.verify_code)
        if isinstance(err, ssl.SSLError):
            return "no encrypted connection comes about; is it an https address?"
        if isinstance(err, socket.gaierror):
            return "its name isn't found: no internet, or a wrong address"
        if isinstance(err, TimeoutError):
            return self._late()
        if isinstance(err, OSError):
            return f"it can't be reached ({(err.strerror or str(err)).lower()})"
        wrong = isinstance(err, ValueError | http.client.InvalidURL)
        return "its address is not one" if wrong else "what it answers is not HTTP"


def _cut_off(
    connection: http.client.HTTPSConnection, opened: list[socket.socket], late: threading.Event
) -> None:
    """End a request that drips: a socket's own timeout starts anew with each byte."""
    late.set()
    sock = opened[0] if opened else connection.sock
    if sock is not None:
        with suppress(OSError):  # it has ended by itself
            socket.socket.shutdown(sock, socket.SHUT_RDWR)  # below the encryption, which another thread uses


def _distrust(code: int) -> str:
    if code == _EXPIRED:
        return "its certificate has expired, or this board's clock is wrong"
    if code == _NOT_YET:
        return "its certificate is not valid yet, or this board's clock is wrong"
    if code in _WRONG_NAME:
        return "its certificate is for another name: somebody else answers, or the address is wrong"
    return "its certificate is signed by nobody trusted here; a server of your own needs its ca_file"


def _refusal(status: int) -> str:
    if status in (401, 403):
        return f"it refuses us ({status}): look at the key in the address"
    if status in (404, 410):
        return f"there is nothing at this address ({status})"
    if status == 429:
        return "it is asked too often (429): raise weather.every_min"
    return f"the server has trouble of its own ({status})" if status >= 500 else f"it answers {status}"


def _instant(text: str | None) -> float | None:
    try:
        return None if text is None else parsedate_to_datetime(text).timestamp()
    except (ValueError, OverflowError):
        return None
