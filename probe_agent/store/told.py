"""What people were told: alerts, messages, links that answer, recipients."""

from __future__ import annotations

import hashlib
import json
import sqlite3
from dataclasses import dataclass
from typing import Any

from probe_agent.clock import Standing
from probe_agent.store.file import Statement

ANSWER, CODE = "\u27e8answer..............\u27e9", "\u27e8code\u27e9"
"""Where a token and a code go in a body, as long as those are: 22 and 6 characters."""
TEST = "test"
"""First part of what a test message's link answers, in an alert's stead: test:recipient."""


@dataclass(frozen=True, slots=True)
class Message:
    """One message to one channel, as the outbox keeps it. Instants are the run's UTC seconds.

    written: when it was written, by a time base nobody sets (clock.Standing); its age goes by that as long
    as there is that base. alert: what its link or code answers; where the body has ANSWER or CODE in it, the
    courier puts a fresh token in its place when it sends, so that none lies in the store.
    """

    channel: str
    dedupe_key: str
    subject: str
    body: str
    true_at: float
    expires_at: float
    id: int = 0
    tries: int = 0
    alert: str | None = None
    written: Standing | None = None


@dataclass(frozen=True, slots=True)
class Link:
    """What a link in a message may answer, found by its token's hash. Instants in UTC seconds."""

    alert: str
    recipient: str
    expires_at: float
    used_at: float | None
    kind: str | None = None
    place: str | None = None
    harm: bool = False
    closed_at: float | None = None


def open_alert(alert: str, kind: str, place: str | None, harm: bool, at: float) -> Statement:
    """Record an alert."""
    return (
        "INSERT INTO alerts (alert, kind, place, harm, opened_at) VALUES (?, ?, ?, ?, ?)"
        " ON CONFLICT (alert) DO NOTHING",
        (alert, kind, place, harm, at),
    )


def answer_alert(alert: str, answer: str, at: float) -> Statement:
    """Record what somebody answered."""
    return ("UPDATE alerts SET answered = ?, answered_at = ? WHERE alert = ?", (answer, at, alert))


def close_alert(alert: str, at: float, closed_by: str) -> Statement:
    """Record that an alert has gone, by answer or by evidence."""
    return ("UPDATE alerts SET closed_at = ?, closed_by = ? WHERE alert = ?", (at, closed_by, alert))


def withdraw_messages(head: str, channel: str | None = None) -> Statement:
    """Drop undelivered messages: those that no longer hold, or of one channel, that a newer one overtakes.

    head: the first parts of their keys.
    """
    reason = "no longer true" if channel is None else "overtaken"
    return (
        "UPDATE outbox SET dropped_reason = ? WHERE delivered_at IS NULL AND dropped_reason IS NULL"
        " AND substr(dedupe_key, 1, ?) = ? AND channel = coalesce(?, channel)",
        (reason, len(head) + 1, f"{head}:", channel),
    )


def revoke_links(alert: str, at: float) -> Statement:
    """End the links that answer an alert."""
    return ("UPDATE links SET expires_at = min(expires_at, ?) WHERE alert = ?", (at, alert))


def use_link(token_hash: bytes, at: float) -> Statement:
    """A link has answered; it does so once."""
    return ("UPDATE links SET used_at = ? WHERE hash = ? AND used_at IS NULL", (at, token_hash))


def mark_tested(recipient: str, at: float) -> Statement:
    """A test message to a recipient was written."""
    return (
        "INSERT INTO recipients (recipient, tested_at) VALUES (?, ?)"
        " ON CONFLICT (recipient) DO UPDATE SET tested_at = excluded.tested_at",
        (recipient, at),
    )


def mark_proven(recipient: str, at: float | None) -> Statement:
    """A recipient has answered a test message; None: not any more, as after a change of address."""
    return (
        "INSERT INTO recipients (recipient, proven_at) VALUES (?, ?)"
        " ON CONFLICT (recipient) DO UPDATE SET proven_at = excluded.proven_at",
        (recipient, at),
    )


def find_link(db: sqlite3.Connection, token_hash: bytes) -> Link | None:
    """The link with that hash, with what is known of its alert."""
    row = db.execute(
        "SELECT l.alert, recipient, expires_at, used_at, kind, place, coalesce(harm, 0), closed_at"
        " FROM links l LEFT JOIN alerts a ON a.alert = l.alert WHERE hash = ?",
        (token_hash,),
    ).fetchone()
    if row is None:
        return None
    alert, recipient, expires_at, used_at, kind, place, harm, closed_at = row
    return Link(alert, recipient, expires_at, used_at, kind, place, bool(harm), closed_at)


def link_hash(token: str) -> bytes:
    """What is kept of a token."""
    return hashlib.sha256(f"probe-agent answer {token}".encode()).digest()


def insert_message(db: sqlite3.Connection, message: Message) -> None:
    db.execute(
        "INSERT INTO outbox (channel, dedupe_key, payload, true_at, expires_at) VALUES (?, ?, ?, ?, ?)"
        " ON CONFLICT (channel, dedupe_key) DO NOTHING",
        (
            message.channel,
            message.dedupe_key,
            json.dumps(_payload(message), ensure_ascii=False),
            message.true_at,
            message.expires_at,
        ),
    )


def _payload(message: Message) -> dict[str, object]:
    out: dict[str, object] = {"subject": message.subject, "body": message.body}
    if message.alert is not None:
        out["alert"] = message.alert
    if message.written is not None:
        out["written"] = (message.written.base, message.written.s)
    return out


def message_of(row: tuple[Any, ...]) -> Message:
    """A message as its row has it: channel, dedupe_key, payload, true_at, expires_at, message, tries."""
    channel, key, payload, true_at, expires_at, number, tries = row
    said = json.loads(payload)
    written = Standing(*said["written"]) if "written" in said else None
    words = (said["subject"], said["body"])
    return Message(channel, key, *words, true_at, expires_at, number, tries, said.get("alert"), written)


def shift_messages(base: str, by_s: float) -> Statement:
    """The clock was set by so much: undelivered messages written under it keep their age."""
    return (
        "UPDATE outbox SET true_at = true_at + ?1, expires_at = expires_at + ?1"
        " WHERE delivered_at IS NULL AND dropped_reason IS NULL"
        " AND json_extract(payload, '$.written[0]') = ?2",
        (by_s, base),
    )
