DROP TABLE whole_days;
