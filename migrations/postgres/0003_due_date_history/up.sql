-- How each due item moved, from one computation to the next.
CREATE TABLE due_date_history (
    id TEXT NOT NULL PRIMARY KEY,
    due_item_id TEXT NOT NULL REFERENCES due_items (id) ON DELETE CASCADE,
    at TIMESTAMP NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('unknown', 'current', 'approaching', 'due', 'overdue')),
    earliest_at TIMESTAMP,
    likely_at TIMESTAMP,
    latest_at TIMESTAMP,
    governing_trigger TEXT,
    reasons TEXT NOT NULL,
    detail TEXT NOT NULL
);
CREATE INDEX due_date_history_by_item ON due_date_history (due_item_id, id);

-- The last of them, beside the item that it moved.
ALTER TABLE due_items ADD COLUMN moved TEXT;
