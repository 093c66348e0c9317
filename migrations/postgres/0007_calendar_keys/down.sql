DROP TABLE calendar_keys;
