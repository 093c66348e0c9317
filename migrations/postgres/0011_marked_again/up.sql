-- A mark of a stale day has a token that is another whenever the day is marked
-- again, so that whoever has summed it up can tell whether that still holds.
CREATE SEQUENCE stale_reading_day_tokens;
ALTER TABLE stale_reading_days
    ADD COLUMN token BIGINT NOT NULL DEFAULT nextval('stale_reading_day_tokens');
ALTER SEQUENCE stale_reading_day_tokens OWNED BY stale_reading_days.token;
