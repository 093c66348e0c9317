-- Days of which nothing is lost when they are summed up as a whole: what nights
-- work with long after. A day goes when its hours go, whoever deletes them.
CREATE TABLE whole_days (
    id BIGINT NOT NULL PRIMARY KEY REFERENCES reading_days (id) ON DELETE CASCADE,
    sums BYTEA NOT NULL
);

-- The next night sums all days up anew, and sees which are whole.
INSERT INTO stale_reading_days (series_id, day)
SELECT series_id, id - series_id * 1048576 FROM reading_days
ON CONFLICT DO NOTHING;
