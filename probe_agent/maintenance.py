"""Housekeeping outside the data path: the nightly verified copy of the store, the weight of old readings."""

from __future__ import annotations

import ctypes
import logging
import os
import sqlite3
import threading
from bisect import bisect_right
from collections.abc import Callable, Sequence
from pathlib import Path

from probe_agent.season import season_span
from probe_agent.store import StoreError, connect, keep_value, transaction

log = logging.getLogger(__name__)

AROUND_S = 3 * 3600.0
"""Before and after each heat-up readings stay as they were: its rest before, its cooling."""
EVERY_S = 900
"""Of other readings one in a quarter of an hour stays."""
LATEST_S = 30 * 86_400.0
"""Readings so young are never thinned."""
PIECE, PAUSE_S = 500, 0.05
"""So many ticks are gone through in one short transaction, and the pause after it [s]: whoever writes between
two of them waits for none."""
_THINNED = "thinned-to"

Tell = Callable[[int, int], None]
"""Told pages done and pages in all."""


class DamagedError(StoreError):
    """The record itself is damaged, or its copy came out damaged."""


def back_up(store: Path) -> Path:
    """Copy the store beside itself, check the copy, and only then replace the last one.

    Returns the copy's path. Raises StoreError if the record can't be copied, DamagedError if the copy does
    not pass SQLite's quick_check; the copy before it is kept then.
    """
    copy = store.with_name(store.name + ".copy")
    copy_to(store, copy)
    log.info("copied the record to %s", copy)
    return copy


def copy_to(store: Path, copy: Path, tell: Tell = lambda done, of: None) -> None:
    """A verified copy of a store, taken beside a running daemon; what was there stays until it is whole.

    Raises StoreError, DamagedError.
    """
    draft = copy.with_name(copy.name + ".new")
    draft.unlink(missing_ok=True)
    try:
        _copy(store, draft, tell)
        with draft.open("rb") as file:
            os.fsync(file.fileno())
        os.replace(draft, copy)
    except (sqlite3.Error, OSError) as err:
        kind = DamagedError if isinstance(err, sqlite3.DatabaseError) and _is_damage(err) else StoreError
        raise kind(f"{store} can't be copied ({err}). The copy before it was kept.") from err
    finally:
        for left in (draft, *(draft.with_name(draft.name + tail) for tail in ("-wal", "-shm", "-journal"))):
            left.unlink(missing_ok=True)


def _is_damage(err: sqlite3.DatabaseError) -> bool:
    return getattr(err, "sqlite_errorcode", 0) & 0xFF in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB)


def _copy(store: Path, draft: Path, tell: Tell) -> None:
    source = connect(store, read_only=True)
    draft.touch(0o666)  # as store.connect makes one: it may have to take the store's place
    target = sqlite3.connect(draft)
    try:
        source.backup(target, pages=200, progress=lambda _, left, of: tell(of - left, of))
        found = target.execute("PRAGMA quick_check").fetchone()[0]
    finally:
        target.close()
        source.close()
    if found != "ok":
        raise DamagedError(f"the copy of {store} is damaged ({found}). The copy before it was kept.")


# -- old readings


def thin(store: Path, most_mb: float, now_at: float, zone: str, month: int, stop: threading.Event) -> int:
    """Thin readings of past seasons where the record is larger than most_mb [MB]; how many ticks went.

    If that isn't enough, those of this season that are older than a month. One in a quarter of an hour stays,
    and all within three hours of a heat-up or an engine run, or with a forecast. Goes on where it ended the
    last time; ends early at `stop`. The file doesn't shrink: its free pages are used again.
    """
    db = connect(store)
    try:
        gone = 0
        for before_at in (season_span(now_at, zone, month)[0], now_at - LATEST_S):
            if used_mb(db) > most_mb and not stop.is_set():
                gone += _thin_before(db, min(before_at, now_at - LATEST_S), most_mb, stop)
        if used_mb(db) > most_mb:
            log.warning(
                "%s is larger than %g MB, and only heat-ups and late readings are left", store, most_mb
            )
        return gone
    finally:
        db.close()


def used_mb(db: sqlite3.Connection) -> float:
    """What the record takes of its file [MB]."""
    pages, free, size = (
        int(db.execute(f"PRAGMA {name}").fetchone()[0])
        for name in ("page_count", "freelist_count", "page_size")
    )
    return (pages - free) * size / 1e6


def _thin_before(db: sqlite3.Connection, before_at: float, most_mb: float, stop: threading.Event) -> int:
    spans, gone = _spans_kept(db), 0
    row = db.execute("SELECT value FROM kept WHERE name = ?", (_THINNED,)).fetchone()
    tick, bucket = (0, -1) if row is None else (int(row[0]), -1)
    while not stop.wait(PAUSE_S) and used_mb(db) > most_mb:
        piece = db.execute(
            "SELECT tick, (mono_ms + utc_offset_ms) / 1000.0, forecasts.tick IS NOT NULL"
            " FROM ticks JOIN boots USING (boot) LEFT JOIN forecasts USING (tick)"
            " WHERE tick > ? ORDER BY tick LIMIT ?",
            (tick, PIECE),
        ).fetchall()
        old = [row for row in piece if row[1] < before_at]
        going: list[tuple[int]] = []
        for number, at, has_forecast in old:
            same, bucket = bucket == int(at // EVERY_S), int(at // EVERY_S)
            if same and not has_forecast and not _is_within(spans, at):
                going.append((number,))
        if not old:
            return gone
        tick = old[-1][0]
        with transaction(db):
            db.executemany("DELETE FROM readings WHERE tick = ?", going)
            db.executemany("DELETE FROM ticks WHERE tick = ?", going)
            db.execute(*keep_value(_THINNED, str(tick)))
        gone += len(going)
        if len(old) < len(piece):
            return gone
    return gone


def _spans_kept(db: sqlite3.Connection) -> list[tuple[float, float]]:
    """Spans that stay whole [UTC s], joined and in order: around heat-ups, and their and runs' spells."""
    found = db.execute(
        "SELECT (a.mono_ms + ab.utc_offset_ms) / 1000.0,"
        " coalesce((z.mono_ms + zb.utc_offset_ms) / 1000.0, 1e12)"
        " FROM heatups JOIN ticks a ON a.tick = started_tick JOIN boots ab ON ab.boot = a.boot"
        " LEFT JOIN ticks z ON z.tick = ended_tick LEFT JOIN boots zb ON zb.boot = z.boot"
        " UNION ALL SELECT began_at, coalesce(ended_at, began_at) FROM spells"
        " WHERE cause IN ('heat-up', 'run')"
        " ORDER BY 1"
    )
    spans: list[tuple[float, float]] = []
    for began_at, ended_at in found:
        begin, end = began_at - AROUND_S, ended_at + AROUND_S
        if spans and begin <= spans[-1][1]:
            spans[-1] = (spans[-1][0], max(spans[-1][1], end))
        else:
            spans.append((begin, end))
    return spans


def _is_within(spans: Sequence[tuple[float, float]], at: float) -> bool:
    index = bisect_right(spans, (at, float("inf"))) - 1
    return index >= 0 and at <= spans[index][1]


def give_memory_back() -> None:
    """Have the C library return to the system what the day's heavy moments left unused, where it is one that
    can (glibc's malloc_trim(3))."""
    trim = getattr(ctypes.CDLL(None), "malloc_trim", None)
    if trim is not None:
        trim(0)
