"""The daemon's hand on the file, and what a tick wants written at once."""

from __future__ import annotations

import json
import sqlite3
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from probe_agent.readings import Forecast, Transition
from probe_agent.store.access import OpenCode, Session, find_code, sessions_at
from probe_agent.store.bindings import BindingChange, bind_probe, binding_changes, bound_at
from probe_agent.store.commands import Command, body_of
from probe_agent.store.corrections import (
    IN_FORCE,
    KeptCorrection,
    corrections_basis,
    corrections_of,
)
from probe_agent.store.file import Statement, keep_value, mc, ms, open_checked, transaction
from probe_agent.store.heatups import OUTING, CameOf, KeptOuting, came_of, newest_lesson
from probe_agent.store.measured import CurveRow, TickRow, curve_of, hourly_of
from probe_agent.store.spells import KeptSpell, keep_spell
from probe_agent.store.told import Link, Message, find_link, insert_message, link_hash, withdraw_messages
from probe_agent.store.weather import KeptWeather, weather_since

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

    def add(self, other: Batch) -> Batch:
        """This batch, with the other's wishes after its own: what those withdraw is not said at all."""
        self.messages = [m for m in self.messages if not _is_withdrawn(m, other.withdrawn)]
        self.transitions += other.transitions
        self.messages += other.messages
        self.statements += other.statements
        self.withdrawn += other.withdrawn
        self.after += other.after
        return self

    def __bool__(self) -> bool:
        return bool(self.transitions or self.messages or self.statements or self.withdrawn)


def _is_withdrawn(message: Message, withdrawn: Iterable[tuple[str, str | None]]) -> bool:
    return any(
        message.dedupe_key.startswith(f"{head}:") and channel in (None, message.channel)
        for head, channel in withdrawn
    )


class Store:
    """The daemon's hand on the file. Safe to use from its threads; raises sqlite3.Error when the
    disk refuses, and then keeps what was held."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock = threading.RLock()
        self._db = open_checked(path)
        self._held: list[TickRow] = []
        self._boot = 0
        self._places: dict[str, int] = dict(self._db.execute("SELECT name, place FROM places"))
        self._next_tick = int(self._db.execute("SELECT coalesce(max(tick), 0) + 1 FROM ticks").fetchone()[0])
        self.lost_ticks = 0

    def close(self) -> None:
        with self._lock:
            self._db.close()

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

    def mend_boot(self, utc_offset_s: float, clock_ok: bool) -> None:
        """The clock turned out to be different: one row changes, all ticks of this boot follow."""
        with self._writing() as db:
            db.execute(
                "UPDATE boots SET utc_offset_ms = ?, clock_ok = ? WHERE boot = ?",
                (round(utc_offset_s * 1000), clock_ok, self._boot),
            )

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
        with self._lock:
            return dict(
                self._db.execute(
                    "SELECT address, name FROM bindings JOIN places USING (place) WHERE to_at IS NULL"
                )
            )

    def bound(self, at: float | None = None) -> dict[str, tuple[str, str]]:
        """Address → (place, source), as bound just before an instant [UTC s]; None: now."""
        with self._lock:
            return bound_at(self._db, at)

    def ever_bound(self) -> frozenset[str]:
        """Addresses that have sat at a place at some time."""
        with self._lock:
            return frozenset(a for (a,) in self._db.execute("SELECT DISTINCT address FROM bindings"))

    def binding_changes(self) -> list[BindingChange]:
        """The last changes of bindings, newest first."""
        with self._lock:
            return binding_changes(self._db)

    def last_off_at(self) -> float | None:
        """When the last heat-up's heat ended [UTC s]; None where none has."""
        with self._lock:
            row = self._db.execute(
                "SELECT max((mono_ms + utc_offset_ms) / 1000.0) FROM heatups h JOIN ticks t"
                " ON t.tick = coalesce(h.off_tick, h.ended_tick) JOIN boots USING (boot)"
            ).fetchone()
            return None if row[0] is None else float(row[0])

    def open_heatup(self) -> int | None:
        """The number of the heat-up at hand."""
        with self._lock:
            row = self._db.execute("SELECT max(heatup) FROM heatups WHERE ended_tick IS NULL").fetchone()
            return None if row[0] is None else int(row[0])

    def bind(self, place: str, source: str, address: str, now_at: float) -> None:
        """Bind an address to a place from now on; what either was bound to before ends."""
        with self._writing() as db:
            for statement in bind_probe(place, source, address, now_at):
                db.execute(*statement)

    def offsets_c(self) -> dict[str, float]:
        """Address → offset to add [°C], from the corrections in force."""
        with self._lock:
            return {address: offset / 1000 for address, offset in self._db.execute(IN_FORCE)}

    def corrections(self) -> list[KeptCorrection]:
        """All corrections, newest first."""
        with self._lock:
            return corrections_of(self._db)

    def corrections_basis(self) -> str:
        """The corrections in force, such that any change of them shows."""
        with self._lock:
            return corrections_basis(self._db)

    # -- ticks

    def new_tick(self) -> int:
        """The number of the next tick; numbers rise for ever."""
        with self._lock:
            tick, self._next_tick = self._next_tick, self._next_tick + 1
            return tick

    def hold(self, row: TickRow) -> None:
        """Keep a tick in memory until the next commit."""
        with self._lock:
            self._held.append(row)
            if len(self._held) > HELD_TICKS:
                del self._held[0]
                self.lost_ticks += 1

    @property
    def held(self) -> tuple[TickRow, ...]:
        """Ticks measured but not yet committed."""
        with self._lock:
            return tuple(self._held)

    def commit(self, batch: Batch | None = None) -> None:
        """Write held ticks and the batch in one transaction."""
        batch = batch or Batch()
        with self._lock:
            with self._writing() as db:
                for row in self._held:
                    self._insert_tick(db, row)
                self._insert_batch(db, batch)
            self._held.clear()

    def _insert_batch(self, db: sqlite3.Connection, batch: Batch) -> None:
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
        with self._lock:
            return self._db.execute(
                "SELECT hand, name, (mono_ms + utc_offset_ms) / 1000.0 AS at, value_mc / 1000.0, method"
                " FROM hand_readings JOIN boots USING (boot) JOIN places USING (place)"
                " WHERE undone_at IS NULL AND at >= ? ORDER BY hand",
                (since_at,),
            ).fetchall()

    def next_hand_number(self) -> int:
        """The number of the next reading by hand."""
        with self._lock:
            row = self._db.execute("SELECT coalesce(max(hand), 0) + 1 FROM hand_readings").fetchone()
            return int(row[0])

    def is_excluded(self, heatup: int) -> bool | None:
        """Whether a heat-up is left out of what is learned; None where there is no such heat-up."""
        with self._lock:
            row = self._db.execute("SELECT excluded FROM heatups WHERE heatup = ?", (heatup,)).fetchone()
            return None if row is None else bool(row[0])

    def newest_lesson(self) -> tuple[float | None, float | None]:
        """Changes whenever somebody has learned."""
        with self._lock:
            return newest_lesson(self._db)

    def next_outing_number(self) -> int:
        """The number of the next outing."""
        with self._lock:
            row = self._db.execute("SELECT coalesce(max(outing), 0) + 1 FROM outings").fetchone()
            return int(row[0])

    def next_spell_number(self) -> int:
        """The number of the next spell."""
        with self._lock:
            row = self._db.execute("SELECT coalesce(max(spell), 0) + 1 FROM spells").fetchone()
            return max(1, int(row[0]))

    def spells_begin(self) -> float | None:
        """When the first kept spell began [UTC s]; None where none is kept."""
        with self._lock:
            row = self._db.execute("SELECT min(began_at) FROM spells").fetchone()
            return None if row[0] is None else float(row[0])

    def keep_spells(self, found: Iterable[KeptSpell], mark: str) -> None:
        """Keep spells that were worked out anew, at once, and that this was done."""
        with self._writing() as db:
            db.execute(*keep_value(mark, "yes"))
            for spell in found:
                db.execute(*keep_spell(spell))

    def outing(self, number: int) -> KeptOuting | None:
        """The outing with that number."""
        with self._lock:
            row = self._db.execute(f"SELECT {OUTING} FROM outings WHERE outing = ?", (number,)).fetchone()
            return None if row is None else KeptOuting(*row)

    def came_of_heatups(self) -> CameOf:
        """What the record says came of the heat-ups."""
        with self._lock:
            return came_of(self._db)

    def departures(self, since_at: float) -> list[str]:
        """Departures whose start lies after a UTC instant, in order, as keep_departure kept them."""
        with self._lock:
            rows = self._db.execute(
                "SELECT plan FROM departures WHERE leaves_at >= ? ORDER BY leaves_at, departure", (since_at,)
            )
            return [str(row[0]) for row in rows]

    def next_departure_number(self) -> int:
        """The number of the next departure."""
        with self._lock:
            row = self._db.execute("SELECT coalesce(max(departure), 0) + 1 FROM departures").fetchone()
            return int(row[0])

    # -- outbox

    def due_messages(self, channels: Iterable[str]) -> list[Message]:
        """Messages neither delivered nor dropped, oldest first."""
        wanted = set(channels)
        with self._lock:
            rows = self._db.execute(
                "SELECT channel, dedupe_key, payload, true_at, expires_at, message, tries FROM outbox"
                " WHERE delivered_at IS NULL AND dropped_reason IS NULL ORDER BY message"
            ).fetchall()
        found = []
        for channel, key, payload, true_at, expires_at, number, tries in rows:
            if channel in wanted:
                text = json.loads(payload)
                words = (text["subject"], text["body"])
                alert = text.get("alert")
                found.append(Message(channel, key, *words, true_at, expires_at, number, tries, alert))
        return found

    def new_link(self, token: str, alert: str, recipient: str, made_at: float, expires_at: float) -> None:
        """Let a token answer an alert, or a test. Only its hash is kept."""
        with self._writing() as db:
            db.execute(
                "INSERT INTO links (hash, alert, recipient, made_at, expires_at) VALUES (?, ?, ?, ?, ?)"
                " ON CONFLICT (hash) DO UPDATE SET alert = excluded.alert, recipient = excluded.recipient,"
                " made_at = excluded.made_at, expires_at = excluded.expires_at, used_at = NULL",
                (link_hash(token), alert, recipient, made_at, expires_at),
            )

    def link(self, token_hash: bytes) -> Link | None:
        """What a token may answer, used or not."""
        with self._lock:
            return find_link(self._db, token_hash)

    def tested(self) -> dict[str, tuple[float | None, float | None]]:
        """Recipient → when it was tested last, and when it first answered a test [UTC s]."""
        with self._lock:
            rows = self._db.execute("SELECT recipient, tested_at, proven_at FROM recipients")
            return {name: (tested, proven) for name, tested, proven in rows}

    def forget_recipient(self, name: str) -> None:
        """A recipient has yet to be tested and proven."""
        with self._writing() as db:
            db.execute("DELETE FROM recipients WHERE recipient = ?", (name,))

    def mark_delivered(self, message: int, now_at: float) -> None:
        with self._writing() as db:
            db.execute("UPDATE outbox SET delivered_at = ? WHERE message = ?", (now_at, message))

    def mark_failed(self, message: int, error: str) -> None:
        with self._writing() as db:
            db.execute(
                "UPDATE outbox SET tries = tries + 1, last_error = ? WHERE message = ?", (error, message)
            )

    def drop_message(self, message: int, reason: str) -> None:
        with self._writing() as db:
            db.execute("UPDATE outbox SET dropped_reason = ? WHERE message = ?", (reason, message))

    # -- commands

    def waiting_commands(self) -> list[Command]:
        with self._lock:
            rows = self._db.execute(
                "SELECT id, kind, body, made_at, expires_at FROM commands WHERE answered_at IS NULL"
                " ORDER BY made_at, rowid"
            ).fetchall()
        return [Command(r[0], r[1], body_of(r[2]), r[3], r[4]) for r in rows]

    # -- who may look and act

    def open_code(self, now_at: float) -> OpenCode | None:
        """The pairing code that may be tried at a real UTC instant."""
        with self._lock:
            return find_code(self._db, now_at)

    def tries_of_codes(self, since_at: float, until_at: float) -> list[tuple[float, int]]:
        """(made at, wrong tries) of the codes made between two instants, in that order."""
        with self._lock:
            return self._db.execute(
                "SELECT made_at, tries FROM pairings WHERE made_at BETWEEN ? AND ? ORDER BY made_at",
                (since_at, until_at),
            ).fetchall()

    def sessions(self, now_at: float) -> list[Session]:
        """Sessions that hold at a real UTC instant."""
        with self._lock:
            return sessions_at(self._db, now_at)

    # -- small values

    def kept(self, name: str) -> str | None:
        """A small value kept across restarts."""
        with self._lock:
            row = self._db.execute("SELECT value FROM kept WHERE name = ?", (name,)).fetchone()
            return None if row is None else str(row[0])

    def weather(self, since_at: float) -> KeptWeather:
        """What weather sources said last, and the hours kept of their stations since then."""
        with self._lock:
            return weather_since(self._db, since_at)

    def hourly(self, place: str, since_at: float) -> list[tuple[float, float]]:
        """Committed values of a place, one an hour: (UTC s, °C), rising."""
        with self._lock:
            return hourly_of(self._db, place, since_at)

    def keep(self, name: str, value: str) -> None:
        """Keep a small value across restarts, at once."""
        with self._writing() as db:
            db.execute(*keep_value(name, value))

    def curve(self, since_at: float, until_at: float) -> list[CurveRow]:
        """Committed readings between two UTC instants, in time order."""
        with self._lock:
            return list(curve_of(self._db, since_at, until_at))

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        with self._lock, transaction(self._db):
            yield self._db
