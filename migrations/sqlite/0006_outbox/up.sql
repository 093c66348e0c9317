-- The order in which changes are told to others, and to whom they are pushed.
-- There is one writer, so an event has its position as soon as it is written.
CREATE TABLE event_positions (
    position INTEGER PRIMARY KEY AUTOINCREMENT,
    seq INTEGER NOT NULL UNIQUE REFERENCES events (seq),
    id TEXT NOT NULL DEFAULT (lower(hex(randomblob(16))))
);
INSERT INTO event_positions (seq) SELECT seq FROM events ORDER BY seq;

-- Events without a position yet; always empty here.
CREATE TABLE event_queue (
    seq INTEGER NOT NULL PRIMARY KEY
);

CREATE TRIGGER events_get_a_position AFTER INSERT ON events
BEGIN
    INSERT INTO event_positions (seq) VALUES (NEW.seq);
END;

-- What happened is never rewritten.
CREATE TRIGGER events_are_never_changed BEFORE UPDATE ON events
BEGIN
    SELECT RAISE(ABORT, 'events_are_append_only');
END;
CREATE TRIGGER events_are_never_deleted BEFORE DELETE ON events
BEGIN
    SELECT RAISE(ABORT, 'events_are_append_only');
END;
-- INSERT OR REPLACE would delete without asking the trigger above.
CREATE TRIGGER events_are_never_replaced BEFORE INSERT ON events
WHEN EXISTS (SELECT 1 FROM events e WHERE e.seq = NEW.seq)
BEGIN
    SELECT RAISE(ABORT, 'events_are_append_only');
END;

CREATE INDEX events_by_subject ON events (subject_id, seq);
CREATE INDEX events_by_actor ON events (actor, seq);
CREATE INDEX events_by_time ON events (at);

CREATE TABLE webhooks (
    id TEXT NOT NULL PRIMARY KEY,
    url TEXT NOT NULL,
    description TEXT NOT NULL,
    event_types TEXT NOT NULL,
    enabled BOOLEAN NOT NULL,
    disabled_why TEXT,
    secret TEXT NOT NULL,
    former_secret TEXT,
    former_until TIMESTAMP,
    position INTEGER NOT NULL,
    failing_since TIMESTAMP,
    version INTEGER NOT NULL,
    created_at TIMESTAMP NOT NULL,
    updated_at TIMESTAMP NOT NULL,
    CHECK ((former_secret IS NULL) = (former_until IS NULL))
);

CREATE TABLE webhook_deliveries (
    id TEXT NOT NULL PRIMARY KEY,
    webhook_id TEXT NOT NULL REFERENCES webhooks (id) ON DELETE CASCADE,
    position INTEGER,
    cause TEXT NOT NULL CHECK (cause IN ('event', 'replay', 'ping')),
    state TEXT NOT NULL CHECK (state IN ('pending', 'delivered', 'failed')),
    attempts TEXT NOT NULL,
    attempt_count INTEGER NOT NULL,
    due_at TIMESTAMP,
    lease TEXT,
    leased_until TIMESTAMP,
    created_at TIMESTAMP NOT NULL,
    finished_at TIMESTAMP,
    CHECK ((state = 'pending') = (due_at IS NOT NULL))
);
CREATE INDEX webhook_deliveries_due ON webhook_deliveries (state, due_at);
CREATE INDEX webhook_deliveries_by_webhook ON webhook_deliveries (webhook_id, id);
CREATE INDEX webhook_deliveries_by_end ON webhook_deliveries (finished_at);
