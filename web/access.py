"""Who may act: only this board itself, with a token on each form, from the page's own origin."""

from __future__ import annotations

import hmac
import ipaddress
import secrets
from collections.abc import Mapping
from hashlib import sha256
from urllib.parse import urlsplit

FORWARDING_HEADERS = (
    "Forwarded",
    "X-Forwarded-For",
    "X-Forwarded-Host",
    "X-Forwarded-Proto",
    "X-Real-IP",
    "Via",
)
COOKIE = "form"

_LOOPBACK_NAMES = frozenset({"localhost", "127.0.0.1", "::1"})


def acts_allowed(peer: str | None, host: str, headers: Mapping[str, str]) -> bool:
    """Whether the request comes from this machine under a name of its own, through no proxy.

    A foreign name that resolves to 127.0.0.1 (DNS rebinding) fails at `host`; a proxy on this machine
    shows itself by a forwarding header.
    """
    names = {name.lower() for name, _ in headers.items()}
    forwarded = any(n.lower() in names for n in FORWARDING_HEADERS) or any(
        n.startswith("x-forwarded-") for n in names
    )
    return _is_loopback(peer) and _host_name(host) in _LOOPBACK_NAMES and not forwarded


def same_origin(host: str, headers: Mapping[str, str]) -> bool:
    """Whether the browser says the request comes from a page of this very host; a browser that says
    nothing is judged by its token alone."""
    site, origin = headers.get("Sec-Fetch-Site"), headers.get("Origin")
    if site is not None and site != "same-origin":
        return False
    return origin is None or (
        urlsplit(origin).scheme in ("http", "https") and urlsplit(origin).netloc == host
    )


class FormTokens:
    """Tokens that tie a form to the browser it was shown in; they end with this process."""

    def __init__(self) -> None:
        self._secret = secrets.token_bytes(32)

    def new_cookie(self) -> str:
        return secrets.token_urlsafe(24)

    def token(self, cookie: str) -> str:
        return hmac.new(self._secret, cookie.encode(), sha256).hexdigest()

    def fits(self, cookie: str | None, token: str | None) -> bool:
        return bool(cookie and token) and hmac.compare_digest(self.token(cookie or ""), token or "")


def _is_loopback(peer: str | None) -> bool:
    try:
        address = ipaddress.ip_address(peer or "")
    except ValueError:
        return False
    mapped = getattr(address, "ipv4_mapped", None)
    return bool((mapped or address).is_loopback)


def _host_name(host: str) -> str:
    try:
        return (urlsplit(f"//{host}").hostname or "").lower()
    except ValueError:
        return ""
