"""Messages and links that a refusing disk didn't take: brought all the same, written when it takes them."""

from __future__ import annotations

import threading
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from probe_agent.store.file import Statement
from probe_agent.store.told import Message

_KEYED = " WHERE channel = ? AND dedupe_key = ?"


@dataclass(slots=True)
class _Waiting:
    message: Message
    delivered_at: float | None = None
    dropped: str | None = None


class Aside:
    """Undelivered messages of batches that could not be committed. Their numbers are negative.

    Safe to use from several threads.
    """

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._waiting: dict[int, _Waiting] = {}
        self._keys: dict[int, tuple[str, str]] = {}
        self._links: list[Statement] = []
        self.withdrawn: tuple[tuple[str, str | None], ...] = ()
        """First parts of keys of messages in the store that are no longer true, of one channel or of all."""

    def refused(self, messages: Iterable[Message], withdrawn: Sequence[tuple[str, str | None]]) -> None:
        """The disk refused a batch: these are to be brought until it takes them, and no others."""
        with self._lock:
            known = {self._keys[n]: n for n in self._waiting}
            kept: dict[int, _Waiting] = {}
            for message in messages:
                key = (message.channel, message.dedupe_key)
                number = known.get(key, -1 - len(self._keys))
                self._keys[number] = key
                kept[number] = self._waiting.get(number, _Waiting(replace(message, id=number)))
            self._waiting, self.withdrawn = kept, tuple(withdrawn)

    def due(self, channels: Iterable[str]) -> list[Message]:
        """Those neither delivered nor dropped, oldest first."""
        wanted = set(channels)
        with self._lock:
            found = self._waiting.values()
            return [
                w.message
                for w in found
                if w.message.channel in wanted and w.delivered_at is None and w.dropped is None
            ]

    def key_of(self, number: int) -> tuple[str, str]:
        """Channel and key of a message that had that number."""
        with self._lock:
            return self._keys[number]

    def delivered(self, number: int, at: float) -> bool:
        """A channel has accepted it. False where the store has it by now."""
        with self._lock:
            waiting = self._waiting.get(number)
            if waiting is not None:
                waiting.delivered_at = at
            return waiting is not None

    def failed(self, number: int) -> bool:
        """A channel has not accepted it. False where the store has it by now."""
        with self._lock:
            waiting = self._waiting.get(number)
            if waiting is not None:
                waiting.message = replace(waiting.message, tries=waiting.message.tries + 1)
            return waiting is not None

    def dropped(self, number: int, reason: str) -> bool:
        """It must not be sent any more. False where the store has it by now."""
        with self._lock:
            waiting = self._waiting.get(number)
            if waiting is not None:
                waiting.dropped = reason
            return waiting is not None

    def keep_link(self, link: Statement) -> None:
        """A link that left with a message; it answers once it is in the store."""
        with self._lock:
            self._links.append(link)

    def catching_up(self) -> list[Statement]:
        """What the store has to be told, after the messages, by the commit that takes them."""
        with self._lock:
            out = list(self._links)
            for number, w in self._waiting.items():
                values = (w.delivered_at, w.dropped, w.message.tries, *self._keys[number])
                out.append(
                    (f"UPDATE outbox SET delivered_at = ?, dropped_reason = ?, tries = ?{_KEYED}", values)
                )
            return out

    def taken(self) -> None:
        """The store has them."""
        with self._lock:
            self._waiting.clear()
            self._links.clear()
            self.withdrawn = ()
