"""How a connection to the MQTT broker is made: who we are to it, what vouches for it and for us, when to
try again. Used by everything here that speaks MQTT."""

from __future__ import annotations

import hashlib
import random
import ssl
import stat
import uuid
from pathlib import Path

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from probe_agent.config import Broker

KEEPALIVE_S = 30
CONNECT_S = 5.0
SHORTEST_SHARE = 0.2
_MACHINE_ID = Path("/etc/machine-id")
_SERIAL = Path("/proc/device-tree/serial-number")
_INTERFACES = Path("/sys/class/net")


# -- who we are


def client_id(device: str) -> str:
    """A client ID that stays the same for this board and device, 23 characters at most.

    A card cloned into a second board brings its machine-id along, but not the board's serial number or
    network address: so the two don't evict each other, and each notices the other by what it writes.
    """
    # machine-id(5): not to be shown as it is; hash it with a word of the application's own.
    own = f"probe-agent {_read(_MACHINE_ID) or f'{uuid.getnode():x}'} {board_serial()} {device}"
    return f"{device[:12]}-{hashlib.sha256(own.encode()).hexdigest()[:10]}"


def board_serial() -> str:
    """What tells this board from another with the same card: its serial number, else the address of its
    first network interface that is hardware; empty where it has neither."""
    if serial := _read(_SERIAL):
        return serial
    hardware = sorted(p for p in _INTERFACES.glob("*") if (p / "device").exists())
    return next((address for p in hardware if (address := _read(p / "address"))), "")


def _read(file: Path) -> str:
    try:
        return file.read_text("ascii").strip("\0\n ")
    except (OSError, UnicodeDecodeError):
        return ""


# -- what vouches for it and for us


def new_client(settings: Broker, name: str, password: str | None) -> mqtt.Client:
    """A client for one connection, with the settings' login and certificates. Raises OSError.

    It doesn't reconnect by itself: paho would send its old queue into the new session.
    """
    client = mqtt.Client(CallbackAPIVersion.VERSION2, name, protocol=mqtt.MQTTv5, reconnect_on_failure=False)
    client.connect_timeout = CONNECT_S
    if settings.username is not None:
        client.username_pw_set(settings.username, password)
    if settings.tls:
        client.tls_set_context(_context(settings))
    return client


def _context(settings: Broker) -> ssl.SSLContext:
    """TLS 1.2 or newer; the broker's certificate and name are verified, always."""
    try:
        context = ssl.create_default_context(cafile=settings.ca_file)
    except OSError as err:
        raise ConnectionError(f"broker.ca_file {settings.ca_file} can't be used ({_said(err)})") from err
    if settings.cert_file is None or settings.key_file is None:
        return context
    _check_key(Path(settings.key_file))
    try:
        # A key with a password would be asked for on the terminal: there is nobody at it.
        context.load_cert_chain(settings.cert_file, settings.key_file, password="")
    except (OSError, ValueError) as err:
        raise ConnectionError(f"broker.cert_file and broker.key_file can't be used ({_said(err)})") from err
    return context


def _check_key(file: Path) -> None:
    """Refuse a key that anybody else on this board can read. Raises OSError."""
    try:
        mode = stat.S_IMODE(file.stat().st_mode)
    except OSError as err:
        raise ConnectionError(f"broker.key_file {file} can't be used ({_said(err)})") from err
    if mode & 0o077:
        raise ConnectionError(
            f"others than its owner can read broker.key_file {file} (mode {mode:04o}): set it to 0600"
        )


_BY_CLOCK = {
    9: "it is not valid yet, or this board's clock is wrong",
    10: "it has expired, or this board's clock is wrong",
}
"""OpenSSL's verify codes (X509_V_ERR_*, openssl-verification-options) that a wrong clock leads to as well."""


def why(err: Exception) -> str:
    """An I/O error in words for the owner, without its number."""
    if isinstance(err, ssl.SSLCertVerificationError):
        said = _BY_CLOCK.get(err.verify_code) or err.verify_message.lower().rstrip(".")
        return f"its certificate is not accepted: {said}"
    return _said(err)


def _said(err: Exception) -> str:
    if isinstance(err, TimeoutError):
        return "it does not answer in time"
    if isinstance(err, ssl.SSLError):
        return (err.reason or "TLS failed").lower().replace("_", " ")
    return str(getattr(err, "strerror", None) or err or type(err).__name__).lower().rstrip(".")


# -- waits


class Delays:
    """Waits between tries: a span that doubles from first_s to longest_s [s], of each a part by chance, so
    that boards that lost the same broker don't come back in step."""

    def __init__(self, first_s: float, longest_s: float, chance: random.Random | None = None) -> None:
        self._first_s, self._longest_s = first_s, longest_s
        self._span_s = first_s
        self._chance = chance or random.Random()

    def next_s(self) -> float:
        """The next wait."""
        wait_s = self._span_s * self._chance.uniform(SHORTEST_SHARE, 1.0)
        self._span_s = min(2 * self._span_s, self._longest_s)
        return wait_s

    def begin_again(self) -> None:
        """What was tried has worked."""
        self._span_s = self._first_s
