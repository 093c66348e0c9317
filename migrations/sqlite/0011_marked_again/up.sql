-- A mark of a stale day has a token that is another whenever the day is marked
-- again, so that whoever has summed it up can tell whether that still holds.
CREATE TABLE stale_days_with_tokens (
    series_id INTEGER NOT NULL REFERENCES reading_series (id),
    day INTEGER NOT NULL,
    token INTEGER NOT NULL DEFAULT (random()),
    PRIMARY KEY (series_id, day)
) WITHOUT ROWID;

INSERT INTO stale_days_with_tokens (series_id, day) SELECT series_id, day FROM stale_reading_days;
DROP TABLE stale_reading_days;
ALTER TABLE stale_days_with_tokens RENAME TO stale_reading_days;
