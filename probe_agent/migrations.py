"""The store's schema, as ordered steps; imported by commands and maintenance only.

sqlite-utils imports numpy where it is installed, so nothing on the page's path may import this.
"""

from __future__ import annotations

import sqlite3
import sys
from pathlib import Path

from sqlite_utils import Database
from sqlite_utils.migrations import Migrations

from probe_agent.store import SCHEMA_VERSION, StoreError, StoreNewerError, connect, mark_schema

steps = Migrations("probe-agent")

_FIRST = """
CREATE TABLE places (
  place INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE,
  required INTEGER NOT NULL, near_heater INTEGER NOT NULL
) STRICT;
CREATE TABLE bindings (
  binding INTEGER PRIMARY KEY, place INTEGER NOT NULL REFERENCES places, source TEXT NOT NULL,
  address TEXT NOT NULL, from_at REAL NOT NULL, to_at REAL
) STRICT;
CREATE TABLE corrections (
  correction INTEGER PRIMARY KEY, address TEXT NOT NULL, offset_mc INTEGER NOT NULL,
  from_at REAL NOT NULL, reason TEXT NOT NULL, undone_at REAL
) STRICT;
CREATE TABLE setups (
  setup INTEGER PRIMARY KEY, slug TEXT NOT NULL, settings TEXT NOT NULL, since_at REAL NOT NULL
) STRICT;
CREATE TABLE boots (
  boot INTEGER PRIMARY KEY, boot_id TEXT NOT NULL, utc_offset_ms INTEGER NOT NULL,
  clock_ok INTEGER NOT NULL
) STRICT;
CREATE TABLE ticks (
  tick INTEGER PRIMARY KEY, boot INTEGER NOT NULL REFERENCES boots, mono_ms INTEGER NOT NULL,
  heater_share REAL
) STRICT;
CREATE TABLE readings (
  tick INTEGER NOT NULL, place INTEGER NOT NULL, raw_mc INTEGER, cold_mc INTEGER, value_mc INTEGER,
  fault TEXT, method TEXT, PRIMARY KEY (tick, place)
) STRICT, WITHOUT ROWID;
CREATE TABLE hand_readings (
  hand INTEGER PRIMARY KEY, place INTEGER NOT NULL REFERENCES places, boot INTEGER NOT NULL REFERENCES boots,
  mono_ms INTEGER NOT NULL, value_mc INTEGER NOT NULL, method TEXT NOT NULL, undone_at REAL
) STRICT;
CREATE TABLE heatups (
  heatup INTEGER PRIMARY KEY, setup INTEGER REFERENCES setups, started_tick INTEGER NOT NULL,
  target_mc INTEGER NOT NULL, above_tick INTEGER, ready_tick INTEGER, off_tick INTEGER,
  ended_tick INTEGER, end_reason TEXT, flew TEXT, excluded INTEGER NOT NULL DEFAULT 0,
  note TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE TABLE forecasts (
  tick INTEGER PRIMARY KEY, heatup INTEGER, coldest INTEGER, coldest_mc INTEGER,
  p10_ms INTEGER, p50_ms INTEGER, p90_ms INTEGER, p_reach REAL NOT NULL,
  core_low_mc INTEGER, core_mid_mc INTEGER, core_high_mc INTEGER,
  announced INTEGER NOT NULL, model_version INTEGER NOT NULL
) STRICT;
CREATE TABLE memory (
  setup INTEGER NOT NULL, since_at REAL NOT NULL, model_version INTEGER NOT NULL,
  learned_from TEXT NOT NULL, parameters TEXT NOT NULL
) STRICT;
CREATE TABLE departures (
  departure INTEGER PRIMARY KEY, leaves_at REAL NOT NULL, state TEXT NOT NULL, made_at REAL NOT NULL
) STRICT;
CREATE TABLE commands (
  id TEXT PRIMARY KEY, made_at REAL NOT NULL, kind TEXT NOT NULL, body TEXT NOT NULL,
  expires_at REAL NOT NULL, answer TEXT, answered_at REAL
) STRICT;
CREATE TABLE transitions (
  transition INTEGER PRIMARY KEY, tick INTEGER NOT NULL, boot INTEGER NOT NULL, mono_ms INTEGER NOT NULL,
  old TEXT, new TEXT NOT NULL, reason TEXT NOT NULL
) STRICT;
CREATE TABLE alerts (
  alert TEXT PRIMARY KEY, kind TEXT NOT NULL, place TEXT, harm INTEGER NOT NULL,
  opened_at REAL NOT NULL, answered TEXT, answered_at REAL, closed_at REAL, closed_by TEXT
) STRICT;
CREATE TABLE outbox (
  message INTEGER PRIMARY KEY, channel TEXT NOT NULL, dedupe_key TEXT NOT NULL, payload TEXT NOT NULL,
  true_at REAL NOT NULL, expires_at REAL NOT NULL, tries INTEGER NOT NULL DEFAULT 0,
  delivered_at REAL, dropped_reason TEXT, last_error TEXT,
  UNIQUE (channel, dedupe_key)
) STRICT;
CREATE TABLE kept (name TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;
CREATE INDEX ticks_by_time ON ticks (boot, mono_ms);
CREATE INDEX outbox_open ON outbox (message) WHERE delivered_at IS NULL AND dropped_reason IS NULL;
CREATE INDEX commands_open ON commands (made_at) WHERE answered_at IS NULL;
CREATE VIEW readings_utc AS
  SELECT strftime('%Y-%m-%dT%H:%M:%fZ', (t.mono_ms + b.utc_offset_ms) / 1000.0, 'unixepoch') AS utc,
         p.name AS place, r.value_mc / 1000.0 AS value_c, r.raw_mc / 1000.0 AS raw_c,
         r.cold_mc / 1000.0 AS cold_c, r.fault, r.method, t.heater_share, b.clock_ok, r.tick
  FROM readings r JOIN ticks t USING (tick) JOIN boots b USING (boot) JOIN places p USING (place);
CREATE VIEW heatups_utc AS
  SELECT h.heatup, s.slug AS setup, h.target_mc / 1000.0 AS target_c,
         (SELECT strftime('%Y-%m-%dT%H:%M:%SZ', (mono_ms + utc_offset_ms) / 1000.0, 'unixepoch')
            FROM ticks JOIN boots USING (boot) WHERE tick = h.started_tick) AS started,
         (SELECT strftime('%Y-%m-%dT%H:%M:%SZ', (mono_ms + utc_offset_ms) / 1000.0, 'unixepoch')
            FROM ticks JOIN boots USING (boot) WHERE tick = h.above_tick) AS above,
         (SELECT strftime('%Y-%m-%dT%H:%M:%SZ', (mono_ms + utc_offset_ms) / 1000.0, 'unixepoch')
            FROM ticks JOIN boots USING (boot) WHERE tick = h.ready_tick) AS ready,
         (SELECT strftime('%Y-%m-%dT%H:%M:%SZ', (mono_ms + utc_offset_ms) / 1000.0, 'unixepoch')
            FROM ticks JOIN boots USING (boot) WHERE tick = h.off_tick) AS off,
         (SELECT strftime('%Y-%m-%dT%H:%M:%SZ', (mono_ms + utc_offset_ms) / 1000.0, 'unixepoch')
            FROM ticks JOIN boots USING (boot) WHERE tick = h.ended_tick) AS ended,
         h.end_reason, h.excluded, h.note
  FROM heatups h LEFT JOIN setups s USING (setup);
"""


_SECOND = """
CREATE TABLE lessons (
  heatup INTEGER PRIMARY KEY REFERENCES heatups, model_version INTEGER NOT NULL, learned_at REAL NOT NULL,
  clean INTEGER NOT NULL, censored INTEGER NOT NULL, why TEXT NOT NULL, changed TEXT NOT NULL
) STRICT;
CREATE TABLE falls (
  heatup INTEGER NOT NULL REFERENCES heatups, place INTEGER NOT NULL REFERENCES places,
  off_tick INTEGER NOT NULL, fall_mc INTEGER NOT NULL, neighbours_mc INTEGER NOT NULL,
  reads_heater INTEGER NOT NULL, PRIMARY KEY (heatup, place, off_tick)
) STRICT, WITHOUT ROWID;
CREATE TABLE warmings (
  heatup INTEGER NOT NULL REFERENCES heatups, place INTEGER NOT NULL REFERENCES places,
  cold_mc INTEGER NOT NULL, rate_mc_per_h INTEGER NOT NULL, PRIMARY KEY (heatup, place)
) STRICT, WITHOUT ROWID;
CREATE TABLE scores (
  heatup INTEGER NOT NULL REFERENCES heatups, percent INTEGER NOT NULL, tick INTEGER NOT NULL,
  error_s REAL, inside INTEGER NOT NULL, PRIMARY KEY (heatup, percent)
) STRICT, WITHOUT ROWID;
"""

_THIRD = """
DROP TABLE departures;
CREATE TABLE departures (
  departure INTEGER PRIMARY KEY, setup INTEGER REFERENCES setups, leaves_at REAL NOT NULL,
  plan TEXT NOT NULL, state TEXT NOT NULL, made_at REAL NOT NULL, changed_at REAL NOT NULL,
  switch_on_at REAL, decided_at REAL, outcome TEXT, outcome_at REAL, note TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE TABLE outings (
  outing INTEGER PRIMARY KEY, heatup INTEGER REFERENCES heatups, departure INTEGER REFERENCES departures,
  began_at REAL NOT NULL, ended_at REAL, kind TEXT NOT NULL, told_by TEXT NOT NULL, told_at REAL,
  unplugged_at REAL, plugged_at REAL, left_c REAL, found_c REAL, oil_c REAL, oil_s REAL
) STRICT;
CREATE TABLE pairings (
  pairing INTEGER PRIMARY KEY, role TEXT NOT NULL, salt BLOB NOT NULL, hash BLOB NOT NULL,
  made_at REAL NOT NULL, expires_at REAL NOT NULL, tries INTEGER NOT NULL DEFAULT 0, ended_at REAL
) STRICT;
CREATE TABLE sessions (
  session INTEGER PRIMARY KEY, role TEXT NOT NULL, label TEXT NOT NULL, hash BLOB NOT NULL UNIQUE,
  made_at REAL NOT NULL, expires_at REAL NOT NULL, ended_at REAL
) STRICT;
CREATE TABLE links (
  link INTEGER PRIMARY KEY, hash BLOB NOT NULL UNIQUE, alert TEXT NOT NULL, recipient TEXT NOT NULL,
  made_at REAL NOT NULL, expires_at REAL NOT NULL, used_at REAL
) STRICT;
CREATE TABLE recipients (
  recipient TEXT PRIMARY KEY, tested_at REAL, proven_at REAL
) STRICT, WITHOUT ROWID;
CREATE TABLE weather (
  source TEXT PRIMARY KEY, taken_at REAL NOT NULL, document TEXT NOT NULL
) STRICT, WITHOUT ROWID;
CREATE TABLE station (
  source TEXT NOT NULL, hour INTEGER NOT NULL, at REAL NOT NULL, air_mc INTEGER NOT NULL, cloud REAL,
  PRIMARY KEY (source, hour)
) STRICT, WITHOUT ROWID;
"""

_FOURTH = """
CREATE TABLE spells (
  spell INTEGER PRIMARY KEY, heatup INTEGER REFERENCES heatups, cause TEXT NOT NULL,
  began_at REAL NOT NULL, ended_at REAL, low REAL NOT NULL, middle REAL NOT NULL, high REAL NOT NULL,
  wet_s REAL NOT NULL, known_s REAL NOT NULL, unknown_s REAL NOT NULL, under_k REAL NOT NULL,
  heated_s REAL NOT NULL, measured_j REAL NOT NULL, plate_j REAL NOT NULL, untold_s REAL NOT NULL,
  gained_low_j REAL, gained_j REAL, gained_high_j REAL
) STRICT;
"""


@steps()
def first(db: Database) -> None:
    """The first schema."""
    _make(db, _FIRST, 1)


@steps()
def second(db: Database) -> None:
    """What each heat-up taught, its heater-off tests, and how its forecasts were borne out."""
    _make(db, _SECOND, 2)


@steps()
def third(db: Database) -> None:
    """Departures with their plans, what came of them, who may act, and the air to come."""
    _make(db, _THIRD, 3)


@steps()
def fourth(db: Database) -> None:
    """Spells of moisture and heat."""
    _make(db, _FOURTH, 4)


def _make(db: Database, schema: str, version: int) -> None:
    """Statement by statement, because executescript would commit half-way."""
    for statement in schema.split(";\n"):
        if statement.strip():
            db.execute(statement)
    db.execute(f"PRAGMA user_version = {version}")


def migrate(path: Path) -> None:
    """Bring the store at path to SCHEMA_VERSION, creating it if there is none.

    Raises StoreNewerError, with the file untouched, if a newer program has written it.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    _refuse_newer(path)
    connection = connect(path, create=True)
    try:
        steps.apply(Database(connection))
        mark_schema(connection)
    finally:
        connection.close()


def _refuse_newer(path: Path) -> None:
    if not path.exists():
        return
    connection = connect(path, read_only=True)
    try:
        version = int(connection.execute("PRAGMA user_version").fetchone()[0])
        known = {step.name for step in steps.pending(Database(memory=True))}
        has_names = connection.execute(
            "SELECT 1 FROM sqlite_master WHERE name = '_sqlite_migrations'"
        ).fetchone()
        applied = (
            {
                r[0]
                for r in connection.execute(
                    "SELECT name FROM _sqlite_migrations WHERE migration_set = ?", (steps.name,)
                )
            }
            if has_names
            else set()
        )
    finally:
        connection.close()
    if version > SCHEMA_VERSION or applied - known:
        raise StoreNewerError(path, version)


def main() -> None:
    """Migrate the store named on the command line; a refusal goes to standard error.

    The daemon runs this as a process of its own: what sqlite-utils imports (8 MB resident, measured)
    goes with it.
    """
    try:
        migrate(Path(sys.argv[1]))
    except (StoreError, OSError, sqlite3.Error) as err:
        raise SystemExit(str(err)) from err


if __name__ == "__main__":
    main()
