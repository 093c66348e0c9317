-- Keys that open one calendar feed each; only their hashes are kept.
CREATE TABLE calendar_keys (
    id TEXT NOT NULL PRIMARY KEY,
    thing_id TEXT NOT NULL REFERENCES things (id) ON DELETE CASCADE,
    feed TEXT NOT NULL CHECK (feed IN ('glovebox', 'person')),
    label TEXT NOT NULL,
    key_hash TEXT NOT NULL,
    made_by TEXT NOT NULL,
    last_used_at TIMESTAMP,
    version INTEGER NOT NULL,
    created_at TIMESTAMP NOT NULL,
    updated_at TIMESTAMP NOT NULL
);
CREATE INDEX calendar_keys_by_thing ON calendar_keys (thing_id);
