"""People: messages from the store's outbox, brought at least once through apprise channels.

A message leaves the outbox only when its channel has accepted it or when it is out of date; a crash in
between brings it twice rather than never. Each recipient has a thread of its own, so that one that
doesn't answer holds up no other.

Addresses are apprise's. Mail to a server on this host without encryption or login:
    mailto://127.0.0.1:8025/?from=probe-agent@example.org&to=pilot@example.org
mailto:// is unencrypted unless mode=starttls or mode=ssl is added; mailtos:// uses STARTTLS. from= must
be a whole address, name= sets the sender's name, user:password@ before the host logs in. Bodies are sent
as plain text unless the address says format=html.
"""

from __future__ import annotations

import hashlib
import logging
import math
import re
import secrets
import sqlite3
import threading
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Protocol
from urllib.parse import quote, unquote_plus

from probe_agent import pulse
from probe_agent.clock import Clock
from probe_agent.config import Messages, Recipient
from probe_agent.couriers import Watched
from probe_agent.pulse import Pulse
from probe_agent.store import ANSWER, CODE, TEST, Message

log = logging.getLogger(__name__)

LONGEST_RETRY_S = 900.0
LOOK_AGAIN_S = 60.0
"""How often out-of-date messages are looked for while some wait for another try."""
STOP_S = 2.0
LINK_VALID_S = 86_400.0
TEST_VALID_S = 7 * 86_400.0
REASON_CHARACTERS = 160
OUT_OF_DATE = "out of date"
AGE_UNKNOWN = "its age is not known"
AHEAD_S = 60.0
"""A message of an earlier boot may lie so far ahead: clocks are read with some haste."""

Send = Callable[[str, Message, float], str | None]
"""(address, message, timeout [s]) → None once the channel has accepted it, else why it did not."""


class Outbox(Protocol):
    """The part of the store used here (store.Store). Each may raise sqlite3.Error."""

    def due_messages(self, channels: Iterable[str]) -> list[Message]: ...

    def mark_delivered(self, message: int, now_at: float) -> None: ...

    def mark_failed(self, message: int, error: str) -> None: ...

    def drop_message(self, message: int, reason: str) -> None: ...

    def new_link(self, token: str, alert: str, recipient: str, made_at: float, expires_at: float) -> None: ...


class AddressError(ValueError):
    """A recipient's address can't be used; the text never holds the address."""


# -- pure


def retry_after_s(failures: int, first_s: float) -> float:
    """The wait after that many failures in a row, 1 or more [s]: first_s, doubled each time, to 15 min."""
    return min(first_s * 2.0 ** min(failures - 1, 30), max(LONGEST_RETRY_S, first_s))


def without_secrets(text: str, address: str) -> str:
    """The text with every part of the address blotted out, however it is written.

    Host and port go too: which part of an address is a secret differs from channel to channel.
    """
    _, _, rest = address.partition("://")
    place, _, query = rest.partition("?")
    values = [pair.partition("=")[2] for pair in re.split("[&;]", query)]
    parts = {p for p in re.split(r"[/:@,]", "/".join([place, *values])) if len(p) >= 3}
    shapes = {s for p in parts for s in (p, unquote_plus(p), quote(unquote_plus(p), safe=""))}
    for shape in sorted({address, rest, *shapes} - {""}, key=len, reverse=True):
        text = re.sub(re.escape(shape), "…", text, flags=re.IGNORECASE)
    return text


def address_of(recipient: Recipient) -> str:
    """The recipient's address, from its file where it has one. Raises AddressError."""
    if recipient.address is not None:
        return recipient.address
    file = recipient.address_file or ""
    try:
        address = Path(file).read_text("utf-8").strip()
    except OSError as err:
        raise AddressError(f"its address file {file} can't be read ({err.strerror})") from err
    except UnicodeDecodeError:
        raise AddressError(f"its address file {file} is not text") from None
    if not address:
        raise AddressError(f"its address file {file} is empty")
    return address


def print_of(recipient: Recipient) -> str | None:
    """A print by which a change of address is noticed; None where the address can't be read just now."""
    try:
        return hashlib.sha256(f"probe-agent {address_of(recipient)}".encode()).hexdigest()[:16]
    except AddressError:
        return None


# -- sending


def send(address: str, message: Message, timeout_s: float) -> str | None:
    """Bring one message through an apprise channel: None once it is accepted, else the reason.

    Blocks for a small multiple of timeout_s at most. The reason holds no part of the address.
    """
    # What the libraries log may hold addresses; what matters comes back with the result.
    for library in ("apprise", "urllib3", "requests"):
        logging.getLogger(library).propagate = False
        logging.getLogger(library).setLevel(logging.WARNING)
    logging.getLogger("apprise").setLevel(logging.DEBUG)  # where it says what was wrong with a certificate
    import apprise  # a quarter of the daemon's memory, so only where a message is due

    asset = apprise.AppriseAsset(
        app_id="probe-agent", app_desc="probe-agent", app_url="", async_mode=False, storage_mode="memory"
    )
    channel = apprise.Apprise.instantiate(address, asset=asset, suppress_exceptions=True)
    if channel is None:
        raise AddressError("its address is not one apprise knows; probe-agent example shows one")
    channel.socket_connect_timeout = channel.socket_read_timeout = timeout_s
    channels = apprise.Apprise(asset=asset)
    channels.add(channel)
    result = channels.notify(
        body=message.body,
        title=message.subject,
        body_format=apprise.NotifyFormat.TEXT,
        timeout=4 * timeout_s,
        log_level=logging.DEBUG,
    )
    accepted = [any(a.status == apprise.AppriseResultStatus.SUCCESS for a in one.attempts) for one in result]
    if accepted and all(accepted):
        return None
    told = [(entry.level in _TOLD, entry.message) for entry in result.logs()]
    said = "; ".join(dict.fromkeys(text for is_told, text in told if is_told))
    if distrust := next((d for _, text in told if (d := _distrust(text))), None):
        return f"no encrypted connection comes about: {distrust}"
    return without_secrets(said, address)[:REASON_CHARACTERS] or "the channel gave no reason"


_TOLD = ("WARNING", "ERROR", "CRITICAL")


def _distrust(text: str) -> str | None:
    """What a library says of a server's certificate, in our words; None where it says nothing of one."""
    if "CERTIFICATE_VERIFY_FAILED" not in text:
        return None
    if "not yet valid" in text:
        return "its certificate is not valid yet, or this board's clock is wrong"
    if "expired" in text:
        return "its certificate has expired, or this board's clock is wrong"
    if "mismatch" in text:
        return "its certificate is for another name: somebody else answers, or the address is wrong"
    return "its certificate is signed by nobody trusted here"


class _Lane:
    """One recipient: its thread, and what is known of its messages beyond the store."""

    def __init__(self, outbox: Outbox, recipient: Recipient, settings: Messages, clock: Clock, send: Send):
        self._outbox, self._recipient, self._settings = outbox, recipient, settings
        self._clock, self._send = clock, send
        self._wake, self._stopping = threading.Event(), threading.Event()
        self._anew = threading.Event()
        self._failures: dict[int, tuple[int, float]] = {}
        """Message → failures in a row, and the real second of the next try."""
        self._waits = False
        """Whether there is one whose age can't be known before the clock is."""
        self._tokens: dict[int, tuple[str, str]] = {}
        """Message → the token and code it was or will be sent with, for all its tries."""
        self._accepted: set[int] = set()
        """Accepted by the channel, but the store could not be told yet."""
        self._failing: tuple[float, str] | None = None
        self._store_trouble: str | None = None
        self._thread = Watched(f"messages {recipient.name}", self._run, self._stopping)
        self.pulse = Pulse(f"messages to {recipient.name}")

    def start(self) -> None:
        self.pulse.expect(pulse.NETWORK_S)
        self._thread.start()

    def nudge(self) -> None:
        self._thread.look()
        self.pulse.expect(pulse.NETWORK_S)
        self._wake.set()

    def ask_again(self) -> None:
        self._anew.set()
        self.nudge()

    def ask_to_stop(self) -> None:
        self._stopping.set()
        self._wake.set()

    def join(self, timeout_s: float) -> None:
        self._thread.join(timeout_s)

    @property
    def trouble(self) -> str | None:
        name = self._recipient.name
        if (failing := self._failing) is not None:
            minutes = int((time.monotonic() - failing[0]) / 60)
            since = f" for {minutes} min" if minutes else ""
            return f"Messages to {name} have not got through{since}: {failing[1]}."
        if (store := self._store_trouble) is not None:
            return f"Messages to {name}: the record does not answer ({store})."
        return None

    def _run(self) -> None:
        while not self._stopping.is_set():
            self.pulse.beat(pulse.NETWORK_S)
            self._wake.clear()
            wait_s: float | None = self._settings.retry_s
            try:
                wait_s = self._round()
                self._store_trouble = None
            except sqlite3.Error as err:
                self._store_trouble = str(err)
                log.error("messages to %s: %s", self._recipient.name, err)
            except Exception as err:  # a thread that ends would lose every later message
                log.error("messages to %s: %s", self._recipient.name, type(err).__name__)
            if not self._stopping.is_set():
                self._rest(wait_s)

    def _rest(self, wait_s: float | None) -> None:
        """Wait until nudged, or for so long [real s]."""
        if wait_s is None:
            self.pulse.rest()
        else:
            self.pulse.beat(wait_s + pulse.NETWORK_S)
        if self._wake.is_set():  # nudged just before it lay down: what is expected of it must stand
            self.pulse.expect(pulse.NETWORK_S)
        self._wake.wait(wait_s)

    def _round(self) -> float | None:
        """Deal with all that is due; how long to wait then [real s], None: until nudged."""
        self._waits = False
        if self._anew.is_set():
            self._anew.clear()
            self._failures = {mark: (failures, -math.inf) for mark, (failures, _) in self._failures.items()}
        due = self._outbox.due_messages((self._recipient.name,))
        self._forget_all_but({m.id for m in due})
        for message in due:
            if self._stopping.is_set():
                return None
            self.pulse.beat(pulse.NETWORK_S)
            if message is due[0] or self._is_still_due(message):  # sending the one before may have taken long
                self._deal_with(message)
        times = [at_s for _, at_s in self._failures.values()]
        if not times:
            return LOOK_AGAIN_S if self._waits else None
        return max(0.0, min(min(times) - time.monotonic(), LOOK_AGAIN_S))

    def _is_still_due(self, message: Message) -> bool:
        """Whether nothing has withdrawn it meanwhile."""
        return message.id in {m.id for m in self._outbox.due_messages((self._recipient.name,))}

    def _forget_all_but(self, due: set[int]) -> None:
        self._accepted &= due
        for known in (self._failures, self._tokens):
            for gone in known.keys() - due:
                del known[gone]

    def _deal_with(self, message: Message) -> None:
        age_s = self._age_s(message)
        if message.id in self._accepted:
            self._mark_delivered(message)
        elif age_s is None:
            self._waits = True
        elif math.isnan(age_s):
            self._drop(message, AGE_UNKNOWN)
        elif age_s > message.expires_at - message.true_at:
            self._drop(message, OUT_OF_DATE)
        elif time.monotonic() >= self._failures.get(message.id, (0, -math.inf))[1]:
            self._try(message)

    def _drop(self, message: Message, reason: str) -> None:
        self._outbox.drop_message(message.id, reason)
        self._failures.pop(message.id, None)
        log.warning("message to %s dropped, %s: %s", message.channel, reason, message.subject)

    def _age_s(self, message: Message) -> float | None:
        """How old the message is [run s]; None while that can't be known, nan where it never will be.

        A clock may be set by months between writing and sending. So a message of this boot is as old as the
        time base that nobody sets says; one of an earlier boot by UTC, once that can be believed.
        """
        now, written = self._clock.standing(), message.written
        if written is not None and written.base == now.base:
            return now.s - written.s
        if not self._clock.utc_is_known():
            return None
        age_s = self._clock.utc() - message.true_at
        return age_s if age_s >= -AHEAD_S else math.nan

    def _try(self, message: Message) -> None:
        try:
            answerable = self._with_token(message)
            reason = self._send(address_of(self._recipient), answerable, self._settings.timeout_s)
        except AddressError as err:
            reason = str(err)
        except Exception as err:  # its text may hold the address
            reason = f"sending ended with {type(err).__name__}"
        if reason is None:
            self._accepted.add(message.id)
            self._mark_delivered(message)
        else:
            self._mark_failed(message, reason.rstrip("."))

    def _with_token(self, message: Message) -> Message:
        """The message with a token or code of its own; only their hash is kept, before it leaves."""
        if message.alert is None or not (ANSWER in message.body or CODE in message.body):
            return message
        known = self._tokens.get(message.id)
        token, code = known or (secrets.token_urlsafe(16), f"{secrets.randbelow(10**6):06d}")
        if known is None:
            made_at, used = self._clock.utc(), token if ANSWER in message.body else code
            valid_s = TEST_VALID_S if message.alert.startswith(f"{TEST}:") else LINK_VALID_S
            self._outbox.new_link(used, message.alert, message.channel, made_at, made_at + valid_s)
            self._tokens[message.id] = (token, code)
        return replace(message, body=message.body.replace(ANSWER, token).replace(CODE, code))

    def _mark_delivered(self, message: Message) -> None:
        """Accepted: from now on it is never sent again, even if the store can't be told at once."""
        self._failing = None
        self._failures.pop(message.id, None)
        for other, (failures, _) in self._failures.items():
            self._failures[other] = (failures, -math.inf)  # the way is open again: try the others now
        self._outbox.mark_delivered(message.id, self._clock.utc())
        self._accepted.discard(message.id)
        log.info("message to %s delivered: %s", message.channel, message.subject)

    def _mark_failed(self, message: Message, reason: str) -> None:
        failures = self._failures.get(message.id, (0, 0.0))[0] + 1
        now_s = time.monotonic()
        self._failures[message.id] = (failures, now_s + retry_after_s(failures, self._settings.retry_s))
        since_s = now_s if self._failing is None else self._failing[0]
        self._failing = (since_s, reason)
        log.warning("message to %s not delivered, try %d: %s", message.channel, failures, reason)
        self._outbox.mark_failed(message.id, reason)


class MessageCourier:
    """Brings the outbox's messages to their recipients for as long as the daemon runs.

    send: how one message is brought; anything but the default is for tests.
    """

    def __init__(
        self,
        store: Outbox,
        recipients: Sequence[Recipient],
        settings: Messages,
        clock: Clock,
        send: Send = send,
    ) -> None:
        self._lanes = [_Lane(store, recipient, settings, clock, send) for recipient in recipients]
        self.recipients = tuple(recipients)
        self.pulses = tuple(lane.pulse for lane in self._lanes)

    def start(self) -> None:
        """Begin with what earlier runs left undelivered, in the background."""
        for lane in self._lanes:
            lane.start()

    def nudge(self) -> None:
        """A message may be waiting. Never blocks."""
        for lane in self._lanes:
            lane.nudge()

    def ask_again(self) -> None:
        """What failed is tried at once: the clock was set, by which certificates are judged. Never blocks."""
        for lane in self._lanes:
            lane.ask_again()

    def stop(self) -> None:
        """End; a message being sent right now gets a moment, and stays in the outbox otherwise."""
        for lane in self._lanes:
            lane.ask_to_stop()
        deadline = time.monotonic() + STOP_S
        for lane in self._lanes:
            lane.join(max(0.0, deadline - time.monotonic()))

    @property
    def trouble(self) -> str | None:
        """Which recipients can't be reached and why, in sentences for the owner."""
        return " ".join(t for lane in self._lanes if (t := lane.trouble)) or None
