"""Who may look and act: this board itself, and phones paired with it; how a request came decides how far.

Pure but for fresh secrets. The sentences say what is missing and how to get it.
"""

from __future__ import annotations

import hmac
import ipaddress
import secrets
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from hashlib import sha256
from ipaddress import IPv4Address, IPv6Address
from typing import Literal
from urllib.parse import urlsplit

from probe_agent.config import Page
from probe_agent.store import Role, Session

FORWARDING_HEADERS = (
    "Forwarded",
    "X-Forwarded-For",
    "X-Forwarded-Host",
    "X-Forwarded-Proto",
    "X-Real-IP",
    "Via",
)

_LOOPBACK_NAMES = frozenset({"localhost", "127.0.0.1", "::1"})
_PRIVATE = tuple(
    ipaddress.ip_network(net)
    for net in ("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "169.254.0.0/16", "fc00::/7", "fe80::/10")
)
"""RFC 1918, RFC 3927, RFC 4193, RFC 4291 section 2.5.6."""

ANSWERING = frozenset(
    {"answer-alert", "flew", "hand-reading", "undo-hand-reading", "switch-off", "switch-lock"}
)
"""Kinds of commands the owner may allow over plain HTTP. Of the plug: off and the lock, never on."""

Reason = Literal["unpaired", "ended", "viewer", "unread", "plain", "rest", "far", "proxy", "name"]
"""Why an act isn't taken; what each means is in SHORT."""


@dataclass(frozen=True, slots=True)
class Way:
    """How a request came. local: from this machine under a name of its own, through no proxy; https: over
    HTTPS all the way to this machine; private: from a private address; less: why a pairing gives less
    than acting on this way, where that lies in the way."""

    local: bool
    https: bool
    private: bool
    less: Reason | None


def way_of(peer: str | None, host: str, scheme: str, headers: Mapping[str, str], proxy: str | None) -> Way:
    """How a request came from the machine `peer`, asking for `host` over `scheme`.

    Forwarding headers are believed of `proxy` alone, and there the last entry of each, which it wrote
    itself. Otherwise they say one thing: that something stands between. A foreign name that resolves to
    127.0.0.1 (DNS rebinding) fails at `host`.
    """
    address, forwarded = _address(peer), _is_forwarded(headers)
    if forwarded and proxy is not None and address is not None and address == _address(proxy):
        client = _address(_last(headers, "X-Forwarded-For"))
        https = _last(headers, "X-Forwarded-Proto").lower() == "https"
        return Way(False, https, _is_private(client), None if https else "plain")
    if forwarded:
        return Way(False, False, False, "proxy")
    if scheme == "https":
        return Way(False, True, _is_private(address), None)
    if address is not None and address.is_loopback:
        local = _host_name(host) in _LOOPBACK_NAMES
        return Way(local, False, False, None if local else "name")
    return Way(False, False, _is_private(address), "plain")


@dataclass(frozen=True, slots=True)
class Permit:
    """What a request may do. session: of its cookie, if it holds; best: the most that a pairing gives on
    this way; role: what it has, None for nothing; less: why best isn't owner; lack: why role isn't best."""

    local: bool
    looks: bool
    session: Session | None
    best: Role
    role: Role | None
    less: Reason | None
    lack: Reason

    def why_not(self, kind: str) -> Reason | None:
        """Why a command of that kind isn't taken; None where it is."""
        if self.local or self.role == "owner":
            return None
        if self.best == "owner" or (self.best == "answers" and kind in ANSWERING):
            return None if self.role == self.best else self.lack
        return self.less or self.lack

    @property
    def offers(self) -> bool:
        """Whether a code could give more than there is."""
        return not self.looks or (self.best != "viewer" and self.role != self.best)


def permit_of(way: Way, session: Session | None, page: Page, lack: Reason = "unpaired") -> Permit:
    """What may be done on that way with that session; lack: why there is no session."""
    best, less = _best(way, page)
    role: Role | None = None
    if session is not None:
        role = "viewer" if session.role != best else best
        lack = "viewer"
    looks = way.local or role is not None or page.viewing == "anyone"
    return Permit(way.local, looks, session, best, role, less, lack)


def _best(way: Way, page: Page) -> tuple[Role, Reason | None]:
    """The most a pairing gives on that way, and why not more."""
    if way.https:
        return "owner", None
    if way.less != "plain" or not page.plain_acts:
        return "viewer", way.less
    return ("answers", "rest") if way.private else ("viewer", "far")


def session_cookie(https: bool) -> str:
    """The cookie's name. One set over HTTPS is never sent over HTTP, and none set over HTTP is read over
    HTTPS: what could be read on the way is worth nothing there."""
    return "__Host-session" if https else "session"


def form_cookie(https: bool) -> str:
    """The name of the cookie that ties a form to a browser which isn't paired."""
    return "__Host-form" if https else "form"


SHORT: Mapping[Reason, str] = {
    "unpaired": "Only a paired phone can do this.",
    "ended": "This phone's pairing has ended.",
    "viewer": "This phone is paired to look, not to act.",
    "unread": "Which phones are paired can't be read now.",
    "plain": "Not possible here: the page came over plain HTTP.",
    "rest": "Not over plain HTTP, where only answers and readings by hand are taken.",
    "far": "Over plain HTTP this is taken from private addresses only.",
    "proxy": "Not possible here: the page came through a proxy the settings don't name.",
    "name": "Not possible under this name of the board.",
}
"""At the control's place."""

HOW: Mapping[Reason, str] = {
    "unread": "Look at the board's disk, then load this page again.",
    "plain": (
        "This phone can look, not act: the page came over plain HTTP, where a pairing could be read on the "
        "way. Open it over HTTPS; or the owner allows answers and readings by hand on private addresses "
        "(plain_acts under [page])."
    ),
    "rest": (
        "Over plain HTTP a paired phone can answer what is asked and enter readings by hand. For everything "
        "else open the page over HTTPS."
    ),
    "far": (
        "Over plain HTTP the owner has allowed answers and readings by hand from private addresses only, "
        "and this phone comes from another one. Open the page over HTTPS, or use the hangar's own network."
    ),
    "proxy": (
        "This phone can look, not act: the page came through a proxy, and how it came to the proxy isn't "
        "known. The owner names the proxy in the settings (proxy under [page])."
    ),
    "name": "This is the board itself: open http://localhost:{port}/ and nothing more is needed.",
}
"""In the block about this phone, where the short sentence leads."""


@dataclass(frozen=True, slots=True)
class Lack:
    """Why a control isn't there, for its place."""

    text: str
    mended_by_pairing: bool


def lack_of(permit: Permit, kind: str) -> Lack | None:
    """What a command of that kind lacks; None where it is taken."""
    reason = permit.why_not(kind)
    return None if reason is None else Lack(SHORT[reason], reason in ("unpaired", "ended", "viewer"))


def same_origin(host: str, headers: Mapping[str, str], https: bool = False) -> bool:
    """Whether the browser says the request comes from a page of this very host; a browser that says
    nothing is judged by its token alone."""
    site, origin = headers.get("Sec-Fetch-Site"), headers.get("Origin")
    if site is not None and site != "same-origin":
        return False
    return origin is None or origin == f"{'https' if https else 'http'}://{host}"


class FormTokens:
    """Tokens that tie a form to the browser it was shown in. A paired phone's rest on its session alone
    and outlive this process; the others end with it."""

    def __init__(self) -> None:
        self._secret = secrets.token_bytes(32)

    def new_cookie(self) -> str:
        return secrets.token_urlsafe(24)

    def token(self, cookie: str, paired: bool = False) -> str:
        key = cookie.encode() if paired else self._secret
        return hmac.new(key, b"form " + cookie.encode(), sha256).hexdigest()

    def fits(self, cookie: str | None, token: str | None, paired: bool = False) -> bool:
        if not cookie or not token:
            return False
        return hmac.compare_digest(self.token(cookie, paired).encode(), token.encode())

    def session_token(self, cookie: str, number: str) -> str:
        """The token of the session that a pairing form begins: for one form the same, so that a second
        press is given what the first one was."""
        return hmac.new(self._secret, f"session {cookie} {number}".encode(), sha256).hexdigest()


_OF_FORWARDING = frozenset(f"HTTP_{name.upper().replace('-', '_')}" for name in FORWARDING_HEADERS)


def forwarding(environ: Mapping[str, object]) -> dict[str, str]:
    """The forwarding headers of a WSGI request, by name."""
    return {
        key[5:].replace("_", "-").title(): str(value)
        for key, value in environ.items()
        if key in _OF_FORWARDING or key.startswith("HTTP_X_FORWARDED_")
    }


def _is_forwarded(headers: Mapping[str, str]) -> bool:
    names = {name.lower() for name, _ in headers.items()}
    return any(n.lower() in names for n in FORWARDING_HEADERS) or any(
        n.startswith("x-forwarded-") for n in names
    )


def _last(headers: Mapping[str, str], name: str) -> str:
    return headers.get(name, "").rpartition(",")[2].strip()


@lru_cache(maxsize=64)
def _address(text: str | None) -> IPv4Address | IPv6Address | None:
    try:
        address = ipaddress.ip_address(text or "")
    except ValueError:
        return None
    return getattr(address, "ipv4_mapped", None) or address


def _is_private(address: IPv4Address | IPv6Address | None) -> bool:
    return address is not None and any(address in net for net in _PRIVATE)


def _host_name(host: str) -> str:
    try:
        return (urlsplit(f"//{host}").hostname or "").lower()
    except ValueError:
        return ""
