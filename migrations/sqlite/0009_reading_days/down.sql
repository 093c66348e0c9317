DROP TABLE stale_reading_days;
DROP TABLE reading_days;
