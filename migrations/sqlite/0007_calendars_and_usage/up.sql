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

-- Months whose statements of usage are final, and the times they were about.
CREATE TABLE usage_closings (
    month TEXT NOT NULL PRIMARY KEY,
    starts_at TIMESTAMP NOT NULL,
    ends_at TIMESTAMP NOT NULL,
    closed_at TIMESTAMP NOT NULL,
    closed_by TEXT NOT NULL,
    CHECK (starts_at < ends_at)
);

-- What such a statement said of each booking: of its own month, or, as a
-- correction, of one closed before. Time in hundredths of an hour, gas in
-- millilitres at 0 °C and 1 atm.
CREATE TABLE usage_entries (
    id TEXT NOT NULL PRIMARY KEY,
    month TEXT NOT NULL REFERENCES usage_closings (month),
    of_month TEXT NOT NULL REFERENCES usage_closings (month),
    booking_id TEXT NOT NULL,
    group_name TEXT,
    person_id TEXT NOT NULL,
    glovebox_id TEXT NOT NULL,
    bookings INTEGER NOT NULL,
    logged INTEGER NOT NULL,
    booked INTEGER NOT NULL,
    station_time INTEGER NOT NULL,
    transfers INTEGER NOT NULL,
    turns_ml INTEGER NOT NULL,
    purge_ml INTEGER NOT NULL
);
CREATE INDEX usage_entries_by_month ON usage_entries (month);
CREATE INDEX usage_entries_of_month ON usage_entries (of_month);
