"""Who may look and act: pairing codes and sessions."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from typing import Literal

from probe_agent.store.file import Statement

Role = Literal["owner", "answers", "viewer"]
"""What a session may do: act; answer alerts and enter readings by hand; look."""


@dataclass(frozen=True, slots=True)
class OpenCode:
    """A pairing code that may be tried: its scrypt with its salt, how often it was tried in vain."""

    number: int
    role: Role
    salt: bytes
    hash: bytes
    expires_at: float
    tries: int


@dataclass(frozen=True, slots=True)
class Session:
    """A paired phone. Instants are real UTC seconds."""

    number: int
    role: Role
    label: str
    made_at: float
    expires_at: float


def offer_code(role: Role, salt: bytes, sealed: bytes, now_at: float, expires_at: float) -> list[Statement]:
    """The one pairing code that may be tried from now on."""
    return [
        (f"{_END_CODE} WHERE ended_at IS NULL", (now_at,)),
        (
            "INSERT INTO pairings (role, salt, hash, made_at, expires_at) VALUES (?, ?, ?, ?, ?)",
            (role, salt, sealed, now_at, expires_at),
        ),
    ]


def count_try(code: int) -> Statement:
    """One more wrong try of a code."""
    return ("UPDATE pairings SET tries = tries + 1 WHERE pairing = ?", (code,))


def end_code(code: int, now_at: float) -> Statement:
    """A code can't be tried any more, and nothing is left of it to try against."""
    return (f"{_END_CODE} WHERE pairing = ?", (now_at, code))


_END_CODE = "UPDATE pairings SET ended_at = ?, salt = x'', hash = x''"


def begin_session(
    code: int, role: Role, label: str, token: bytes, now_at: float, expires_at: float
) -> list[Statement]:
    """A session for a code that is still open, which ends the code: a code opens one session only."""
    return [
        (
            "INSERT INTO sessions (role, label, hash, made_at, expires_at) SELECT ?, ?, ?, ?, ?"
            " WHERE EXISTS (SELECT 1 FROM pairings WHERE pairing = ? AND ended_at IS NULL)",
            (role, label, token, now_at, expires_at, code),
        ),
        end_code(code, now_at),
    ]


def end_session(session: int, now_at: float) -> Statement:
    """A phone is no longer paired."""
    return ("UPDATE sessions SET ended_at = ? WHERE session = ? AND ended_at IS NULL", (now_at, session))


CLOCK_SLACK_S = 60.0


def find_code(db: sqlite3.Connection, now_at: float) -> OpenCode | None:
    """None also where the code is of the future: the clock was set back, and its time can't be told."""
    row = db.execute(
        "SELECT pairing, role, salt, hash, expires_at, tries FROM pairings"
        " WHERE ended_at IS NULL AND made_at <= ? AND expires_at > ? ORDER BY pairing DESC LIMIT 1",
        (now_at + CLOCK_SLACK_S, now_at),
    ).fetchone()
    return None if row is None else OpenCode(*row)


SESSION = "SELECT session, role, label, made_at, expires_at FROM sessions WHERE ended_at IS NULL"


def sessions_at(db: sqlite3.Connection, now_at: float) -> list[Session]:
    rows = db.execute(f"{SESSION} AND expires_at > ? ORDER BY session", (now_at,))
    return [Session(*row) for row in rows]
