"""The record: SQL of the hot path on one SQLite file (WAL, synchronous FULL).

The daemon holds the only `Store`; readings are held in memory and committed in batches, everything
else at once and together with the batch. "Acknowledged" means committed here. Viewers open a
`Reader`; the one thing they write is a command.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
import threading
import time
import uuid
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import msgspec

from probe_agent.readings import Forecast, Transition, Weather, WeatherHour

SCHEMA_VERSION = 3
PAGE_BYTES = 1024
"""Small pages: a commit changes a few hundred bytes in each of some eight pages, and each goes to the card
whole (41 KB a commit with pages of 4 KB; see DEVELOPERS.md)."""
HELD_TICKS = 40_000
"""Ticks kept in memory while the file can't be written: a week at 15 s, some 60 MB at the most."""

STATION_S = 30 * 86_400.0
"""How long a station's hours are kept."""


ANSWER, CODE = "\u27e8answer..............\u27e9", "\u27e8code\u27e9"
"""Where a token and a code go in a body, as long as those are: 22 and 6 characters."""
TEST = "test"
"""First part of what a test message's link answers, in an alert's stead: test:recipient."""


class StoreError(RuntimeError):
    """The store can't be used; the text says why and what to do."""


class StoreNewerError(StoreError):
    """The file was written by a newer program; it is left untouched."""

    def __init__(self, path: Path, version: int) -> None:
        super().__init__(
            f"{path} was written by a newer version of this program (schema {version}, known here "
            f"{SCHEMA_VERSION}). Nothing was changed. Install the newer version, or name another file."
        )


Statement = tuple[str, Sequence[Any]]
"""SQL and its values, for a Batch."""


@dataclass(frozen=True, slots=True)
class StoredReading:
    """One place in one tick; value_c is corrected, raw_c as the source gave it."""

    place: str
    raw_c: float | None
    cold_c: float | None
    value_c: float | None
    fault: str | None
    method: str | None = None


@dataclass(frozen=True, slots=True)
class TickRow:
    """All that one tick measured."""

    tick: int
    t_s: float
    heater_share: float | None
    readings: tuple[StoredReading, ...]
    forecast: Forecast | None = None
    announced: bool = False


@dataclass(frozen=True, slots=True)
class Message:
    """One message to one channel, as the outbox keeps it. Instants are the run's UTC seconds.

    alert: what its link or code answers; where the body has ANSWER or CODE in it, the courier puts a fresh
    token in its place when it sends, so that none lies in the store.
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


@dataclass(frozen=True, slots=True)
class Command:
    """A wish of the owner, waiting for the daemon's answer. expires_at: real UTC seconds."""

    id: str
    kind: str
    body: Mapping[str, Any]
    made_at: float
    expires_at: float


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


@dataclass(frozen=True, slots=True)
class CurveRow:
    """One instant of a curve: UTC seconds, °C a place (None = no value), heater share."""

    at: float
    values_c: Mapping[str, float | None]
    heater: float | None


@dataclass(frozen=True, slots=True)
class KeptOuting:
    """What became of one heat-up or absence, as `outings.Outing` has it, its instants in UTC seconds.

    heatup: number of its heat-up as read; None where it has none, and where it is about to be kept.
    """

    number: int
    heatup: int | None
    departure: int | None
    began_at: float
    ended_at: float | None
    kind: str
    told_by: str
    told_at: float | None
    unplugged_at: float | None
    plugged_at: float | None
    left_c: float | None
    found_c: float | None
    oil_c: float | None
    oil_s: float | None


KeptWeather = tuple[dict[str, Weather], dict[str, list[WeatherHour]]]
"""Source → what it said last, and source → hours of its station, rising."""


@dataclass(slots=True)
class Batch:
    """What a tick wants written at once. Empty where nothing but readings happened."""

    transitions: list[Transition] = field(default_factory=list)
    messages: list[Message] = field(default_factory=list)
    statements: list[Statement] = field(default_factory=list)
    withdrawn: list[tuple[str, str | None]] = field(default_factory=list)
    """First parts of keys of undelivered messages to drop, of one channel or of all, before new ones."""

    def add(self, other: Batch) -> Batch:
        """This batch, with the other's wishes after its own: what those withdraw is not said at all."""
        self.messages = [m for m in self.messages if not _is_withdrawn(m, other.withdrawn)]
        self.transitions += other.transitions
        self.messages += other.messages
        self.statements += other.statements
        self.withdrawn += other.withdrawn
        return self

    def __bool__(self) -> bool:
        return bool(self.transitions or self.messages or self.statements or self.withdrawn)


def _is_withdrawn(message: Message, withdrawn: Iterable[tuple[str, str | None]]) -> bool:
    return any(
        message.dedupe_key.startswith(f"{head}:") and channel in (None, message.channel)
        for head, channel in withdrawn
    )


def connect(path: Path, read_only: bool = False, create: bool = False) -> sqlite3.Connection:
    """A connection as every part of the product opens one: autocommit, WAL, FULL, foreign keys.

    Raises sqlite3.OperationalError where there is no such file, unless `create`.
    """
    uri = path.absolute().as_uri() + ("?mode=ro" if read_only else "?mode=rwc" if create else "?mode=rw")
    connection = sqlite3.connect(uri, uri=True, isolation_level=None, timeout=10, check_same_thread=False)
    connection.execute("PRAGMA busy_timeout = 10000")
    if create:
        connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")
    if not read_only:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("PRAGMA foreign_keys = ON")
    return connection


def check_version(connection: sqlite3.Connection, path: Path) -> None:
    """Raises StoreNewerError or StoreError unless the file has this program's schema."""
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    if version > SCHEMA_VERSION:
        raise StoreNewerError(path, version)
    if version < SCHEMA_VERSION:
        raise StoreError(
            f"{path} has schema {version}, this program needs {SCHEMA_VERSION}. Start the daemon once."
        )


def open_checked(path: Path, read_only: bool = False) -> sqlite3.Connection:
    """A connection to a store of this program's schema.

    Raises StoreError or StoreNewerError before anything is written where it is another one, or none.
    """
    if not path.exists():
        raise StoreError(f"{path} is not there yet. Start the daemon, or name its store.")
    try:
        look = connect(path, read_only=True)
        try:
            check_version(look, path)
        except BaseException:
            look.close()
            raise
        if read_only:
            return look
        look.close()
        return connect(path)
    except sqlite3.DatabaseError as err:
        raise StoreError(
            f"{path} can't be read as a store ({err}). Name another file, or move it away."
        ) from err


def _mc(value_c: float | None) -> int | None:
    return None if value_c is None else round(value_c * 1000)


def _ms(t_s: float | None) -> int | None:
    return None if t_s is None else round(t_s * 1000)


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
        with self._lock:
            rows = self._db.execute(
                "SELECT address, offset_mc / 1000.0 FROM corrections WHERE undone_at IS NULL"
                " ORDER BY correction"
            )
            return dict(rows)

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
                    _ms(change.t_s),
                    change.old.value if change.old else None,
                    change.new.value,
                    change.reason,
                ),
            )
        for head, channel in batch.withdrawn:
            db.execute(*withdraw_messages(head, channel))
        for message in batch.messages:
            _insert_message(db, message)
        for sql, values in batch.statements:
            db.execute(sql, values)

    def _insert_tick(self, db: sqlite3.Connection, row: TickRow) -> None:
        db.execute(
            "INSERT INTO ticks (tick, boot, mono_ms, heater_share) VALUES (?, ?, ?, ?)",
            (row.tick, self._boot, _ms(row.t_s), row.heater_share),
        )
        db.executemany(
            "INSERT INTO readings (tick, place, raw_mc, cold_mc, value_mc, fault, method)"
            " VALUES (?, ?, ?, ?, ?, ?, ?)",
            [
                (
                    row.tick,
                    self._places[r.place],
                    _mc(r.raw_c),
                    _mc(r.cold_c),
                    _mc(r.value_c),
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
                _mc(f.coldest_c),
                _ms(f.above_p10),
                _ms(f.above_p50),
                _ms(f.above_p90),
                f.p_reach,
                *(_mc(c) for c in core),
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

    def next_outing_number(self) -> int:
        """The number of the next outing."""
        with self._lock:
            row = self._db.execute("SELECT coalesce(max(outing), 0) + 1 FROM outings").fetchone()
            return int(row[0])

    def outing(self, number: int) -> KeptOuting | None:
        """The outing with that number."""
        with self._lock:
            row = self._db.execute(f"SELECT {_OUTING} FROM outings WHERE outing = ?", (number,)).fetchone()
            return None if row is None else KeptOuting(*row)

    def came_of_heatups(self) -> CameOf:
        """What the record says came of the heat-ups."""
        with self._lock:
            return _came_of_heatups(self._db)

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

    def departure_at_hand(
        self, from_at: float, to_at: float, near_at: float
    ) -> tuple[int, float, bool] | None:
        """Number, start [UTC s] and whether somebody has said it started, of the departure nearest to an
        instant, between two others, that wasn't cancelled."""
        with self._lock:
            row = self._db.execute(
                "SELECT departure, leaves_at, outcome IS 'started' FROM departures"
                " WHERE leaves_at BETWEEN ? AND ? AND coalesce(outcome, 'passed') IN ('passed', 'started')"
                " ORDER BY abs(leaves_at - ?) LIMIT 1",
                (from_at, to_at, near_at),
            ).fetchone()
            return None if row is None else (int(row[0]), float(row[1]), bool(row[2]))

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
        return [Command(r[0], r[1], _body(r[2]), r[3], r[4]) for r in rows]

    # -- who may look and act

    def open_code(self, now_at: float) -> OpenCode | None:
        """The pairing code that may be tried at a real UTC instant."""
        with self._lock:
            return _open_code(self._db, now_at)

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
            return _sessions(self._db, now_at)

    # -- small values

    def kept(self, name: str) -> str | None:
        """A small value kept across restarts."""
        with self._lock:
            row = self._db.execute("SELECT value FROM kept WHERE name = ?", (name,)).fetchone()
            return None if row is None else str(row[0])

    def weather(self, since_at: float) -> KeptWeather:
        """What weather sources said last, and the hours kept of their stations since then."""
        with self._lock:
            return _weather(self._db, since_at)

    def hourly(self, place: str, since_at: float) -> list[tuple[float, float]]:
        """Committed values of a place, one an hour: (UTC s, °C), rising."""
        with self._lock:
            return _hourly(self._db, place, since_at)

    def keep(self, name: str, value: str) -> None:
        """Keep a small value across restarts, at once."""
        with self._writing() as db:
            db.execute(*keep_value(name, value))

    def curve(self, since_at: float, until_at: float) -> list[CurveRow]:
        """Committed readings between two UTC instants, in time order."""
        with self._lock:
            return list(_curve(self._db, since_at, until_at))

    @contextmanager
    def _writing(self) -> Iterator[sqlite3.Connection]:
        with self._lock, transaction(self._db):
            yield self._db


@contextmanager
def transaction(db: sqlite3.Connection) -> Iterator[None]:
    """All or nothing, begun as a writer so that it can't fail half-way on another's lock."""
    db.execute("BEGIN IMMEDIATE")
    try:
        yield
        db.execute("COMMIT")
    except BaseException:
        if db.in_transaction:
            db.execute("ROLLBACK")
        raise


# -- statements for a Batch; run after its ticks, in the same transaction

_TICK_AT = "coalesce((SELECT max(tick) FROM ticks WHERE boot = ? AND mono_ms <= ?), ?)"
_OPEN_HEATUP = "(SELECT max(heatup) FROM heatups WHERE ended_tick IS NULL)"


def keep_value(name: str, value: str) -> Statement:
    """Keep a small value across restarts."""
    return (
        "INSERT INTO kept VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value",
        (name, value),
    )


def answer_command(command: str, answer: str) -> Statement:
    """Answer a command, once."""
    return (
        "UPDATE commands SET answer = ?, answered_at = ? WHERE id = ? AND answered_at IS NULL",
        (answer, time.time(), command),
    )


def forget_body(command: str) -> Statement:
    """Leave of a command only that it was given and answered."""
    return ("UPDATE commands SET body = '{}' WHERE id = ?", (command,))


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


def _open_code(db: sqlite3.Connection, now_at: float) -> OpenCode | None:
    """None also where the code is of the future: the clock was set back, and its time can't be told."""
    row = db.execute(
        "SELECT pairing, role, salt, hash, expires_at, tries FROM pairings"
        " WHERE ended_at IS NULL AND made_at <= ? AND expires_at > ? ORDER BY pairing DESC LIMIT 1",
        (now_at + CLOCK_SLACK_S, now_at),
    ).fetchone()
    return None if row is None else OpenCode(*row)


_SESSION = "SELECT session, role, label, made_at, expires_at FROM sessions WHERE ended_at IS NULL"


def _sessions(db: sqlite3.Connection, now_at: float) -> list[Session]:
    rows = db.execute(f"{_SESSION} AND expires_at > ? ORDER BY session", (now_at,))
    return [Session(*row) for row in rows]


def open_heatup(boot: int, tick: int, setup: int | None, target_c: float, on_s: float) -> Statement:
    """A new heat-up, begun at the last tick not after on_s (`tick` if there is none)."""
    return (
        f"INSERT INTO heatups (setup, started_tick, target_mc) VALUES (?, {_TICK_AT}, ?)",
        (setup, boot, _ms(on_s), tick, _mc(target_c)),
    )


def mark_heatup(
    boot: int, tick: int, above_s: float | None, ready_s: float | None, off_s: float | None
) -> list[Statement]:
    """Set the marks of the open heat-up, each once; a mark that is None again is cleared."""
    out: list[Statement] = []
    for column, instant_s in (("above_tick", above_s), ("ready_tick", ready_s), ("off_tick", off_s)):
        if instant_s is None:
            out.append((f"UPDATE heatups SET {column} = NULL WHERE heatup = {_OPEN_HEATUP}", ()))
        else:
            out.append(
                (
                    f"UPDATE heatups SET {column} = coalesce({column}, {_TICK_AT})"
                    f" WHERE heatup = {_OPEN_HEATUP}",
                    (boot, _ms(instant_s), tick),
                )
            )
    return out


def close_heatup(tick: int, reason: str) -> Statement:
    """End the open heat-up."""
    return (
        f"UPDATE heatups SET ended_tick = ?, end_reason = ? WHERE heatup = {_OPEN_HEATUP}",
        (tick, reason),
    )


def exclude_heatup(heatup: int, excluded: bool, note: str | None) -> Statement:
    """Leave a heat-up out of what is learned, or take it in again; a note of None leaves the old one."""
    return (
        "UPDATE heatups SET excluded = ?, note = coalesce(?, note) WHERE heatup = ?",
        (excluded, note, heatup),
    )


def newest_lesson(db: sqlite3.Connection) -> tuple[float | None, float | None]:
    """Changes whenever somebody has learned."""
    row = db.execute(
        "SELECT (SELECT max(learned_at) FROM lessons), (SELECT max(since_at) FROM memory)"
    ).fetchone()
    return row[0], row[1]


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


def insert_hand_reading(
    number: int, place: str, boot: int, t_s: float, value_c: float, method: str
) -> Statement:
    """A reading by hand under its number."""
    return (
        "INSERT INTO hand_readings (hand, place, boot, mono_ms, value_mc, method)"
        " VALUES (?, (SELECT place FROM places WHERE name = ?), ?, ?, ?, ?)",
        (number, place, boot, _ms(t_s), _mc(value_c), method),
    )


def undo_hand_reading(number: int, at: float) -> Statement:
    """Mark a reading by hand as undone; it stays in the record."""
    return ("UPDATE hand_readings SET undone_at = ? WHERE hand = ?", (at, number))


_OUTING = (
    "outing, heatup, departure, began_at, ended_at, kind, told_by, told_at, unplugged_at, plugged_at, left_c,"
    " found_c, oil_c, oil_s"
)
_MARK_FLEW = (
    "UPDATE heatups SET flew = (SELECT kind FROM outings o WHERE o.heatup = heatups.heatup"
    " AND instr(?, ',' || kind || ',') ORDER BY instr(?, ',' || kind || ',') LIMIT 1)"
    " WHERE heatup = (SELECT heatup FROM outings WHERE outing = ?)"
)
CameOf = tuple[list[float], list[tuple[float, tuple[str, ...]]]]
"""When flights with hot oil ended [UTC s]; each heat-up that has ended: its start [UTC s] and the kinds of
its outings."""


def keep_outing(outing: KeptOuting, of_newest_heatup: bool, most_first: Sequence[str]) -> list[Statement]:
    """An outing under its number, new or changed, and what came of its heat-up.

    of_newest_heatup: a new one belongs to the newest heat-up. most_first: of several outings of one heat-up
    the kind that stands first in it is the heat-up's.
    """
    marks = ", ".join(["?"] * 12)
    values = tuple(getattr(outing, f) for f in KeptOuting.__slots__ if f != "heatup")
    told = (*values[:1], of_newest_heatup, *values[1:])
    changing = [c.strip() for c in _OUTING.split(",") if c.strip() not in ("outing", "heatup", "began_at")]
    return [
        (
            f"INSERT INTO outings ({_OUTING}) VALUES (?,"
            f" CASE WHEN ? THEN (SELECT max(heatup) FROM heatups) END, {marks})"
            " ON CONFLICT (outing) DO UPDATE SET " + ", ".join(f"{c} = excluded.{c}" for c in changing),
            told,
        ),
        _mark_flew(outing.number, most_first),
    ]


def tell_outing(number: int, kind: str, told_at: float, most_first: Sequence[str]) -> list[Statement]:
    """What a person says later of an outing; what it rested on before stays beside it."""
    return [
        (
            "UPDATE outings SET kind = ?, told_by = 'tap', told_at = ?, ended_at = coalesce(ended_at, ?)"
            " WHERE outing = ?",
            (kind, told_at, told_at, number),
        ),
        _mark_flew(number, most_first),
    ]


def _mark_flew(number: int, most_first: Sequence[str]) -> Statement:
    kinds = f",{','.join(most_first)},"
    return (_MARK_FLEW, (kinds, kinds, number))


def _came_of_heatups(db: sqlite3.Connection) -> CameOf:
    hot = db.execute(
        "SELECT coalesce(plugged_at, unplugged_at, began_at) FROM outings WHERE kind = 'flown-hot'"
    ).fetchall()
    kinds: dict[int, list[str]] = {}
    for heatup, kind in db.execute(
        "SELECT heatup, kind FROM outings WHERE heatup IS NOT NULL ORDER BY outing"
    ):
        kinds.setdefault(heatup, []).append(kind)
    started = db.execute(
        "SELECT heatup, (mono_ms + utc_offset_ms) / 1000.0 FROM heatups"
        " JOIN ticks ON tick = started_tick JOIN boots USING (boot) WHERE ended_tick IS NOT NULL"
    )
    return [at for (at,) in hot], [(at, tuple(kinds.get(heatup, ()))) for heatup, at in started]


def keep_departure(
    number: int,
    setup: int | None,
    start_at: float,
    plan: str,
    state: str,
    made_at: float,
    changed_at: float,
    switch_on_at: float | None,
    decided_at: float | None,
) -> Statement:
    """A departure under its number, new or changed. plan: all of it as JSON; the other columns are for
    people's own tools."""
    return (
        "INSERT INTO departures (departure, setup, leaves_at, plan, state, made_at, changed_at, switch_on_at,"
        " decided_at) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (departure) DO UPDATE SET"
        " leaves_at = excluded.leaves_at, plan = excluded.plan, state = excluded.state,"
        " changed_at = excluded.changed_at, switch_on_at = excluded.switch_on_at,"
        " decided_at = excluded.decided_at",
        (number, setup, start_at, plan, state, made_at, changed_at, switch_on_at, decided_at),
    )


def end_departure(number: int, outcome: str, at: float) -> Statement:
    """What came of a departure."""
    return ("UPDATE departures SET outcome = ?, outcome_at = ? WHERE departure = ?", (outcome, at, number))


def keep_weather(weather: Weather) -> Statement:
    """Keep what a source said last, in place of what it said before."""
    return (
        "INSERT INTO weather VALUES (?, ?, ?) ON CONFLICT (source) DO UPDATE SET"
        " taken_at = excluded.taken_at, document = excluded.document",
        (weather.source, weather.taken_at, msgspec.json.encode(weather).decode()),
    )


def forget_weather(source: str) -> Statement:
    """Forget what a source said last; the hours of its station stay."""
    return ("DELETE FROM weather WHERE source = ?", (source,))


def keep_station(source: str, hours: Sequence[WeatherHour]) -> list[Statement]:
    """Keep a station's hours, one for each hour of the clock; STATION_S later they are dropped."""
    out: list[Statement] = [
        (
            "INSERT INTO station VALUES (?, ?, ?, ?, ?) ON CONFLICT (source, hour) DO UPDATE SET"
            " at = excluded.at, air_mc = excluded.air_mc, cloud = excluded.cloud",
            (source, round(h.at / 3600), h.at, _mc(h.air_c), h.cloud),
        )
        for h in hours
    ]
    if out:
        latest = max(h.at for h in hours)
        out.append(("DELETE FROM station WHERE source = ? AND at < ?", (source, latest - STATION_S)))
    return out


def _weather(db: sqlite3.Connection, since_at: float) -> KeptWeather:
    said: dict[str, Weather] = {}
    for source, document in db.execute("SELECT source, document FROM weather"):
        with suppress(msgspec.MsgspecError):  # of another version: it is soon heard again
            said[source] = msgspec.json.decode(document, type=Weather)
    past: dict[str, list[WeatherHour]] = {}
    for source, at, air_mc, cloud in db.execute(
        "SELECT source, at, air_mc, cloud FROM station WHERE at >= ? ORDER BY source, at", (since_at,)
    ):
        past.setdefault(source, []).append(WeatherHour(at, air_mc / 1000, cloud=cloud))
    return said, past


def _hourly(db: sqlite3.Connection, place: str, since_at: float) -> list[tuple[float, float]]:
    """For each hour the reading nearest to it, if one lies within 7½ min. By a few small looks an hour:
    going through every reading of three weeks would take seconds on the board."""
    found: dict[int, tuple[float, float]] = {}
    boots = db.execute(
        "SELECT boot, utc_offset_ms / 1000.0,"
        " (SELECT min(mono_ms) / 1000.0 FROM ticks t WHERE t.boot = b.boot),"
        " (SELECT max(mono_ms) / 1000.0 FROM ticks t WHERE t.boot = b.boot)"
        " FROM boots b ORDER BY boot"
    ).fetchall()
    for boot, offset_s, first_s, last_s in boots:
        if first_s is None:
            continue
        begin = max(since_at, first_s + offset_s)
        for hour in range(round(begin / 3600), round((last_s + offset_s) / 3600) + 1):
            row = db.execute(
                "SELECT mono_ms / 1000.0, value_mc / 1000.0 FROM ticks JOIN readings USING (tick)"
                " WHERE boot = ? AND mono_ms BETWEEN ? AND ? AND value_mc IS NOT NULL"
                " AND place = (SELECT place FROM places WHERE name = ?) ORDER BY abs(mono_ms - ?) LIMIT 1",
                (
                    boot,
                    _ms(hour * 3600 - 450 - offset_s),
                    _ms(hour * 3600 + 450 - offset_s),
                    place,
                    _ms(hour * 3600 - offset_s),
                ),
            ).fetchone()
            if row is not None:
                found[hour] = (row[0] + offset_s, row[1])
    return sorted(found.values())


def _insert_message(db: sqlite3.Connection, message: Message) -> None:
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


def _payload(message: Message) -> dict[str, str]:
    text = {"subject": message.subject, "body": message.body}
    return text if message.alert is None else {**text, "alert": message.alert}


def _body(text: str) -> Mapping[str, Any]:
    """What a command says; one that is not JSON says nothing, so that it is refused and not in the way."""
    try:
        body = json.loads(text)
    except ValueError:
        return {}
    return body if isinstance(body, dict) else {}


def _curve(db: sqlite3.Connection, since_at: float, until_at: float) -> Iterator[CurveRow]:
    """Rows of all boots that overlap the span, ordered by UTC."""
    cursor = db.execute(
        "SELECT t.tick, (t.mono_ms + b.utc_offset_ms) / 1000.0 AS at, t.heater_share, p.name, r.value_mc"
        " FROM boots b JOIN ticks t ON t.boot = b.boot"
        "  AND t.mono_ms BETWEEN ? - b.utc_offset_ms AND ? - b.utc_offset_ms"
        " JOIN readings r ON r.tick = t.tick JOIN places p ON p.place = r.place ORDER BY at, t.tick",
        (round(since_at * 1000), round(until_at * 1000)),
    )
    tick: int | None = None
    row: CurveRow | None = None
    values: dict[str, float | None] = {}
    for number, at, heater, place, value_mc in cursor:
        if number != tick:
            if row is not None:
                yield row
            tick, values = number, {}
            row = CurveRow(at, values, heater)
        values[place] = None if value_mc is None else value_mc / 1000
    if row is not None:
        yield row


class Reader:
    """A viewer's hand on the file: reads, and asks. Raises StoreError where the file is of another
    version or not there."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._db = open_checked(path, read_only=True)

    def close(self) -> None:
        self._db.close()

    def curve(self, since_at: float, until_at: float) -> list[CurveRow]:
        """Committed readings between two UTC instants, in time order."""
        return list(_curve(self._db, since_at, until_at))

    def weather(self, since_at: float) -> KeptWeather:
        """What weather sources said last, and the hours kept of their stations since then."""
        return _weather(self._db, since_at)

    def hourly(self, place: str, since_at: float) -> list[tuple[float, float]]:
        """Committed values of a place, one an hour: (UTC s, °C), rising."""
        return _hourly(self._db, place, since_at)

    def transitions(self, limit: int = 50) -> list[dict[str, Any]]:
        """The last transitions, newest first: at [UTC s], old, new, reason."""
        rows = self._db.execute(
            "SELECT (mono_ms + utc_offset_ms) / 1000.0, old, new, reason"
            " FROM transitions JOIN boots USING (boot) ORDER BY transition DESC LIMIT ?",
            (limit,),
        )
        return [{"at": at, "old": old, "new": new, "reason": reason} for at, old, new, reason in rows]

    def hand_readings(self, limit: int = 20) -> list[dict[str, Any]]:
        """The last readings by hand, newest first: id, at [UTC s], place, c, method, undone."""
        rows = self._db.execute(
            "SELECT hand, (mono_ms + utc_offset_ms) / 1000.0, name, value_mc / 1000.0, method,"
            " undone_at IS NOT NULL FROM hand_readings JOIN boots USING (boot) JOIN places USING (place)"
            " ORDER BY hand DESC LIMIT ?",
            (limit,),
        )
        return [
            {"id": i, "at": at, "place": place, "c": c, "method": method, "undone": bool(undone)}
            for i, at, place, c, method, undone in rows
        ]

    def outings(self, limit: int = 50) -> list[KeptOuting]:
        """The last outings, newest first."""
        rows = self._db.execute(f"SELECT {_OUTING} FROM outings ORDER BY outing DESC LIMIT ?", (limit,))
        return [KeptOuting(*row) for row in rows]

    def came_of_heatups(self) -> CameOf:
        """What the record says came of the heat-ups."""
        return _came_of_heatups(self._db)

    def departures(self, since_at: float) -> list[str]:
        """Departures whose start lies after a UTC instant, in order, each as keep_departure's JSON."""
        rows = self._db.execute(
            "SELECT plan FROM departures WHERE leaves_at >= ? ORDER BY leaves_at, departure", (since_at,)
        )
        return [str(row[0]) for row in rows]

    def link(self, token_hash: bytes) -> Link | None:
        """What the link with that token's hash may answer; None where there is no such link."""
        return find_link(self._db, token_hash)

    def open_code(self, now_at: float) -> OpenCode | None:
        """The pairing code that may be tried at a real UTC instant."""
        return _open_code(self._db, now_at)

    def session(self, token: bytes, now_at: float) -> Session | None:
        """The session whose token has that hash, if it holds at a real UTC instant."""
        row = self._db.execute(f"{_SESSION} AND hash = ? AND expires_at > ?", (token, now_at)).fetchone()
        return None if row is None else Session(*row)

    def sessions(self, now_at: float) -> list[Session]:
        """Sessions that hold at a real UTC instant."""
        return _sessions(self._db, now_at)

    def answer(self, command: str) -> str | None:
        """The daemon's answer to a command, None while it has none."""
        row = self._db.execute("SELECT answer FROM commands WHERE id = ?", (command,)).fetchone()
        return None if row is None or row[0] is None else str(row[0])

    def version(self) -> int:
        """Changes whenever somebody has written."""
        return int(self._db.execute("PRAGMA data_version").fetchone()[0])


def ask(
    path: Path, kind: str, body: Mapping[str, Any], valid_s: float = 60.0, command: str | None = None
) -> str:
    """Leave a command for the daemon and return its id; it is answered within about a second.

    A `command` of that id that is there already stays as it is: asked twice, done once.
    """
    command = command or uuid.uuid4().hex
    connection = open_checked(path)
    try:
        now_at = time.time()
        connection.execute("BEGIN IMMEDIATE")
        connection.execute(
            "INSERT INTO commands (id, made_at, kind, body, expires_at) VALUES (?, ?, ?, ?, ?)"
            " ON CONFLICT (id) DO NOTHING",
            (command, now_at, kind, json.dumps(dict(body)), now_at + valid_s),
        )
        connection.execute("COMMIT")
    finally:
        connection.close()
    return command


def await_answer(path: Path, command: str, timeout_s: float = 10.0) -> str | None:
    """The answer to a command as JSON text; None if none came in time [real s]."""
    reader = Reader(path)
    tick = threading.Event()
    try:
        deadline = time.monotonic() + timeout_s
        while (found := reader.answer(command)) is None and time.monotonic() < deadline:
            tick.wait(0.1)
        return found
    finally:
        reader.close()
