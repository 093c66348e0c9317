DROP TABLE usage_entries;
DROP TABLE usage_closings;
DROP TABLE calendar_keys;
