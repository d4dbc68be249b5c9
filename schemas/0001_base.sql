-- Version 1: measured sessions, their curves and the values derived from them.
-- Surrogate keys are plain integers without foreign-key constraints: DuckDB refuses updates and deletes of
-- referenced rows inside one transaction; `speakerdb verify` looks for orphans instead.

CREATE TABLE schema_version (version INTEGER NOT NULL, applied_at TIMESTAMP NOT NULL, program VARCHAR NOT NULL);

-- One row: the short id of what the file now holds, and when it became so.
CREATE TABLE db_state (state VARCHAR NOT NULL, speakers INTEGER NOT NULL, changed_at TIMESTAMP NOT NULL);

CREATE TABLE maker (maker_id INTEGER PRIMARY KEY, name VARCHAR NOT NULL);
CREATE TABLE speaker (
    speaker_id INTEGER PRIMARY KEY, maker_id INTEGER NOT NULL, slug VARCHAR NOT NULL, model VARCHAR NOT NULL
);
-- Names a speaker had before `rename` or `merge`: they still find it.
CREATE TABLE speaker_alias (alias VARCHAR NOT NULL, speaker_id INTEGER NOT NULL);
CREATE TABLE lab (lab_id INTEGER PRIMARY KEY, name VARCHAR NOT NULL);

-- Size, mass, year, kind …: rows of their own, the newest wins. session_id NULL: brought in by `speakerdb facts`.
CREATE TABLE fact (
    fact_id INTEGER PRIMARY KEY, speaker_id INTEGER NOT NULL, name VARCHAR NOT NULL, value VARCHAR NOT NULL,
    source VARCHAR, date DATE, session_id INTEGER
);
-- Prices are only ever added.
CREATE TABLE price (
    price_id INTEGER PRIMARY KEY, speaker_id INTEGER NOT NULL, amount DOUBLE NOT NULL, currency VARCHAR NOT NULL,
    per VARCHAR NOT NULL, kind VARCHAR NOT NULL, date DATE, source VARCHAR, session_id INTEGER
);

CREATE TABLE session (
    session_id INTEGER PRIMARY KEY,
    session VARCHAR NOT NULL,            -- first 10 hex digits of the SHA-256 of the key
    content_hash VARCHAR NOT NULL,
    speaker_id INTEGER NOT NULL, lab_id INTEGER NOT NULL,
    sample VARCHAR NOT NULL, setting VARCHAR NOT NULL, date DATE NOT NULL, repeat INTEGER NOT NULL,
    method VARCHAR NOT NULL, run VARCHAR, calibration VARCHAR, default_setting BOOLEAN NOT NULL,
    level_is VARCHAR NOT NULL, resolution_per_octave DOUBLE NOT NULL,
    info JSON NOT NULL,                  -- everything session.toml said, with what it inherited
    folder VARCHAR NOT NULL, ingested_at TIMESTAMP NOT NULL,
    status VARCHAR NOT NULL,             -- active | superseded | withdrawn: only active ones count
    status_reason VARCHAR
);

-- Levels on the analysis grid, rounded to 0.01 dB. Rebuilt from source_file by `derive --from-raw`.
CREATE TABLE curve (session_id INTEGER NOT NULL, orbit VARCHAR NOT NULL, angle_deg FLOAT NOT NULL, level FLOAT[199]);
CREATE TABLE sweep (
    session_id INTEGER NOT NULL,
    kind VARCHAR NOT NULL,               -- distortion | compression | impedance | sphere_power
    component VARCHAR NOT NULL, drive_db FLOAT NOT NULL, level FLOAT[199]
);
CREATE TABLE summary_curve (session_id INTEGER NOT NULL, part VARCHAR NOT NULL, level FLOAT[199]);

CREATE TABLE metric (
    metric_no SMALLINT PRIMARY KEY, id VARCHAR NOT NULL, label VARCHAR NOT NULL, unit VARCHAR NOT NULL,
    better VARCHAR NOT NULL, definition VARCHAR NOT NULL, source VARCHAR NOT NULL, step DOUBLE NOT NULL,
    matters DOUBLE NOT NULL, version INTEGER NOT NULL
);
CREATE TABLE metric_value (
    session_id INTEGER NOT NULL, metric_no SMALLINT NOT NULL, value DOUBLE, censored VARCHAR NOT NULL,
    status VARCHAR NOT NULL, reason VARCHAR
);
-- Values and curves of one speaker in one setting, pooled over its active sessions.
CREATE TABLE pooled_value (
    speaker_id INTEGER NOT NULL, setting VARCHAR NOT NULL, metric_no SMALLINT NOT NULL, value DOUBLE, corrected DOUBLE,
    se DOUBLE, low DOUBLE, high DOUBLE, censored VARCHAR NOT NULL, status VARCHAR NOT NULL, reason VARCHAR,
    disagree BOOLEAN NOT NULL
);
CREATE TABLE pooled_curve (speaker_id INTEGER NOT NULL, setting VARCHAR NOT NULL, part VARCHAR NOT NULL, level FLOAT[199]);
CREATE TABLE speaker_setting (
    speaker_id INTEGER NOT NULL, setting VARCHAR NOT NULL, is_default BOOLEAN NOT NULL, sessions INTEGER NOT NULL
);

-- The files exactly as they came, compressed with Zstandard.
CREATE TABLE source_file (
    session_id INTEGER NOT NULL, name VARCHAR NOT NULL, sha256 VARCHAR NOT NULL, size BIGINT NOT NULL, zstd BLOB NOT NULL
);

CREATE VIEW current_fact AS
SELECT f.speaker_id, f.name, arg_max(f.value, (coalesce(f.date, DATE '0001-01-01'), f.fact_id)) AS value,
       count(DISTINCT f.value) AS distinct_values
FROM fact f LEFT JOIN session s ON s.session_id = f.session_id
WHERE f.session_id IS NULL OR s.status = 'active'
GROUP BY f.speaker_id, f.name;

CREATE VIEW speaker_facts AS
SELECT sp.speaker_id, sp.slug AS speaker, m.name AS maker, sp.model,
       max(c.value) FILTER (c.name = 'kind') AS kind,
       try_cast(max(c.value) FILTER (c.name = 'powered') AS BOOLEAN) AS powered,
       try_cast(max(c.value) FILTER (c.name = 'height_mm') AS DOUBLE) AS height_mm,
       try_cast(max(c.value) FILTER (c.name = 'width_mm') AS DOUBLE) AS width_mm,
       try_cast(max(c.value) FILTER (c.name = 'depth_mm') AS DOUBLE) AS depth_mm,
       height_mm * width_mm * depth_mm / 1e6 AS volume_l,
       try_cast(max(c.value) FILTER (c.name = 'mass_kg') AS DOUBLE) AS mass_kg,
       max(c.value) FILTER (c.name = 'layout') AS layout,
       max(c.value) FILTER (c.name = 'enclosure') AS enclosure,
       try_cast(max(c.value) FILTER (c.name = 'year') AS INTEGER) AS year,
       try_cast(max(c.value) FILTER (c.name = 'claimed_max_db') AS DOUBLE) AS claimed_max_db,
       try_cast(max(c.value) FILTER (c.name = 'claim_pair') AS BOOLEAN) AS claim_pair,
       try_cast(max(c.value) FILTER (c.name = 'claim_distance_m') AS DOUBLE) AS claim_distance_m
FROM speaker sp JOIN maker m USING (maker_id) LEFT JOIN current_fact c USING (speaker_id)
GROUP BY sp.speaker_id, sp.slug, m.name, sp.model;

-- The newest price of each kind and currency, for a pair.
CREATE VIEW current_price AS
SELECT p.speaker_id, p.currency, p.kind,
       arg_max(p.amount * CASE WHEN p.per = 'each' THEN 2 ELSE 1 END,
               (coalesce(p.date, DATE '0001-01-01'), p.price_id)) AS price_pair,
       max(p.date) AS date
FROM price p LEFT JOIN session s ON s.session_id = p.session_id
WHERE p.session_id IS NULL OR s.status <> 'withdrawn'
GROUP BY p.speaker_id, p.currency, p.kind;
