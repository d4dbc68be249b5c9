-- Version 3: how large a lab's errors are, where `derive --labs` has learned it from speakers that labs share.
-- factor: on the error model's own standard deviation of that part; a session's own figure stands before it.
CREATE TABLE lab_error (lab_id INTEGER NOT NULL, part VARCHAR NOT NULL, factor DOUBLE NOT NULL, speakers INTEGER NOT NULL);
