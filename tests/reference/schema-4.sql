CREATE TABLE "_sqlite_migrations" (
   "id" INTEGER PRIMARY KEY,
   "migration_set" TEXT,
   "name" TEXT,
   "applied_at" TEXT
);
CREATE TABLE alerts (
  alert TEXT PRIMARY KEY, kind TEXT NOT NULL, place TEXT, harm INTEGER NOT NULL,
  opened_at REAL NOT NULL, answered TEXT, answered_at REAL, closed_at REAL, closed_by TEXT
) STRICT;
CREATE TABLE bindings (
  binding INTEGER PRIMARY KEY, place INTEGER NOT NULL REFERENCES places, source TEXT NOT NULL,
  address TEXT NOT NULL, from_at REAL NOT NULL, to_at REAL
) STRICT;
CREATE TABLE boots (
  boot INTEGER PRIMARY KEY, boot_id TEXT NOT NULL, utc_offset_ms INTEGER NOT NULL,
  clock_ok INTEGER NOT NULL
) STRICT;
CREATE TABLE commands (
  id TEXT PRIMARY KEY, made_at REAL NOT NULL, kind TEXT NOT NULL, body TEXT NOT NULL,
  expires_at REAL NOT NULL, answer TEXT, answered_at REAL
) STRICT;
CREATE TABLE corrections (
  correction INTEGER PRIMARY KEY, address TEXT NOT NULL, offset_mc INTEGER NOT NULL,
  from_at REAL NOT NULL, reason TEXT NOT NULL, undone_at REAL
) STRICT;
CREATE TABLE departures (
  departure INTEGER PRIMARY KEY, setup INTEGER REFERENCES setups, leaves_at REAL NOT NULL,
  plan TEXT NOT NULL, state TEXT NOT NULL, made_at REAL NOT NULL, changed_at REAL NOT NULL,
  switch_on_at REAL, decided_at REAL, outcome TEXT, outcome_at REAL, note TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE TABLE falls (
  heatup INTEGER NOT NULL REFERENCES heatups, place INTEGER NOT NULL REFERENCES places,
  off_tick INTEGER NOT NULL, fall_mc INTEGER NOT NULL, neighbours_mc INTEGER NOT NULL,
  reads_heater INTEGER NOT NULL, PRIMARY KEY (heatup, place, off_tick)
) STRICT, WITHOUT ROWID;
CREATE TABLE forecasts (
  tick INTEGER PRIMARY KEY, heatup INTEGER, coldest INTEGER, coldest_mc INTEGER,
  p10_ms INTEGER, p50_ms INTEGER, p90_ms INTEGER, p_reach REAL NOT NULL,
  core_low_mc INTEGER, core_mid_mc INTEGER, core_high_mc INTEGER,
  announced INTEGER NOT NULL, model_version INTEGER NOT NULL
) STRICT;
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
CREATE TABLE kept (name TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT;
CREATE TABLE lessons (
  heatup INTEGER PRIMARY KEY REFERENCES heatups, model_version INTEGER NOT NULL, learned_at REAL NOT NULL,
  clean INTEGER NOT NULL, censored INTEGER NOT NULL, why TEXT NOT NULL, changed TEXT NOT NULL
) STRICT;
CREATE TABLE links (
  link INTEGER PRIMARY KEY, hash BLOB NOT NULL UNIQUE, alert TEXT NOT NULL, recipient TEXT NOT NULL,
  made_at REAL NOT NULL, expires_at REAL NOT NULL, used_at REAL
) STRICT;
CREATE TABLE memory (
  setup INTEGER NOT NULL, since_at REAL NOT NULL, model_version INTEGER NOT NULL,
  learned_from TEXT NOT NULL, parameters TEXT NOT NULL
) STRICT;
CREATE TABLE outbox (
  message INTEGER PRIMARY KEY, channel TEXT NOT NULL, dedupe_key TEXT NOT NULL, payload TEXT NOT NULL,
  true_at REAL NOT NULL, expires_at REAL NOT NULL, tries INTEGER NOT NULL DEFAULT 0,
  delivered_at REAL, dropped_reason TEXT, last_error TEXT,
  UNIQUE (channel, dedupe_key)
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
CREATE TABLE places (
  place INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE,
  required INTEGER NOT NULL, near_heater INTEGER NOT NULL
) STRICT;
CREATE TABLE readings (
  tick INTEGER NOT NULL, place INTEGER NOT NULL, raw_mc INTEGER, cold_mc INTEGER, value_mc INTEGER,
  fault TEXT, method TEXT, PRIMARY KEY (tick, place)
) STRICT, WITHOUT ROWID;
CREATE TABLE recipients (
  recipient TEXT PRIMARY KEY, tested_at REAL, proven_at REAL
) STRICT, WITHOUT ROWID;
CREATE TABLE scores (
  heatup INTEGER NOT NULL REFERENCES heatups, percent INTEGER NOT NULL, tick INTEGER NOT NULL,
  error_s REAL, inside INTEGER NOT NULL, PRIMARY KEY (heatup, percent)
) STRICT, WITHOUT ROWID;
CREATE TABLE sessions (
  session INTEGER PRIMARY KEY, role TEXT NOT NULL, label TEXT NOT NULL, hash BLOB NOT NULL UNIQUE,
  made_at REAL NOT NULL, expires_at REAL NOT NULL, ended_at REAL
) STRICT;
CREATE TABLE setups (
  setup INTEGER PRIMARY KEY, slug TEXT NOT NULL, settings TEXT NOT NULL, since_at REAL NOT NULL
) STRICT;
CREATE TABLE spells (
  spell INTEGER PRIMARY KEY, heatup INTEGER REFERENCES heatups, cause TEXT NOT NULL,
  began_at REAL NOT NULL, ended_at REAL, low REAL NOT NULL, middle REAL NOT NULL, high REAL NOT NULL,
  wet_s REAL NOT NULL, known_s REAL NOT NULL, unknown_s REAL NOT NULL, under_k REAL NOT NULL,
  heated_s REAL NOT NULL, measured_j REAL NOT NULL, plate_j REAL NOT NULL, untold_s REAL NOT NULL,
  gained_low_j REAL, gained_j REAL, gained_high_j REAL
) STRICT;
CREATE TABLE station (
  source TEXT NOT NULL, hour INTEGER NOT NULL, at REAL NOT NULL, air_mc INTEGER NOT NULL, cloud REAL,
  PRIMARY KEY (source, hour)
) STRICT, WITHOUT ROWID;
CREATE TABLE ticks (
  tick INTEGER PRIMARY KEY, boot INTEGER NOT NULL REFERENCES boots, mono_ms INTEGER NOT NULL,
  heater_share REAL
) STRICT;
CREATE TABLE transitions (
  transition INTEGER PRIMARY KEY, tick INTEGER NOT NULL, boot INTEGER NOT NULL, mono_ms INTEGER NOT NULL,
  old TEXT, new TEXT NOT NULL, reason TEXT NOT NULL
) STRICT;
CREATE TABLE warmings (
  heatup INTEGER NOT NULL REFERENCES heatups, place INTEGER NOT NULL REFERENCES places,
  cold_mc INTEGER NOT NULL, rate_mc_per_h INTEGER NOT NULL, PRIMARY KEY (heatup, place)
) STRICT, WITHOUT ROWID;
CREATE TABLE weather (
  source TEXT PRIMARY KEY, taken_at REAL NOT NULL, document TEXT NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX commands_open ON commands (made_at) WHERE answered_at IS NULL;
CREATE UNIQUE INDEX "idx__sqlite_migrations_migration_set_name"
    ON "_sqlite_migrations" ("migration_set", "name");
CREATE INDEX outbox_open ON outbox (message) WHERE delivered_at IS NULL AND dropped_reason IS NULL;
CREATE INDEX ticks_by_time ON ticks (boot, mono_ms);
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
CREATE VIEW readings_utc AS
  SELECT strftime('%Y-%m-%dT%H:%M:%fZ', (t.mono_ms + b.utc_offset_ms) / 1000.0, 'unixepoch') AS utc,
         p.name AS place, r.value_mc / 1000.0 AS value_c, r.raw_mc / 1000.0 AS raw_c,
         r.cold_mc / 1000.0 AS cold_c, r.fault, r.method, t.heater_share, b.clock_ok, r.tick
  FROM readings r JOIN ticks t USING (tick) JOIN boots b USING (boot) JOIN places p USING (place);
PRAGMA user_version = 4;
