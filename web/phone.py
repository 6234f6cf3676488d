"""The block about the phone that asks: what it is paired for, why not for more, and how to get there."""

from __future__ import annotations

from typing import Any

from flask import request

from probe_agent import pairing, words
from probe_agent.config import Settings
from web.access import HOW
from web.gate import permit


def describe(settings: Settings) -> dict[str, Any]:
    """What phone.html shows of the request's phone, and what became of a code that was tried in it."""
    may, session = permit(), permit().session
    zone = settings.aircraft.zone or "UTC"
    port = request.environ.get("SERVER_PORT", settings.page.port)
    until = words.day(session.expires_at, zone) if session else ""
    lacks = [r for r in (may.lack if may.lack == "unread" else None, may.less) if r is not None]
    return {
        "local": may.local,
        "tried": request.endpoint == "act_pair" and not may.local,
        "linked": request.endpoint == "pair",
        "paired": session and f"It {words.role(may.role or 'viewer')}, until {until}.",
        "ended": may.lack == "ended",
        "offers": may.offers,
        "best": may.best,
        "why": [HOW[r].format(port=port) for r in lacks],
        "label": request.form.get("label", "")[: pairing.LABEL_LENGTH],
        "port": port,
    }
