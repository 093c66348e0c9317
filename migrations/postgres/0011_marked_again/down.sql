ALTER TABLE stale_reading_days DROP COLUMN token;
