ALTER TABLE due_items DROP COLUMN moved;
DROP TABLE due_date_history;
