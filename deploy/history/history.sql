-- Where history onwards is kept: PostgreSQL 13 or newer. Run once in a database of its own:
--     psql --single-transaction -f history.sql DATABASE
-- Messages come as deploy/broker/history.schema.json says; history.arrive takes one, and gives the receipt that
-- the board waits for. It is true once this function's transaction is committed.

CREATE SCHEMA history;

-- A start of a board's daemon. UTC of its ticks = mono_ms + offset_ms. upto: everything up to that tick, and all
-- before this run, is here.
CREATE TABLE history.runs (
  device text, run text, boot text NOT NULL, simulated boolean NOT NULL,
  offset_ms bigint NOT NULL, clock_ok boolean NOT NULL, as_of bigint NOT NULL,
  upto bigint NOT NULL DEFAULT 0, moved_at timestamptz NOT NULL DEFAULT clock_timestamp(),
  PRIMARY KEY (device, run)
);

-- times: how often it has come; more than once is a duplicate, and changes nothing.
CREATE TABLE history.ticks (
  device text, run text, tick bigint, mono_ms bigint NOT NULL, heater double precision,
  times integer NOT NULL DEFAULT 1, first_at timestamptz NOT NULL DEFAULT clock_timestamp(), last_at timestamptz,
  PRIMARY KEY (device, run, tick), FOREIGN KEY (device, run) REFERENCES history.runs
);

-- c: °C; fault: why there is none. Both null: neither is known.
CREATE TABLE history.readings (
  device text, run text, tick bigint, place text, c double precision, fault text,
  PRIMARY KEY (device, run, tick, place), FOREIGN KEY (device, run, tick) REFERENCES history.ticks
);

-- Each message; duplicates: how many of its ticks were here already.
CREATE TABLE history.arrivals (
  arrival bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY, at timestamptz NOT NULL DEFAULT clock_timestamp(),
  device text NOT NULL, run text NOT NULL, sequence bigint NOT NULL, upto bigint NOT NULL,
  ticks integer NOT NULL, duplicates integer NOT NULL
);

-- What isn't a message as it should be, and why.
CREATE TABLE history.refused (
  at timestamptz NOT NULL DEFAULT clock_timestamp(), topic text NOT NULL, why text NOT NULL, beginning text NOT NULL
);

-- utc is not to be believed where clock_ok is false.
CREATE VIEW history.readings_utc AS
  SELECT device, to_timestamp((mono_ms + offset_ms) / 1000.0) AS utc, place, c, fault, heater, clock_ok,
         simulated, times, run, tick
  FROM history.readings JOIN history.ticks USING (device, run, tick) JOIN history.runs USING (device, run);

CREATE FUNCTION history.receipt_of(of_device text) RETURNS text STABLE LANGUAGE sql AS $$
  SELECT json_build_object('version', 1, 'device', of_device, 'arrived', coalesce(
    (SELECT json_agg(json_build_object('run', run, 'tick', upto, 'offset_ms', offset_ms, 'clock_ok', clock_ok)
                     ORDER BY moved_at DESC)
     FROM (SELECT * FROM history.runs WHERE device = of_device AND upto > 0 ORDER BY moved_at DESC LIMIT 8) r),
    '[]'::json))::text
$$;

-- The receipt of each board, to be said again when the agent starts.
CREATE FUNCTION history.receipts() RETURNS TABLE (topic text, receipt text) STABLE LANGUAGE sql AS $$
  SELECT 'probe-agent/' || device || '/history/arrived', history.receipt_of(device)
  FROM (SELECT DISTINCT device FROM history.runs) d
$$;

CREATE FUNCTION history.mend(of_device text, of_run text, clock jsonb) RETURNS void LANGUAGE sql AS $$
  UPDATE history.runs
  SET offset_ms = (clock->>'offset_ms')::bigint, clock_ok = (clock->>'ok')::boolean,
      as_of = (clock->>'as_of')::bigint
  WHERE device = of_device AND run = of_run AND as_of <= (clock->>'as_of')::bigint
$$;

CREATE FUNCTION history.keep(d text, m jsonb) RETURNS void LANGUAGE plpgsql AS $$
DECLARE
  r text := m->>'run';
  last bigint := (m->>'upto')::bigint;
  before jsonb := nullif(m->'after', 'null');
  fresh bigint;
BEGIN
  INSERT INTO history.runs (device, run, boot, simulated, offset_ms, clock_ok, as_of)
    VALUES (d, r, m->>'boot', (m->>'simulated')::boolean, (m#>>'{clock,offset_ms}')::bigint,
            (m#>>'{clock,ok}')::boolean, (m#>>'{clock,as_of}')::bigint)
    ON CONFLICT DO NOTHING;
  PERFORM history.mend(d, r, m->'clock');
  PERFORM history.mend(d, before->>'run', before->'clock');
  WITH came AS (
    INSERT INTO history.ticks AS had (device, run, tick, mono_ms, heater)
      SELECT d, r, (t->>'tick')::bigint, (t->>'mono_ms')::bigint, (t->>'heater')::double precision
      FROM jsonb_array_elements(m->'ticks') t
      ON CONFLICT (device, run, tick) DO UPDATE SET times = had.times + 1, last_at = clock_timestamp()
      RETURNING times
  ) SELECT count(*) FILTER (WHERE times = 1) INTO fresh FROM came;
  INSERT INTO history.readings (device, run, tick, place, c, fault)
    SELECT d, r, (t->>'tick')::bigint, p.key,
           CASE jsonb_typeof(p.value) WHEN 'number' THEN (p.value #>> '{}')::double precision END,
           CASE jsonb_typeof(p.value) WHEN 'string' THEN p.value #>> '{}' END
    FROM jsonb_array_elements(m->'ticks') t, jsonb_each(t->'places') p
    ON CONFLICT DO NOTHING;
  INSERT INTO history.arrivals (device, run, sequence, upto, ticks, duplicates)
    VALUES (d, r, (m->>'sequence')::bigint, last, jsonb_array_length(m->'ticks'),
            jsonb_array_length(m->'ticks') - fresh);
  -- Only what follows on what is here counts as arrived: in between, something is missing still.
  UPDATE history.runs SET upto = last, moved_at = clock_timestamp()
    WHERE device = d AND run = r AND upto < last AND (before IS NULL OR EXISTS (
      SELECT FROM history.runs b
      WHERE b.device = d AND b.run = before->>'run' AND b.upto >= (before->>'tick')::bigint));
END $$;

-- One message; the receipt to be published, nothing for what is refused. The topic says whose it is: that is what
-- the broker's access rules hold.
CREATE FUNCTION history.arrive(on_topic text, payload text) RETURNS TABLE (topic text, receipt text)
LANGUAGE plpgsql AS $$
DECLARE
  d text := split_part(on_topic, '/', 2);
  m jsonb;
BEGIN
  BEGIN
    m := payload::jsonb;
    IF m->'version' IS DISTINCT FROM '1'::jsonb OR m->>'device' IS DISTINCT FROM d THEN
      RAISE data_exception USING MESSAGE = 'not version 1, or of another device than its topic';
    END IF;
    PERFORM history.keep(d, m);
  EXCEPTION WHEN data_exception OR integrity_constraint_violation OR cardinality_violation THEN
    INSERT INTO history.refused (topic, why, beginning) VALUES (on_topic, SQLERRM, left(payload, 2000));
    RETURN;
  END;
  RETURN QUERY SELECT on_topic || '/arrived', history.receipt_of(d);
END $$;
