-- The mirror's schema, version 1; docs/many-rigs.md describes it. Run once, in one transaction, by whoever comes first and may
-- make tables: its role owns them. Later versions are files beside this one.
CREATE SCHEMA nightwatt;
SET LOCAL search_path = nightwatt;

CREATE TABLE version (number integer NOT NULL);
INSERT INTO version VALUES (1);

CREATE TABLE rig (
  id integer GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
  name text NOT NULL UNIQUE,
  role name NOT NULL DEFAULT current_user,        -- who may write its rows
  store_mark bigint NOT NULL DEFAULT 0,           -- tells its store from another
  last_event bigint NOT NULL DEFAULT 0,           -- number of the newest event that is here
  notes_print text NOT NULL DEFAULT '',           -- of the marks, meters and shifts that are here
  seen timestamptz NOT NULL DEFAULT now()
);

CREATE TABLE meter (                              -- a stream of readings: a meter's, or an imported file's (name NULL)
  rig integer NOT NULL REFERENCES rig,
  stream bigint NOT NULL,
  name text,
  last_us bigint,                                 -- the cursor: the newest reading that is here
  readings bigint NOT NULL DEFAULT 0,             -- how many are
  PRIMARY KEY (rig, stream)
);

CREATE TABLE reading (                            -- exactly the digits that the meter gave; at is the record's time
  rig integer NOT NULL,
  stream integer NOT NULL,
  at timestamptz NOT NULL,
  power_w numeric, voltage_v numeric, current_a numeric, power_factor numeric, frequency_hz numeric,
  energy_wh numeric, energy_export_wh numeric, apparent_va numeric, reactive_var numeric,
  PRIMARY KEY (rig, stream, at)
) PARTITION BY RANGE (at);

CREATE TABLE run (
  number bigint GENERATED ALWAYS AS IDENTITY UNIQUE, -- the run's number in the mirror, for ever
  rig integer NOT NULL REFERENCES rig,
  run bigint NOT NULL,                            -- its number on the rig
  stream bigint,
  device text,
  origin text NOT NULL,                           -- automatic, by_hand, imported, entered
  begin_at timestamptz NOT NULL,                  -- the calendar as last corrected during the run, like all below
  end_at timestamptz,
  pinned boolean NOT NULL,
  print text NOT NULL,                            -- of all that the rig has of it, and the program's version
  summary jsonb NOT NULL,                         -- what summary RUN --json says
  PRIMARY KEY (rig, run)
);
CREATE INDEX run_by_device ON run (device, begin_at DESC);

CREATE TABLE segment (
  rig integer NOT NULL,
  run bigint NOT NULL,
  place integer NOT NULL,
  kind text NOT NULL,
  begin_at timestamptz NOT NULL,
  end_at timestamptz NOT NULL,
  samples bigint, level_w double precision, uncertainty_w double precision, mean_w double precision,
  settled_w double precision, settling_s double precision, lowest_w double precision, highest_w double precision,
  energy_wh double precision, excursions bigint, open boolean,
  PRIMARY KEY (rig, run, place),
  FOREIGN KEY (rig, run) REFERENCES run ON DELETE CASCADE
);

CREATE TABLE run_row (                            -- the rig's own rows of the run, packed: the figures can be made anew of them
  rig integer NOT NULL,
  run bigint NOT NULL,
  place integer NOT NULL,
  bytes bytea NOT NULL,
  PRIMARY KEY (rig, run, place),
  FOREIGN KEY (rig, run) REFERENCES run ON DELETE CASCADE
);

CREATE TABLE note_row (                           -- the rig's own rows of its meters, marks and shifts, packed
  rig integer NOT NULL REFERENCES rig,
  place integer NOT NULL,
  bytes bytea NOT NULL,
  PRIMARY KEY (rig, place)
);

CREATE TABLE mark (
  rig integer NOT NULL REFERENCES rig,
  mark bigint NOT NULL,
  run bigint,
  meter text,
  at timestamptz NOT NULL,
  text text NOT NULL,
  kind integer,
  PRIMARY KEY (rig, mark)
);

CREATE TABLE event (
  rig integer NOT NULL REFERENCES rig,
  event bigint NOT NULL,
  kind text NOT NULL,
  at timestamptz NOT NULL,
  meter text,
  detail text NOT NULL,
  amount double precision NOT NULL,
  PRIMARY KEY (rig, event)
);

-- Only the owner may make tables; a rig asks for the month it needs.
CREATE FUNCTION make_month(at timestamptz) RETURNS void LANGUAGE plpgsql SECURITY DEFINER SET search_path = nightwatt, pg_temp AS $$
DECLARE
  first timestamptz := date_trunc('month', at, 'UTC');
  next timestamptz := date_trunc('month', first + interval '32 days', 'UTC');
  name text := 'reading_' || to_char(first AT TIME ZONE 'UTC', 'YYYY_MM');
BEGIN
  IF to_regclass('nightwatt.' || name) IS NOT NULL THEN RETURN; END IF;
  PERFORM pg_advisory_xact_lock(hashtext('nightwatt.make_month'));
  IF to_regclass('nightwatt.' || name) IS NOT NULL THEN RETURN; END IF;
  EXECUTE format('CREATE TABLE %I PARTITION OF reading FOR VALUES FROM (%L) TO (%L)', name, first, next);
END $$;

-- The newest run of each named device of any rig, and every entered row: what `nightwatt --mirror ... compare` shows.
CREATE VIEW figure WITH (security_invoker) AS
  SELECT rig.name AS rig, run.number, run.run, run.device, run.origin, run.begin_at, run.end_at,
    (summary->>'idle_w')::double precision AS idle_w, (summary->>'idle_uncertainty_w')::double precision AS idle_uncertainty_w,
    (summary->>'load_w')::double precision AS load_w, (summary->>'load_uncertainty_w')::double precision AS load_uncertainty_w,
    (summary->>'standby_w')::double precision AS standby_w, (summary->>'standby_uncertainty_w')::double precision AS standby_uncertainty_w,
    (summary->>'sustained_w')::double precision AS sustained_w, (summary->>'sustained_uncertainty_w')::double precision AS sustained_uncertainty_w,
    (summary->>'baseline_w')::double precision AS baseline_w, (summary->>'baseline_uncertainty_w')::double precision AS baseline_uncertainty_w,
    (summary->>'energy_wh')::double precision AS energy_wh, (summary->>'peak_w')::double precision AS peak_w,
    (summary->>'samples')::bigint AS samples
  FROM run JOIN rig ON rig.id = run.rig;
CREATE VIEW compare WITH (security_invoker) AS
  SELECT * FROM (SELECT DISTINCT ON (device) * FROM figure WHERE device IS NOT NULL AND origin <> 'entered'
                 ORDER BY device, begin_at DESC, number DESC) AS newest
  UNION ALL SELECT * FROM figure WHERE origin = 'entered';
CREATE VIEW state WITH (security_invoker) AS
  SELECT rig.name AS rig, run.number, run.run, run.device, x.*
  FROM run JOIN rig ON rig.id = run.rig,
    jsonb_to_recordset(CASE WHEN jsonb_typeof(summary->'states') = 'array' THEN summary->'states' ELSE '[]' END)
      AS x(kind text, level_w double precision, uncertainty_w double precision, time_s double precision, times bigint);

-- A rig reads everything and writes its own rows alone. The owner of the tables is bound too.
CREATE POLICY see ON rig FOR SELECT USING (true);
CREATE POLICY own ON rig FOR ALL USING (role = current_user) WITH CHECK (role = current_user);
DO $$
DECLARE
  name text;
BEGIN
  FOREACH name IN ARRAY ARRAY['meter', 'reading', 'run', 'segment', 'run_row', 'note_row', 'mark', 'event'] LOOP
    EXECUTE format('CREATE POLICY see ON %I FOR SELECT USING (true)', name);
    EXECUTE format('CREATE POLICY own ON %I FOR ALL USING (rig = ANY (ARRAY(SELECT id FROM rig WHERE role = current_user)))', name);
  END LOOP;
  FOREACH name IN ARRAY ARRAY['rig', 'meter', 'reading', 'run', 'segment', 'run_row', 'note_row', 'mark', 'event'] LOOP
    EXECUTE format('ALTER TABLE %I ENABLE ROW LEVEL SECURITY', name);
    EXECUTE format('ALTER TABLE %I FORCE ROW LEVEL SECURITY', name);
  END LOOP;
END $$;

-- Groups to put people and rigs into, where whoever runs this may make roles: GRANT nightwatt_rig TO the_rig;
DO $$
DECLARE
  name text;
BEGIN
  FOREACH name IN ARRAY ARRAY['nightwatt_rig', 'nightwatt_reader'] LOOP
    IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = name) THEN
      EXECUTE format('CREATE ROLE %I NOLOGIN', name);
    END IF;
  END LOOP;
  GRANT USAGE ON SCHEMA nightwatt TO nightwatt_rig, nightwatt_reader;
  GRANT SELECT ON ALL TABLES IN SCHEMA nightwatt TO nightwatt_rig, nightwatt_reader;
  GRANT INSERT, UPDATE, DELETE ON rig, meter, reading, run, segment, run_row, note_row, mark, event TO nightwatt_rig;
  GRANT EXECUTE ON FUNCTION make_month TO nightwatt_rig;
EXCEPTION WHEN insufficient_privilege THEN
  RAISE NOTICE 'no roles were made: this role alone can use the mirror';
END $$;
REVOKE EXECUTE ON FUNCTION make_month FROM PUBLIC;
