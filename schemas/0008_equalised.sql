-- Version 8: what speakers are with the filters that mend them, worked out once (method:metrics#equalisation).
-- basis: of which sessions, by which definitions; another one is out of date. filters: JSON, a list of {kind, frequency_hz, gain_db, q}.
-- withheld: why the filters found are not in use; refused: why the speaker can't be judged.
CREATE TABLE equalised (
    speaker_id INTEGER NOT NULL, setting VARCHAR NOT NULL, basis VARCHAR NOT NULL, filters VARCHAR NOT NULL,
    withheld VARCHAR, refused VARCHAR
);
-- Values with filters, in the columns of pooled_value; none where no filter is in use: then those stand.
CREATE TABLE equalised_value AS SELECT * FROM pooled_value LIMIT 0;
