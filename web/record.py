"""What the page reads from the record: the curve of the last hours, thinned, and the readings by hand."""

from __future__ import annotations

import sqlite3
import threading
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import msgspec

from probe_agent.status import PlanNow, Status, utc_seconds
from probe_agent.store import BindingChange, CurveRow, Reader, Session, StoreError

HOURS = 8
OPEN = frozenset({"planned", "heating", "delayed", "did-not-start"})
"""States of departures that are still to come."""
MOST_ROWS = 480

Row = tuple[float | None, ...]
Told = tuple[float, float | None, float, float | None]
"""A range as it was announced: when, and its 10, 50, 90 % [UTC s]."""


@dataclass(frozen=True, slots=True)
class CurveView:
    """Rows of [UTC s, °C or None a place…, heater share or None], times rising; reason: why there are
    none, or not all."""

    places: tuple[str, ...] = ()
    rows: tuple[Row, ...] = ()
    reason: str = ""


@dataclass(frozen=True, slots=True)
class SetUpKept:
    """bindings: (place, source, address); changes of them, newest first; tested: recipient → when tested and
    when proven [UTC s]."""

    bindings: list[tuple[str, str, str]] = field(default_factory=list)
    changes: list[BindingChange] = field(default_factory=list)
    tested: dict[str, tuple[float | None, float | None]] = field(default_factory=dict)


class _Kept(msgspec.Struct):
    """A departure as the daemon keeps it, in the part that viewers are shown."""

    shown: PlanNow


class Record:
    """A viewer's hand on the store, opened when it is there and kept."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock = threading.Lock()
        self._reader: Reader | None = None
        self._cached: tuple[tuple[Any, ...], list[CurveRow]] | None = None

    def curve(self, status: Status) -> CurveView:
        """The last hours up to the document's instant, what isn't committed yet from its `recent`."""
        now_at = utc_seconds(status.now)
        since_at = now_at - HOURS * 3600
        reason = ""
        try:
            committed = self._committed(since_at, now_at)
        except (StoreError, sqlite3.Error) as err:
            committed, reason = [], _sentence(err)
        return merge_curve(committed, status, since_at, reason)

    def announced(self, now_at: float) -> list[Told]:
        """The ranges announced in the last hours, rising; none where the record can't be read."""
        try:
            with self._lock:
                return self._open().announced_since(now_at - HOURS * 3600)
        except (StoreError, sqlite3.Error):
            return []

    def hand_readings(self, most: int = 5) -> list[dict[str, Any]]:
        """The last readings by hand that count, newest first; none where the record can't be read."""
        try:
            with self._lock:
                return [h for h in self._open().hand_readings(most) if not h["undone"]]
        except (StoreError, sqlite3.Error):
            return []

    def set_up(self) -> SetUpKept:
        """What the page Set up shows of the record; nothing where it can't be read."""
        try:
            with self._lock:
                r = self._open()
                return SetUpKept(r.bindings(), r.binding_changes(), r.tested())
        except (StoreError, sqlite3.Error):
            return SetUpKept()

    def kept(self, name: str) -> str | None:
        """A small value the daemon keeps; None where there is none, or the record can't be read."""
        try:
            with self._lock:
                return self._open().kept(name)
        except (StoreError, sqlite3.Error):
            return None

    def departures(self, now_at: float) -> list[PlanNow]:
        """The departures to come, the next one first; none where the record can't be read."""
        try:
            with self._lock:
                texts = self._open().departures(now_at - 3 * 86_400)
            kept = [msgspec.json.decode(text, type=_Kept).shown for text in texts]
        except (StoreError, sqlite3.Error, msgspec.MsgspecError):
            return []
        return [plan for plan in kept if plan.state in OPEN]

    def session(self, token: bytes, now_at: float) -> Session | None:
        """The session that holds for a token with that hash. Raises StoreError, sqlite3.Error."""
        with self._lock:
            return self._open().session(token, now_at)

    def _committed(self, since_at: float, now_at: float) -> list[CurveRow]:
        with self._lock:
            reader = self._open()
            key = (reader.version(), round(since_at / 60))
            if self._cached is None or self._cached[0] != key:
                self._cached = (key, _read_thinned(reader, since_at, now_at))
            return self._cached[1]

    def _open(self) -> Reader:
        if self._reader is None:
            self._reader = Reader(self.path)
        return self._reader


def _read_thinned(reader: Reader, since_at: float, now_at: float) -> list[CurveRow]:
    """An hour at a time, so that the full rows of eight are never in memory at once."""
    step_s = HOURS * 3600 / MOST_ROWS
    start_at = since_at // step_s * step_s
    kept: list[CurveRow] = []
    while start_at <= now_at:
        end_at = start_at + 3600
        kept += thin(reader.curve(start_at, end_at - 0.001), step_s)
        start_at = end_at
    return kept


def _sentence(err: Exception) -> str:
    return str(err) if isinstance(err, StoreError) else f"The record can't be read ({err})."


def thin(rows: Iterable[CurveRow], span_s: float) -> list[CurveRow]:
    """The last row of each span of that many seconds, so that what was measured is shown, not a mean."""
    kept: dict[int, CurveRow] = {}
    for row in rows:
        kept[int(row.at // span_s)] = row
    return list(kept.values())


def merge_curve(
    committed: Sequence[CurveRow], status: Status, since_at: float, reason: str = ""
) -> CurveView:
    """Committed rows and the document's `recent` in one table; a place without a value is None."""
    recent = status.recent
    named = {p.place: None for p in status.probes}
    for row in committed:
        named.update(dict.fromkeys(row.values_c))
    named.update(dict.fromkeys(recent.places if recent else ()))
    places = tuple(named)
    rows: list[Row] = [
        (round(r.at, 1), *(r.values_c.get(p) for p in places), r.heater)
        for r in committed
        if r.at >= since_at
    ]
    last_at = rows[-1][0] if rows else since_at
    for fresh in recent.rows if recent else ():
        if fresh[0] is not None and last_at is not None and fresh[0] > last_at:
            told = dict(zip(recent.places if recent else (), fresh[1:], strict=False))
            heater = fresh[1 + len(recent.places)] if recent and len(fresh) > 1 + len(recent.places) else None
            rows.append((fresh[0], *(told.get(p) for p in places), heater))
    return CurveView(places, tuple(rows[-MOST_ROWS:]), reason)
