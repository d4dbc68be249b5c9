-- Version 2: how sure the values are. Draws of the error model, kept as whole sixteenths of the standard error about the
-- corrected value, so that differences, ranks and frontiers need no recomputation.

CREATE TABLE draw (
    session_id INTEGER NOT NULL, metric_no SMALLINT NOT NULL, corrected DOUBLE NOT NULL, se DOUBLE NOT NULL,
    low DOUBLE, high DOUBLE,             -- an open end is NULL
    se_calibration DOUBLE NOT NULL,      -- what the calibration alone does
    draws TINYINT[400] NOT NULL
);
-- Version of the error model that a session's draws come from; NULL: still to be worked out by `derive`.
ALTER TABLE session ADD COLUMN error_model INTEGER;
ALTER TABLE pooled_value ADD COLUMN se_calibration DOUBLE;
