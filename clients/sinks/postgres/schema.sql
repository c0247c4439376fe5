-- Tables that hold a lab's record for questions in SQL, and views to begin with. What is
-- append-only in the record is so here; what is folded (samples and what is known of
-- them) is as it is now. Units are UCUM codes, times UTC.
CREATE SCHEMA IF NOT EXISTS evenbench;
SET LOCAL search_path TO evenbench;

-- Where to go on. It moves in the transaction that writes the rows.
CREATE TABLE IF NOT EXISTS position (
  record_id text PRIMARY KEY,
  cursor bigint NOT NULL
);

CREATE TABLE IF NOT EXISTS run (
  id integer PRIMARY KEY,
  instrument text NOT NULL, run text NOT NULL UNIQUE, station text NOT NULL, sheet text NOT NULL,
  device text NOT NULL, opened_at timestamptz, cursor bigint NOT NULL
);

CREATE TABLE IF NOT EXISTS channel (
  run integer NOT NULL REFERENCES run, channel text NOT NULL,
  quantity text NOT NULL, basis text NOT NULL, unit text NOT NULL, property text NOT NULL, role text NOT NULL,
  PRIMARY KEY (run, channel)
);

-- One row a reading. Value is null where there is none; sample is what it was bound to when
-- it was recorded, see the view readings for what counts now.
CREATE TABLE IF NOT EXISTS reading (
  run integer NOT NULL, number bigint NOT NULL, channel text NOT NULL, at timestamptz NOT NULL,
  value double precision, standard_uncertainty double precision,
  quality text NOT NULL, reasons text NOT NULL,
  device_value double precision, device_text text NOT NULL, calibration text NOT NULL,
  sample text, cursor bigint NOT NULL,
  PRIMARY KEY (run, number)
);

CREATE TABLE IF NOT EXISTS gap (
  run text NOT NULL, instrument text NOT NULL, first_number bigint NOT NULL, missing bigint NOT NULL,
  since timestamptz, until timestamptz, reason text NOT NULL, cursor bigint PRIMARY KEY
);

-- Readings that were given to a sample, or taken from one, afterwards: the last word counts.
CREATE TABLE IF NOT EXISTS assignment (
  run integer NOT NULL, first_number bigint NOT NULL, last_number bigint NOT NULL,
  sample text, reason text NOT NULL, cursor bigint PRIMARY KEY
);

-- Readings of a roast, from the first to the last; last is null while it goes on.
CREATE TABLE IF NOT EXISTS roast_part (
  roast text NOT NULL, run integer NOT NULL, first_number bigint NOT NULL, last_number bigint, cursor bigint PRIMARY KEY
);
CREATE INDEX IF NOT EXISTS roast_part_of ON roast_part (roast);

CREATE TABLE IF NOT EXISTS sample (
  sample text PRIMARY KEY, revision bigint NOT NULL, as_of bigint NOT NULL,
  kind text NOT NULL, lot text NOT NULL, ico_mark text NOT NULL, coffee_year text NOT NULL,
  process text NOT NULL, origin text NOT NULL, registered_at timestamptz, queued_for text NOT NULL
);

CREATE TABLE IF NOT EXISTS measurement (
  sample text NOT NULL REFERENCES sample ON DELETE CASCADE, taken bigint NOT NULL, property text NOT NULL,
  value double precision, standard_uncertainty double precision, unit text NOT NULL, basis text NOT NULL,
  quality text NOT NULL, reasons text NOT NULL, at timestamptz, station text NOT NULL, roast text NOT NULL,
  instrument text NOT NULL, run text NOT NULL, number bigint NOT NULL, device_text text NOT NULL,
  calibration text NOT NULL, superseded boolean NOT NULL
);
CREATE INDEX IF NOT EXISTS measurement_of ON measurement (sample);

CREATE TABLE IF NOT EXISTS roast (
  sample text NOT NULL REFERENCES sample ON DELETE CASCADE, roast text NOT NULL, station text NOT NULL,
  instrument text NOT NULL, charged_at timestamptz, state text NOT NULL
);
CREATE INDEX IF NOT EXISTS roast_of ON roast (sample);

CREATE TABLE IF NOT EXISTS mark (
  sample text NOT NULL REFERENCES sample ON DELETE CASCADE, roast text NOT NULL, mark text NOT NULL,
  at timestamptz, elapsed_s double precision NOT NULL, bean_cel double precision, method text NOT NULL, actor text NOT NULL
);
CREATE INDEX IF NOT EXISTS mark_of ON mark (sample);

CREATE TABLE IF NOT EXISTS finding (
  sample text NOT NULL REFERENCES sample ON DELETE CASCADE, roast text NOT NULL, finding text NOT NULL,
  value double precision, unit text NOT NULL, standard_uncertainty double precision, method text NOT NULL, cursor bigint NOT NULL
);
CREATE INDEX IF NOT EXISTS finding_of ON finding (sample);

CREATE TABLE IF NOT EXISTS verdict (
  sample text NOT NULL REFERENCES sample ON DELETE CASCADE, roast text NOT NULL, criteria text NOT NULL, digest text NOT NULL,
  subject text NOT NULL, verdict text NOT NULL, value double precision, standard_uncertainty double precision,
  unit text NOT NULL, low double precision, high double precision, source text NOT NULL, remark text NOT NULL
);
CREATE INDEX IF NOT EXISTS verdict_of ON verdict (sample);

-- One row a sample, with what a person asks for first.
CREATE OR REPLACE VIEW samples AS
SELECT s.sample, s.kind, s.lot, s.process, s.origin, s.registered_at,
  (SELECT m.value FROM measurement m WHERE m.sample = s.sample AND m.property = 'moisture' AND NOT m.superseded AND m.roast = '' ORDER BY m.taken DESC LIMIT 1) AS moisture,
  (SELECT m.basis FROM measurement m WHERE m.sample = s.sample AND m.property = 'moisture' AND NOT m.superseded AND m.roast = '' ORDER BY m.taken DESC LIMIT 1) AS moisture_basis,
  (SELECT count(*) FROM roast r WHERE r.sample = s.sample) AS roasts,
  (SELECT f.value FROM finding f WHERE f.sample = s.sample AND f.finding = 'loss_in_mass' ORDER BY f.cursor DESC LIMIT 1) AS loss_in_mass_percent
FROM sample s;

-- One row a roast, with its main findings.
CREATE OR REPLACE VIEW roasts AS
SELECT r.roast, r.sample, s.lot, r.station, r.charged_at, r.state,
  max(f.value) FILTER (WHERE f.finding = 'total_time') AS total_time_s,
  max(f.value) FILTER (WHERE f.finding = 'development_time') AS development_time_s,
  max(f.value) FILTER (WHERE f.finding = 'loss_in_mass') AS loss_in_mass_percent,
  max(f.value) FILTER (WHERE f.finding = 'dry_matter_loss') AS dry_matter_loss_percent
FROM roast r JOIN sample s USING (sample) LEFT JOIN finding f ON f.sample = r.sample AND f.roast = r.roast
GROUP BY r.roast, r.sample, s.lot, r.station, r.charged_at, r.state;

-- The measurements that count.
CREATE OR REPLACE VIEW latest_measurements AS
SELECT sample, roast, property, value, standard_uncertainty, unit, basis, quality, reasons, at, instrument
FROM measurement WHERE NOT superseded;

-- One row a value held against a window.
CREATE OR REPLACE VIEW verdicts AS
SELECT v.sample, s.lot, v.roast, v.criteria, v.subject, v.verdict, v.value, v.standard_uncertainty, v.unit, v.low, v.high, v.source, v.remark
FROM verdict v JOIN sample s USING (sample);

-- One row a reading, with its unit, and with the sample and roast that count now.
CREATE OR REPLACE VIEW readings AS
SELECT u.instrument, u.run, r.number, r.at, r.channel, c.quantity, r.value, c.unit, c.basis, r.standard_uncertainty,
  r.quality, r.reasons, r.device_value, r.device_text, r.calibration,
  CASE WHEN a.cursor IS NULL THEN r.sample ELSE a.sample END AS sample, p.roast, r.cursor
FROM reading r JOIN run u ON u.id = r.run LEFT JOIN channel c ON c.run = r.run AND c.channel = r.channel
LEFT JOIN LATERAL (SELECT x.sample, x.cursor FROM assignment x
  WHERE x.run = r.run AND r.number BETWEEN x.first_number AND x.last_number ORDER BY x.cursor DESC LIMIT 1) a ON true
LEFT JOIN LATERAL (SELECT x.roast FROM roast_part x
  WHERE x.run = r.run AND r.number >= x.first_number AND (x.last_number IS NULL OR r.number <= x.last_number) ORDER BY x.cursor DESC LIMIT 1) p ON true;
