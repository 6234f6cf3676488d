"""Wishes of people, waiting for the daemon's answer."""

from __future__ import annotations

import json
import time
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from probe_agent.store.file import Statement


@dataclass(frozen=True, slots=True)
class Command:
    """A wish of the owner, waiting for the daemon's answer. expires_at: real UTC seconds."""

    id: str
    kind: str
    body: Mapping[str, Any]
    made_at: float
    expires_at: float


def answer_command(command: str, answer: str) -> Statement:
    """Answer a command, once."""
    return (
        "UPDATE commands SET answer = ?, answered_at = ? WHERE id = ? AND answered_at IS NULL",
        (answer, time.time(), command),
    )


def forget_body(command: str) -> Statement:
    """Leave of a command only that it was given and answered."""
    return ("UPDATE commands SET body = '{}' WHERE id = ?", (command,))


def body_of(text: str) -> Mapping[str, Any]:
    """What a command says; one that is not JSON says nothing, so that it is refused and not in the way."""
    try:
        body = json.loads(text)
    except ValueError:
        return {}
    return body if isinstance(body, dict) else {}
