-- Version 4: errors in layers. A value is told as measured; what its own errors, its bench and its sample may do to it stands beside it.
-- Scales: se and bias are on the metric's scale (log2 where ratios count), values and ends of intervals in its unit; NULL: none, or open.

DROP TABLE draw;
DROP TABLE lab_error;

-- How sure each session's values are. bias: the noise's first helping, by which `low` (or `high`) reaches further.
-- absolute: the bench's own error included; unit: another unit of the model, too. other_*: the second branch of a value that is one of two.
CREATE TABLE uncertainty (
    session_id INTEGER NOT NULL, metric_no SMALLINT NOT NULL,
    se DOUBLE NOT NULL, bias DOUBLE NOT NULL, low DOUBLE, high DOUBLE,
    se_bench DOUBLE NOT NULL, bias_bench DOUBLE NOT NULL, low_absolute DOUBLE, high_absolute DOUBLE,
    se_sample DOUBLE NOT NULL, sample_down DOUBLE NOT NULL, sample_up DOUBLE NOT NULL,
    low_unit DOUBLE, high_unit DOUBLE, noise_limited BOOLEAN NOT NULL,
    other_value DOUBLE, other_se DOUBLE, other_low DOUBLE, other_high DOUBLE, other_share DOUBLE
);
-- Draws of a session's values about their median, in eighths of the layer's standard error: a column m<metric_no> per metric, so that
-- one metric's are read alone. bench_draw: of what feels the bench (levels and shapes of response; not directivity).
CREATE TABLE own_draw (session_id INTEGER NOT NULL);
CREATE TABLE bench_draw (session_id INTEGER NOT NULL);

ALTER TABLE pooled_value DROP COLUMN corrected;
ALTER TABLE pooled_value DROP COLUMN se_calibration;
ALTER TABLE pooled_value ADD COLUMN bias DOUBLE;
ALTER TABLE pooled_value ADD COLUMN se_bench DOUBLE;
ALTER TABLE pooled_value ADD COLUMN bias_bench DOUBLE;
ALTER TABLE pooled_value ADD COLUMN low_absolute DOUBLE;
ALTER TABLE pooled_value ADD COLUMN high_absolute DOUBLE;
ALTER TABLE pooled_value ADD COLUMN se_sample DOUBLE;
ALTER TABLE pooled_value ADD COLUMN low_unit DOUBLE;
ALTER TABLE pooled_value ADD COLUMN high_unit DOUBLE;
ALTER TABLE pooled_value ADD COLUMN noise_limited BOOLEAN;
ALTER TABLE pooled_value ADD COLUMN other_value DOUBLE;
ALTER TABLE pooled_value ADD COLUMN other_se DOUBLE;
ALTER TABLE pooled_value ADD COLUMN other_low DOUBLE;
ALTER TABLE pooled_value ADD COLUMN other_high DOUBLE;
ALTER TABLE pooled_value ADD COLUMN other_share DOUBLE;

-- What the sizes of errors rest on: a row per part and version, the newest counts; version 0, the defaults, has no rows.
-- factor: on the default's standard deviation; n: speakers (benches: specimens) it was learned from; of_sessions: how many sessions.
CREATE TABLE error_model (
    version INTEGER NOT NULL, adopted_at TIMESTAMP NOT NULL, part VARCHAR NOT NULL, factor DOUBLE NOT NULL,
    n INTEGER NOT NULL, of_sessions INTEGER NOT NULL
);
-- A bench brought in line with another: offset_db is added to its curves before any metric.
CREATE TABLE bench_alignment (
    version INTEGER NOT NULL, bench VARCHAR NOT NULL, to_bench VARCHAR NOT NULL, offset_db FLOAT[199] NOT NULL,
    residual_sd_db DOUBLE NOT NULL, n INTEGER NOT NULL
);
-- session.error_model names the program's error model and the adopted version: '3|0'. Others are worked out anew.
ALTER TABLE session DROP COLUMN error_model;
ALTER TABLE session ADD COLUMN error_model VARCHAR;
-- What the listening axis is picked from, also when sessions are pooled: never across the angles that each of them prefers.
CREATE TABLE listening_axis (session_id INTEGER NOT NULL, angle_deg INTEGER NOT NULL, nbd_db DOUBLE, treble_db DOUBLE);
-- What benches stand behind a pooled value: JSON [[bench, weight], …]; the reference bench is the one with most sessions.
ALTER TABLE pooled_value ADD COLUMN pattern_no INTEGER;
CREATE TABLE bench_pattern (pattern_no INTEGER PRIMARY KEY, benches VARCHAR NOT NULL);
