-- The readings of a series and day, summed up by the hour: what nights work
-- with instead of the readings. Days are numbered from 1970-01-01, UTC; an id is
-- series * 2^20 + day, so that the days of a series lie side by side.
CREATE TABLE reading_days (
    id INTEGER NOT NULL PRIMARY KEY,
    series_id INTEGER NOT NULL REFERENCES reading_series (id),
    hours BLOB NOT NULL
);

-- Days whose readings have changed since they were summed up, or never were.
CREATE TABLE stale_reading_days (
    series_id INTEGER NOT NULL REFERENCES reading_series (id),
    day INTEGER NOT NULL,
    PRIMARY KEY (series_id, day)
) WITHOUT ROWID;

INSERT INTO stale_reading_days (series_id, day)
SELECT DISTINCT series_id, CAST(strftime('%s', at) AS INTEGER) / 86400 FROM readings;
