-- An instance of the program before this one may still be taking in readings.
LOCK TABLE readings IN SHARE ROW EXCLUSIVE MODE;

-- The readings of a series and day, summed up by the hour: what nights work
-- with instead of the readings. Days are numbered from 1970-01-01, UTC; an id is
-- series * 2^20 + day, so that the days of a series lie side by side.
CREATE TABLE reading_days (
    id BIGINT NOT NULL PRIMARY KEY,
    series_id BIGINT NOT NULL REFERENCES reading_series (id),
    hours BYTEA NOT NULL
);

-- Days whose readings have changed since they were summed up, or never were.
CREATE TABLE stale_reading_days (
    series_id BIGINT NOT NULL REFERENCES reading_series (id),
    day BIGINT NOT NULL,
    PRIMARY KEY (series_id, day)
);

INSERT INTO stale_reading_days (series_id, day)
SELECT DISTINCT series_id, CAST(floor(extract(epoch FROM at) / 86400) AS BIGINT) FROM readings;
