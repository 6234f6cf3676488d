"""The daemon's hand on the file, and what a tick wants written at once."""

from __future__ import annotations

import sqlite3
import threading
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from pathlib import Path

from probe_agent.readings import Forecast, Transition
from probe_agent.store.access import OpenCode, Session, find_code, sessions_at
from probe_agent.store.aside import Aside
from probe_agent.store.bindings import BindingChange, binding_changes, bound_at
from probe_agent.store.commands import Command, body_of
from probe_agent.store.corrections import IN_FORCE, KeptCorrection, corrections_basis, corrections_of
from probe_agent.store.file import Statement, connect, keep_value, mc, ms, open_checked, transaction
from probe_agent.store.heatups import OUTING, CameOf, KeptOuting, came_of, newest_lesson
from probe_agent.store.measured import CurveRow, TickRow, curve_of, hourly_of, mend_boot
from probe_agent.store.spells import KeptSpell, keep_spell
from probe_agent.store.told import (
    Link,
    Message,
    find_link,
    insert_message,
    link_hash,
    message_of,
    shift_messages,
    withdraw_messages,
)
from probe_agent.store.weather import KeptWeather, weather_since

_HURT = frozenset(
    {sqlite3.SQLITE_IOERR, sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_CORRUPT}
    | {sqlite3.SQLITE_NOTADB}
)
"""Primary codes of errors after which a connection is opened anew: what it believes of the file may not hold,
as after a failed fsync, whose pages the kernel has dropped."""
_DAMAGED = frozenset({sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB})
HELD_TICKS = 40_000
"""Ticks kept in memory while the file can't be written: a week at 15 s, some 60 MB at the most."""


@dataclass(slots=True)
class Batch:
    """What a tick wants written at once. Empty where nothing but readings happened."""

    transitions: list[Transition] = field(default_factory=list)
    messages: list[Message] = field(default_factory=list)
    statements: list[Statement] = field(default_factory=list)
    withdrawn: list[tuple[str, str | None]] = field(default_factory=list)
    """First parts of keys of undelivered messages to drop, of one channel or of all, before new ones."""
    after: list[Callable[[], None]] = field(default_factory=list)
    """What is to be done once all this is written."""
    first: list[Statement] = field(default_factory=list)
    """Statements that change what stands already, before anything new is written."""

    def add(self, other: Batch) -> Batch:
        """This batch, with the other's wishes after its own: what those withdraw is not said at all."""
        self.messages = [m for m in self.messages if not _is_withdrawn(m, other.withdrawn)]
        self.transitions += other.transitions
        self.messages += other.messages
        self.statements += other.statements
        self.withdrawn += other.withdrawn
        self.after += other.after
        self.first += other.first
        return self

    def shift(self, by_s: float) -> None:
        """The clock was set by so much: messages keep their age."""
        self.messages = [
            replace(m, true_at=m.true_at + by_s, expires_at=m.expires_at + by_s) for m in self.messages
        ]

    def __bool__(self) -> bool:
        return bool(self.transitions or self.messages or self.statements or self.withdrawn or self.first)


def _is_withdrawn(message: Message, withdrawn: Iterable[tuple[str, str | None]]) -> bool:
    return any(
        message.dedupe_key.startswith(f"{head}:") and channel in (None, message.channel)
        for head, channel in withdrawn
    )


class Store:
    """The daemon's hand on the file. Safe to use from its threads; raises sqlite3.Error when the
    disk refuses, and then keeps what was held.

    It reads by a connection of its own, which waits for no write: a card may take seconds for one. damaged:
    what the file was found to have wrong while it was in use; None while nothing is known.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock, self._looking, self._holding = threading.RLock(), threading.RLock(), threading.Lock()
        self._db: sqlite3.Connection | None = open_checked(path)
        self._look: sqlite3.Connection | None = None
        self._held: deque[TickRow] = deque()
        self._boot = 0
        self._aside = Aside()
        self._given: dict[str, int] = {}
        self.lost_ticks = 0
        self.damaged: str | None = None
        with self._reading() as db:
            self._places: dict[str, int] = dict(db.execute("SELECT name, place FROM places"))
            self._next_tick = int(db.execute("SELECT coalesce(max(tick), 0) + 1 FROM ticks").fetchone()[0])

    def close(self) -> None:
        with self._looking, self._lock:
            for connection in (self._look, self._db):
                if connection is not None:
                    connection.close()
            self._look = self._db = None

    # -- boots and places

    def begin_boot(self, boot_id: str, utc_offset_s: float, clock_ok: bool) -> int:
        """A new row for this start of the daemon: run seconds + offset = UTC."""
        with self._writing() as db:
            db.execute(
                "INSERT INTO boots (boot_id, utc_offset_ms, clock_ok) VALUES (?, ?, ?)",
                (boot_id, round(utc_offset_s * 1000), clock_ok),
            )
            self._boot = int(db.execute("SELECT last_insert_rowid()").fetchone()[0])
        return self._boot

    @property
    def boot(self) -> int:
        """The number of this start."""
        return self._boot

    def clock_was_set(self, utc_offset_s: float, clock_ok: bool, base: str = "", by_s: float = 0.0) -> Batch:
        """What is to be written where the clock turned out to be different: one row changes, all ticks of
        this boot follow, and messages under way, written by the time base `base`, move by by_s."""
        mending = mend_boot(self._boot, utc_offset_s, clock_ok)
        return Batch(first=[shift_messages(base, by_s)], statements=[mending])

    def shift_aside(self, by_s: float) -> None:
        """The clock was set by so much: messages a refusing disk hasn't taken keep their age."""
        self._aside.shift(by_s)

    def describe_places(self, places: Mapping[str, tuple[bool, bool]]) -> None:
        """Keep each place with (required, near_heater)."""
        with self._writing() as db:
            for name, (required, near) in places.items():
                db.execute(
                    "INSERT INTO places (name, required, near_heater) VALUES (?, ?, ?)"
                    " ON CONFLICT (name) DO UPDATE SET required = excluded.required,"
                    " near_heater = excluded.near_heater"
                    " WHERE required != excluded.required OR near_heater != excluded.near_heater",
                    (name, required, near),
                )
            self._places = dict(db.execute("SELECT name, place FROM places"))

    def keep_setup(self, slug: str, settings: str, now_at: float) -> int:
        """The id of the setup with exactly these settings (JSON); a new row where they changed."""
        with self._writing() as db:
            row = db.execute(
                "SELECT setup, settings FROM setups WHERE slug = ? ORDER BY setup DESC LIMIT 1", (slug,)
            ).fetchone()
            if row is not None and row[1] == settings:
                return int(row[0])
            db.execute(
                "INSERT INTO setups (slug, settings, since_at) VALUES (?, ?, ?)", (slug, settings, now_at)
            )
            return int(db.execute("SELECT last_insert_rowid()").fetchone()[0])

    def bindings(self) -> dict[str, str]:
        """Address → place, as bound now."""
        with self._reading() as db:
            return dict(
                db.execute("SELECT address, name FROM bindings JOIN places USING (place) WHERE to_at IS NULL")
            )

    def bound(self, at: float | None = None) -> dict[str, tuple[str, str]]:
        """Address → (place, source), as bound just before an instant [UTC s]; None: now."""
        with self._reading() as db:
            return bound_at(db, at)

    def ever_bound(self) -> frozenset[str]:
        """Addresses that have sat at a place at some time."""
        with self._reading() as db:
            return frozenset(a for (a,) in db.execute("SELECT DISTINCT address FROM bindings"))

    def binding_changes(self) -> list[BindingChange]:
        """The last changes of bindings, newest first."""
        with self._reading() as db:
            return binding_changes(db)

    def last_off_at(self) -> float | None:
        """When the last heat-up's heat ended [UTC s]; None where none has."""
        with self._reading() as db:
            row = db.execute(
                "SELECT max((mono_ms + utc_offset_ms) / 1000.0) FROM heatups h JOIN ticks t"
                " ON t.tick = coalesce(h.off_tick, h.ended_tick) JOIN boots USING (boot)"
            ).fetchone()
            return None if row[0] is None else float(row[0])

    def open_heatup(self) -> int | None:
        """The number of the heat-up at hand."""
        with self._reading() as db:
            row = db.execute("SELECT max(heatup) FROM heatups WHERE ended_tick IS NULL").fetchone()
            return None if row[0] is None else int(row[0])

    def bind(self, place: str, source: str, address: str, now_at: float) -> None:
        """Bind an address to a place from now on; what either was bound to before ends."""
        with self._writing() as db:
            db.execute(
                "UPDATE bindings SET to_at = ? WHERE to_at IS NULL AND (address = ? OR place = ?)",
                (now_at, address, self._places[place]),
            )
            db.execute(
                "INSERT INTO bindings (place, source, address, from_at) VALUES (?, ?, ?, ?)",
                (self._places[place], source, address, now_at),
            )

    def offsets_c(self) -> dict[str, float]:
        """Address → offset to add [°C], from the corrections in force."""
        with self._reading() as db:
            return {address: offset / 1000 for address, offset in db.execute(IN_FORCE)}

    def corrections(self) -> list[KeptCorrection]:
        """All corrections, newest first."""
        with self._reading() as db:
            return corrections_of(db)

    def corrections_basis(self) -> str:
        """The corrections in force, such that any change of them shows."""
        with self._reading() as db:
            return corrections_basis(db)

    # -- ticks

    def new_tick(self) -> int:
        """The number of the next tick; numbers rise for ever."""
        with self._holding:
            tick, self._next_tick = self._next_tick, self._next_tick + 1
            return tick

    def hold(self, row: TickRow) -> None:
        """Keep a tick in memory until the next commit; never waits for one."""
        with self._holding:
            self._held.append(row)
            if len(self._held) > HELD_TICKS:
                self._held.popleft()
                self.lost_ticks += 1

    @property
    def held(self) -> tuple[TickRow, ...]:
        """Ticks measured but not yet committed."""
        with self._holding:
            return tuple(self._held)

    def commit(self, batch: Batch | None = None) -> None:
        """Write held ticks and the batch in one transaction. Messages of one that is refused are due all the
        same, and told to the store with the next that it takes."""
        batch = batch or Batch()
        with self._lock:
            rows = self.held
            try:
                with self._writing() as db:
                    for row in rows:
                        self._insert_tick(db, row)
                    self._insert_batch(db, batch)
                    for sql, values in self._aside.catching_up():
                        db.execute(sql, values)
            except sqlite3.Error:
                self._aside.refused(batch.messages, batch.withdrawn)
                raise
            self._aside.taken()
            with self._holding:
                written = {row.tick for row in rows}
                while self._held and self._held[0].tick in written:
                    self._held.popleft()

    def _insert_batch(self, db: sqlite3.Connection, batch: Batch) -> None:
        for sql, values in batch.first:
            db.execute(sql, values)
        for change in batch.transitions:
            db.execute(
                "INSERT INTO transitions (tick, boot, mono_ms, old, new, reason) VALUES (?, ?, ?, ?, ?, ?)",
                (
                    self._next_tick - 1,
                    self._boot,
                    ms(change.t_s),
                    change.old.value if change.old else None,
                    change.new.value,
                    change.reason,
                ),
            )
        for head, channel in batch.withdrawn:
            db.execute(*withdraw_messages(head, channel))
        for message in batch.messages:
            insert_message(db, message)
        for sql, values in batch.statements:
            db.execute(sql, values)

    def _insert_tick(self, db: sqlite3.Connection, row: TickRow) -> None:
        db.execute(
            "INSERT INTO ticks (tick, boot, mono_ms, heater_share) VALUES (?, ?, ?, ?)",
            (row.tick, self._boot, ms(row.t_s), row.heater_share),
        )
        db.executemany(
            "INSERT INTO readings (tick, place, raw_mc, cold_mc, value_mc, fault, method)"
            " VALUES (?, ?, ?, ?, ?, ?, ?)",
            [
                (
                    row.tick,
                    self._places[r.place],
                    mc(r.raw_c),
                    mc(r.cold_c),
                    mc(r.value_c),
                    r.fault,
                    r.method,
                )
                for r in row.readings
            ],
        )
        if row.forecast is not None:
            self._insert_forecast(db, row.tick, row.forecast, row.announced)

    def _insert_forecast(self, db: sqlite3.Connection, tick: int, f: Forecast, announced: bool) -> None:
        core = f.core_c or (None, None, None)
        db.execute(
            "INSERT INTO forecasts VALUES (?, (SELECT max(heatup) FROM heatups WHERE ended_tick IS NULL),"
            " ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                tick,
                self._places.get(f.coldest) if f.coldest else None,
                mc(f.coldest_c),
                ms(f.above_p10),
                ms(f.above_p50),
                ms(f.above_p90),
                f.p_reach,
                *(mc(c) for c in core),
                announced,
                f.model_version,
            ),
        )

    def hand_readings(self, since_at: float) -> list[tuple[int, str, float, float, str]]:
        """Readings by hand not undone, taken since a UTC instant: (number, place, at, °C, method)."""
        with self._reading() as db:
            return db.execute(
                "SELECT hand, name, (mono_ms + utc_offset_ms) / 1000.0 AS at, value_mc / 1000.0, method"
                " FROM hand_readings JOIN boots USING (boot) JOIN places USING (place)"
                " WHERE undone_at IS NULL AND at >= ? ORDER BY hand",
                (since_at,),
            ).fetchall()

    def next_hand_number(self) -> int:
        """The number of the next reading by hand."""
        return self._never_given("hand_readings", "hand")

    def is_excluded(self, heatup: int) -> bool | None:
        """Whether a heat-up is left out of what is learned; None where there is no such heat-up."""
        with self._reading() as db:
            row = db.execute("SELECT excluded FROM heatups WHERE heatup = ?", (heatup,)).fetchone()
            return None if row is None else bool(row[0])

    def newest_lesson(self) -> tuple[float | None, float | None]:
        """Changes whenever somebody has learned."""
        with self._reading() as db:
            return newest_lesson(db)

    def next_outing_number(self) -> int:
        """The number of the next outing."""
        with self._reading() as db:
            row = db.execute("SELECT coalesce(max(outing), 0) + 1 FROM outings").fetchone()
            return int(row[0])

    def next_spell_number(self) -> int:
        """The number of the next spell."""
        with self._reading() as db:
            row = db.execute("SELECT coalesce(max(spell), 0) + 1 FROM spells").fetchone()
            return max(1, int(row[0]))

    def spells_begin(self) -> float | None:
        """When the first kept spell began [UTC s]; None where none is kept."""
        with self._reading() as db:
            row = db.execute("SELECT min(began_at) FROM spells").fetchone()
            return None if row[0] is None else float(row[0])

    def keep_spells(self, found: Iterable[KeptSpell], mark: str) -> None:
        """Keep spells that were worked out anew, at once, and that this was done."""
        with self._writing() as db:
            db.execute(*keep_value(mark, "yes"))
            for spell in found:
                db.execute(*keep_spell(spell))

    def outing(self, number: int) -> KeptOuting | None:
        """The outing with that number."""
        with self._reading() as db:
            row = db.execute(f"SELECT {OUTING} FROM outings WHERE outing = ?", (number,)).fetchone()
            return None if row is None else KeptOuting(*row)

    def came_of_heatups(self) -> CameOf:
        """What the record says came of the heat-ups."""
        with self._reading() as db:
            return came_of(db)

    def departures(self, since_at: float) -> list[str]:
        """Departures whose start lies after a UTC instant, in order, as keep_departure kept them."""
        with self._reading() as db:
            rows = db.execute(
                "SELECT plan FROM departures WHERE leaves_at >= ? ORDER BY leaves_at, departure", (since_at,)
            )
            return [str(row[0]) for row in rows]

    def next_departure_number(self) -> int:
        """The number of the next departure."""
        return self._never_given("departures", "departure")

    def _never_given(self, table: str, column: str) -> int:
        """The next number of a table; one given while the disk refused isn't given again."""
        with self._reading() as db:
            newest = int(db.execute(f"SELECT coalesce(max({column}), 0) FROM {table}").fetchone()[0])
            self._given[table] = max(newest, self._given.get(table, 0)) + 1
            return self._given[table]

    # -- outbox

    def due_messages(self, channels: Iterable[str]) -> list[Message]:
        """Messages neither delivered nor dropped, oldest first, and such as the disk has refused."""
        wanted = set(channels)
        unwritten = self._aside.due(wanted)
        try:
            written = self._due_written(wanted)
        except sqlite3.Error:
            if not unwritten:
                raise
            return unwritten
        return [m for m in written if not _is_withdrawn(m, self._aside.withdrawn)] + unwritten

    def _due_written(self, channels: set[str]) -> list[Message]:
        with self._reading() as db:
            rows = db.execute(
                "SELECT channel, dedupe_key, payload, true_at, expires_at, message, tries FROM outbox"
                " WHERE delivered_at IS NULL AND dropped_reason IS NULL ORDER BY message"
            ).fetchall()
        return [message_of(row) for row in rows if row[0] in channels]

    def new_link(self, token: str, alert: str, recipient: str, made_at: float, expires_at: float) -> None:
        """Let a token answer an alert, or a test, once the disk takes it. Only its hash is kept."""
        link = (
            "INSERT INTO links (hash, alert, recipient, made_at, expires_at) VALUES (?, ?, ?, ?, ?)"
            " ON CONFLICT (hash) DO UPDATE SET alert = excluded.alert, recipient = excluded.recipient,"
            " made_at = excluded.made_at, expires_at = excluded.expires_at, used_at = NULL",
            (link_hash(token), alert, recipient, made_at, expires_at),
        )
        try:
            with self._writing() as db:
                db.execute(*link)
        except sqlite3.Error:
            self._aside.keep_link(link)

    def link(self, token_hash: bytes) -> Link | None:
        """What a token may answer, used or not."""
        with self._reading() as db:
            return find_link(db, token_hash)

    def tested(self) -> dict[str, tuple[float | None, float | None]]:
        """Recipient → when it was tested last, and when it first answered a test [UTC s]."""
        with self._reading() as db:
            rows = db.execute("SELECT recipient, tested_at, proven_at FROM recipients")
            return {name: (tested, proven) for name, tested, proven in rows}

    def forget_recipient(self, name: str) -> None:
        """A recipient has yet to be tested and proven."""
        with self._writing() as db:
            db.execute("DELETE FROM recipients WHERE recipient = ?", (name,))

    def mark_delivered(self, message: int, now_at: float) -> None:
        if not self._aside.delivered(message, now_at):
            self._mark(message, "delivered_at = ?", now_at)

    def mark_failed(self, message: int, error: str) -> None:
        if not self._aside.failed(message):
            self._mark(message, "tries = tries + 1, last_error = ?", error)

    def drop_message(self, message: int, reason: str) -> None:
        if not self._aside.dropped(message, reason):
            self._mark(message, "dropped_reason = ?", reason)

    def _mark(self, message: int, change: str, value: float | str) -> None:
        """A message by its number, or by the one it had before the disk took it."""
        of, which = "message = ?", list[float | str]([message])
        if message < 0:
            of, which = "channel = ? AND dedupe_key = ?", [*self._aside.key_of(message)]
        with self._writing() as db:
            db.execute(f"UPDATE outbox SET {change} WHERE {of}", (value, *which))

    # -- commands

    def waiting_commands(self) -> list[Command]:
        with self._reading() as db:
            rows = db.execute(
                "SELECT id, kind, body, made_at, expires_at FROM commands WHERE answered_at IS NULL"
                " ORDER BY made_at, rowid"
            ).fetchall()
        return [Command(r[0], r[1], body_of(r[2]), r[3], r[4]) for r in rows]

    # -- who may look and act

    def open_code(self, now_at: float) -> OpenCode | None:
        """The pairing code that may be tried at a real UTC instant."""
        with self._reading() as db:
            return find_code(db, now_at)

    def tries_of_codes(self, since_at: float, until_at: float) -> list[tuple[float, int]]:
        """(made at, wrong tries) of the codes made between two instants, in that order."""
        with self._reading() as db:
            return db.execute(
                "SELECT made_at, tries FROM pairings WHERE made_at BETWEEN ? AND ? ORDER BY made_at",
                (since_at, until_at),
            ).fetchall()

    def sessions(self, now_at: float) -> list[Session]:
        """Sessions that hold at a real UTC instant."""
        with self._reading() as db:
            return sessions_at(db, now_at)

    # -- small values

    def kept(self, name: str) -> str | None:
        """A small value kept across restarts."""
        with self._reading() as db:
            row = db.execute("SELECT value FROM kept WHERE name = ?", (name,)).fetchone()
            return None if row is None else str(row[0])

    def weather(self, since_at: float) -> KeptWeather:
        """What weather sources said last, and the hours kept of their stations since then."""
        with self._reading() as db:
            return weather_since(db, since_at)

    def hourly(self, place: str, since_at: float) -> list[tuple[float, float]]:
        """Committed values of a place, one an hour: (UTC s, °C), rising."""
        with self._reading() as db:
            return hourly_of(db, place, since_at)

    def keep(self, name: str, value: str) -> None:
        """Keep a small value across restarts, at once."""
        with self._writing() as db:
            db.execute(*keep_value(name, value))

    def curve(self, since_at: float, until_at: float) -> list[CurveRow]:
        """Committed readings between two UTC instants, in time order."""
        with self._reading() as db:
            return list(curve_of(db, since_at, until_at))

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        with self._lock:
            try:
                if self._db is None:
                    self._db = connect(self.path)
                with transaction(self._db):
                    yield self._db
            except sqlite3.Error as err:
                if self._is_hurt(err) and self._db is not None:
                    self._db.close()
                    self._db = None
                raise

    @contextmanager
    def _reading(self) -> Iterator[sqlite3.Connection]:
        with self._looking:
            try:
                if self._look is None:
                    self._look = connect(self.path, read_only=True)
                yield self._look
            except sqlite3.Error as err:
                if self._is_hurt(err) and self._look is not None:
                    self._look.close()
                    self._look = None
                raise

    def _is_hurt(self, err: sqlite3.Error) -> bool:
        """Whether the connection must be opened anew; notes a file that is damaged."""
        code = getattr(err, "sqlite_errorcode", sqlite3.SQLITE_OK) & 0xFF
        if code in _DAMAGED:
            self.damaged = str(err)
        return code in _HURT
