"""What goes onwards from the record: committed ticks in their order, a run of the daemon at a time.

A run is one start of the daemon, a row of `boots`. Its name is drawn when history first goes onwards in it,
and kept; so a record put back from a copy, whose ticks are numbered on from the copy's last, never gives another
reading the name of one that has gone already. Runs from before have a name worked out of their row.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from probe_agent.store.file import open_checked

PLACE = "history-place"
"""Under which name it is kept how far everything has gone."""
_RUN = "history-run "


@dataclass(frozen=True, slots=True)
class RunClock:
    """What is known of a run's clock: UTC = monotonic + offset_ms; ok: whether it can be believed; as_of: the
    run's newest committed tick then, so that of two the one with the higher counts."""

    offset_ms: int
    ok: bool
    as_of: int


@dataclass(frozen=True, slots=True)
class GoneTo:
    """How far everything has gone: the tick, and what was told of its run's clock."""

    tick: int = 0
    offset_ms: int | None = None
    clock_ok: bool | None = None


@dataclass(frozen=True, slots=True)
class SentTick:
    """One committed tick. places: °C, a fault's name, or None where there was neither."""

    tick: int
    mono_ms: int
    heater_share: float | None
    places: Mapping[str, float | str | None]


@dataclass(frozen=True, slots=True)
class Piece:
    """Ticks of one run in their order; none where only its clock is to be told anew. after: run, tick and
    clock of the stored tick before them, None where there is none; upto: the last of them."""

    run: str
    boot: str
    clock: RunClock
    after: tuple[str, int, RunClock] | None
    ticks: tuple[SentTick, ...]
    upto: int


def run_name(boot: int) -> str:
    """Under which name a run's own name is kept."""
    return f"{_RUN}{boot}"


def runs_of(db: sqlite3.Connection) -> dict[str, int]:
    """Name of each run → its row in `boots`."""
    rows = db.execute("SELECT boot, boot_id, value FROM boots LEFT JOIN kept ON name = ? || boot", (_RUN,))
    return {_named(kept, boot_id, boot): boot for boot, boot_id, kept in rows}


def _named(kept: str | None, boot_id: str, boot: int) -> str:
    return kept or hashlib.sha256(f"{boot_id} {boot}".encode()).hexdigest()[:16]


class Going:
    """A courier's eye on the record: a connection of its own that only reads. Raises sqlite3.Error or
    StoreError where the file can't be read; it is to be closed then, and opens anew. For one thread."""

    run_name = staticmethod(run_name)

    def __init__(self, path: Path) -> None:
        self._path = path
        self._db: sqlite3.Connection | None = None

    def close(self) -> None:
        if self._db is not None:
            self._db.close()
            self._db = None

    def piece_after(self, gone: GoneTo, most: int) -> Piece | None:
        """What is to go next, at most so many ticks; None where everything has gone."""
        with self._reading() as db:
            return piece_after(db, gone, most)

    def kept(self) -> tuple[GoneTo, bool]:
        """How far everything had gone when that was last kept, and whether a receipt said so."""
        with self._reading() as db:
            row = db.execute("SELECT value FROM kept WHERE name = ?", (PLACE,)).fetchone()
            return gone_to(None if row is None else row[0])

    def as_kept(self, place: GoneTo, by_receipt: bool) -> tuple[str, str]:
        """Name and value under which a place is kept."""
        return PLACE, json.dumps([place.tick, place.offset_ms, place.clock_ok, by_receipt])

    def place_of(self, arrived: Iterable[tuple[str, int, int | None, bool | None]]) -> GoneTo:
        """How far everything in this record has arrived: the farthest of (run, tick, offset in ms, clock
        believed) whose run is in it; its beginning where none is."""
        with self._reading() as db:
            runs = runs_of(db)
            places = [
                GoneTo(in_record(db, runs[run], tick), offset_ms, ok)
                for run, tick, offset_ms, ok in arrived
                if run in runs
            ]
        return max(places, key=lambda place: place.tick, default=GoneTo())

    @contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection]:
        """One state of the record for several looks."""
        if self._db is None:
            self._db = open_checked(self._path, read_only=True)
        self._db.execute("BEGIN")
        try:
            yield self._db
        finally:
            if self._db.in_transaction:
                self._db.execute("ROLLBACK")


def gone_to(text: str | None) -> tuple[GoneTo, bool]:
    """As kept under PLACE, and whether a receipt said so."""
    if text is None:
        return GoneTo(), False
    tick, offset_ms, clock_ok, by_receipt = json.loads(text)
    return GoneTo(tick, offset_ms, clock_ok), by_receipt


def in_record(db: sqlite3.Connection, boot: int, tick: int) -> int:
    """The last stored tick of this run and those before it up to a number; 0 where there is none. A record
    put back from a copy may lack what has gone, and have other ticks under its numbers."""
    row = db.execute(
        "SELECT tick FROM ticks WHERE tick <= ? AND boot <= ? ORDER BY tick DESC LIMIT 1", (tick, boot)
    ).fetchone()
    return 0 if row is None else int(row[0])


def piece_after(db: sqlite3.Connection, gone: GoneTo, most: int) -> Piece | None:
    """What is to go next, at most so many ticks; None where everything has gone. Where a run's clock isn't
    as it was told, that first."""
    before = _before(db, gone.tick + 1)
    if before is not None and before[1] == gone.tick and gone.offset_ms is not None:
        run, tick, boot_id, clock = before
        if (clock.offset_ms, clock.ok) != (gone.offset_ms, gone.clock_ok):
            return Piece(run, boot_id, clock, (run, tick, clock), (), tick)
    rows = db.execute(
        "SELECT tick, boot, mono_ms, heater_share FROM ticks WHERE tick > ? ORDER BY tick LIMIT ?",
        (gone.tick, most),
    ).fetchall()
    if not rows:
        return None
    mine = [row for row in rows if row[1] == rows[0][1]]
    run, boot_id, clock = _run(db, rows[0][1])
    after = None if before is None else (before[0], before[1], before[3])
    return Piece(run, boot_id, clock, after, _with_places(db, mine), mine[-1][0])


def _before(db: sqlite3.Connection, tick: int) -> tuple[str, int, str, RunClock] | None:
    """The stored tick before a number: its run, number, boot and clock."""
    row = db.execute(
        "SELECT tick, boot FROM ticks WHERE tick < ? ORDER BY tick DESC LIMIT 1", (tick,)
    ).fetchone()
    if row is None:
        return None
    run, boot_id, clock = _run(db, row[1])
    return run, int(row[0]), boot_id, clock


def _run(db: sqlite3.Connection, boot: int) -> tuple[str, str, RunClock]:
    boot_id, offset_ms, ok, kept, newest = db.execute(
        "SELECT boot_id, utc_offset_ms, clock_ok, (SELECT value FROM kept WHERE name = ?),"
        " (SELECT tick FROM ticks t WHERE t.boot = b.boot ORDER BY mono_ms DESC LIMIT 1)"
        " FROM boots b WHERE boot = ?",
        (run_name(boot), boot),
    ).fetchone()
    return _named(kept, boot_id, boot), boot_id, RunClock(offset_ms, bool(ok), newest)


def _with_places(
    db: sqlite3.Connection, rows: list[tuple[int, int, int, float | None]]
) -> tuple[SentTick, ...]:
    found: dict[int, dict[str, float | str | None]] = {row[0]: {} for row in rows}
    readings = db.execute(
        "SELECT tick, name, value_mc, fault FROM readings JOIN places USING (place)"
        " WHERE tick BETWEEN ? AND ? ORDER BY tick, place",
        (rows[0][0], rows[-1][0]),
    )
    for tick, name, value_mc, fault in readings:
        if tick in found:
            found[tick][name] = fault if value_mc is None else value_mc / 1000
    return tuple(SentTick(tick, mono_ms, share, found[tick]) for tick, _, mono_ms, share in rows)
