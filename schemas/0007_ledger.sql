-- Version 7: what became of each file of a session's folder, and since when a session counts no more.
ALTER TABLE session ADD COLUMN ledger VARCHAR; -- JSON: a list of {file, read_as, why_not}
ALTER TABLE session ADD COLUMN status_since DATE;
-- What tables held when they were last written; library: the version whose hash it is.
CREATE TABLE table_digest (name VARCHAR NOT NULL, digest VARCHAR NOT NULL, library VARCHAR NOT NULL);
