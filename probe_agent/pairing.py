"""Who may look and act from elsewhere: single-use codes on the console, sessions of paired phones.

Neither a code nor a session's token is ever stored: of a code its salted scrypt, of a token its SHA-256.
"""

from __future__ import annotations

import hmac
import ipaddress
import secrets
from collections.abc import Mapping
from hashlib import scrypt, sha256
from typing import TYPE_CHECKING, Any

from probe_agent import store, words
from probe_agent.config import Page
from probe_agent.store import OpenCode, Role

if TYPE_CHECKING:  # the page reads codes with this room, and doesn't write the record
    from probe_agent.store import Batch, Store

OFFER, TRY, END = "offer-code", "try-code", "end-session"
"""Kinds of commands."""

ALPHABET = "BCDFGHJKLMNPQRSTVWXZ"
"""Capitals alone, so that no keyboard has to be switched; no vowels, so that none is taken for a digit."""
CODE_LENGTH = 8
"""20 letters to the 8th power: 34.6 bits."""
CODE_VALID_S = 900.0
TRIES_A_CODE = 5
TRIES_A_SPAN, SPAN_S = 10, 3600.0
"""Wrong tries of all codes printed within the span before pairing rests."""
LABEL_LENGTH = 40
_DAY_S = 86_400.0

RANK: Mapping[Role, int] = {"viewer": 0, "answers": 1, "owner": 2}

Answer = tuple[bool, str]


def new_code() -> str:
    """A fresh code, eight letters."""
    return "".join(secrets.choice(ALPHABET) for _ in range(CODE_LENGTH))


def shown_code(code: str) -> str:
    """A code in two groups, as it is printed."""
    return f"{code[:4]}-{code[4:]}"


def read_code(typed: str) -> str | None:
    """The code somebody typed: any case, blanks and dashes left out; None where it can't be one."""
    code = "".join(ch for ch in typed.upper() if ch.isalnum())
    return code if len(code) == CODE_LENGTH and not set(code) - set(ALPHABET) else None


def link_of(page: Page, host_name: str, code: str) -> tuple[str, str]:
    """The link that opens the page with a code, and what has to be known of its address, or "".

    The code stands behind the #, which browsers don't send, so that no log has it. host_name: the board's,
    for where the settings don't tell how the page is reached.
    """
    tail = f"/pair#{shown_code(code)}"
    if page.public_url is not None:
        return page.public_url + tail, ""
    if page.proxy is not None:
        return f"https://{host_name}{tail}", _GUESSED
    try:
        address = ipaddress.ip_address(page.listen)
    except ValueError:
        return f"http://{page.listen}:{page.port}{tail}", _ONLY_HERE if page.listen == "localhost" else ""
    if address.is_unspecified or address.is_loopback:
        return f"http://{host_name}:{page.port}{tail}", _ONLY_HERE if address.is_loopback else _GUESSED
    name = f"[{address}]" if address.version == 6 else str(address)
    return f"http://{name}:{page.port}{tail}", ""


_GUESSED = (
    "The settings don't say where phones reach the page (public_url under [page]): the link has the board's "
    "host name and may need another. The code can be typed as well."
)
_ONLY_HERE = (
    "As it is set up, only the board itself reaches the page (listen under [page]), so the link opens on no "
    "phone yet."
)


def new_salt() -> bytes:
    return secrets.token_bytes(16)


def seal(code: str, salt: bytes) -> bytes:
    """What is kept of a code: 32 bytes of scrypt (RFC 7914) with n = 2^14, r = 8, p = 1."""
    return scrypt(code.encode(), salt=salt, n=2**14, r=8, p=1, dklen=32)


def token_hash(token: str) -> bytes:
    """What is kept of a session's token, which has 256 random bits and needs no slow hash."""
    return sha256(token.encode()).digest()


class Pairings:
    """The daemon's side: codes are offered and tried, sessions begin and end. Instants are real UTC
    seconds. The methods carry out a command's body; they raise KeyError, TypeError, ValueError."""

    def __init__(self, record: Store, page: Page, zone: str) -> None:
        self._record, self._page, self._zone = record, page, zone

    def offer(self, body: Mapping[str, Any], batch: Batch, now_at: float) -> Answer:
        """Take up a code's role, salt and hash (hex); a code offered before ends."""
        role, salt, sealed = body["role"], bytes.fromhex(body["salt"]), bytes.fromhex(body["hash"])
        if role not in ("owner", "viewer") or len(salt) != 16 or len(sealed) != 32:
            raise ValueError("role, salt or hash")
        if (until_at := self._rests_until(now_at)) is not None:
            return False, self._resting(until_at, now_at)
        batch.statements += store.offer_code(role, salt, sealed, now_at, now_at + CODE_VALID_S)
        until = words.moment(now_at + CODE_VALID_S, self._zone, now_at)
        return True, f"Valid until {until}, for one phone; {TRIES_A_CODE} wrong tries end it."

    def try_code(self, body: Mapping[str, Any], batch: Batch, now_at: float) -> Answer:
        """Try a code's scrypt against the open one. code: its number; hash, token (hex): scrypt of what was
        typed, hash of the session's token; most: the role the page can give at most; label; instead:
        a session that ends with this one's beginning, or None."""
        sealed, token = bytes.fromhex(body["hash"]), bytes.fromhex(body["token"])
        most: Role = body["most"]
        if most not in RANK or len(token) != 32:
            raise ValueError("most or token")
        if (until_at := self._rests_until(now_at)) is not None:
            return False, self._resting(until_at, now_at)
        code = self._record.open_code(now_at)
        if code is None or code.number != int(body["code"]):
            return False, NO_CODE
        if not hmac.compare_digest(code.hash, sealed):
            return self._wrong(code, batch, now_at)
        role = min(code.role, most, key=RANK.__getitem__)
        if (instead := body.get("instead")) is not None:
            batch.statements.append(store.end_session(int(instead), now_at))
        return True, self._begin(code, role, token, str(body["label"]), batch, now_at)

    def end(self, body: Mapping[str, Any], batch: Batch, now_at: float) -> Answer:
        """End a session by its number."""
        number = int(body["session"])
        if number not in {s.number for s in self._record.sessions(now_at)}:
            return False, f"There is no session {number}. probe-agent sessions shows their numbers."
        batch.statements.append(store.end_session(number, now_at))
        return True, f"Session {number} has ended; that phone is no longer paired."

    def _begin(
        self, code: OpenCode, role: Role, token: bytes, label: str, batch: Batch, now_at: float
    ) -> str:
        days = self._page.viewer_days if role == "viewer" else self._page.owner_days
        until_at = now_at + days * _DAY_S
        batch.statements += store.begin_session(code.number, role, _label(label), token, now_at, until_at)
        return f"This phone {words.role(role)}, until {words.day(until_at, self._zone)}."

    def _wrong(self, code: OpenCode, batch: Batch, now_at: float) -> Answer:
        left = TRIES_A_CODE - code.tries - 1
        batch.statements.append(store.count_try(code.number))
        if left > 0:
            return False, f"That is not the code. {words.tries(left)} left."
        batch.statements.append(store.end_code(code.number, now_at))
        return False, f"That was not the code either, and after {TRIES_A_CODE} tries it has ended. " + PRINT

    def _rests_until(self, now_at: float) -> float | None:
        """When pairing may go on after too many wrong tries of all codes; None while it may."""
        tried = self._record.tries_of_codes(now_at - SPAN_S, now_at + SPAN_S)
        for i, (made_at, _) in enumerate(tried):
            if sum(tries for _, tries in tried[i:]) < TRIES_A_SPAN:
                return None if i == 0 else tried[i - 1][0] + SPAN_S
            last_at = made_at
        return last_at + SPAN_S if tried else None

    def _resting(self, until_at: float, now_at: float) -> str:
        until = words.moment(until_at, self._zone, now_at)
        return (
            f"Too many wrong codes were tried: pairing rests until {until}. "
            "The board itself and phones already paired go on."
        )


PRINT = "On the board, probe-agent pair prints another."
NO_CODE = (
    "No code is open: none was printed in the last 15 minutes, or it was used, or tried too often. "
    "On the board, probe-agent pair prints one."
)


def _label(text: str) -> str:
    """One line that can't steer a terminal."""
    plain = "".join(ch if ch.isprintable() else " " for ch in text)
    return " ".join(plain.split())[:LABEL_LENGTH] or "phone"
