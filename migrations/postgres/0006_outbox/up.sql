-- The order in which changes are told to others, and to whom they are pushed.
-- The number of an event (seq) is drawn before its transaction commits, so it can
-- become visible after a later one. Its position is given after the commit, by
-- whoever holds the lock of the numbering, so that positions appear in order.
CREATE TABLE event_positions (
    position BIGSERIAL PRIMARY KEY,
    seq BIGINT NOT NULL UNIQUE REFERENCES events (seq),
    id TEXT NOT NULL DEFAULT replace(gen_random_uuid()::text, '-', '')
);

-- Events without a position yet.
CREATE TABLE event_queue (
    seq BIGINT NOT NULL PRIMARY KEY
);

CREATE FUNCTION event_to_queue() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    INSERT INTO event_queue (seq) VALUES (NEW.seq);
    RETURN NULL;
END;
$$;
-- Waits for the writers under way and keeps others out, so that the events below are all there are.
CREATE TRIGGER events_get_a_position AFTER INSERT ON events
FOR EACH ROW EXECUTE FUNCTION event_to_queue();
INSERT INTO event_positions (seq) SELECT seq FROM events ORDER BY seq;

-- What happened is never rewritten.
CREATE FUNCTION refuse_to_rewrite() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'events_are_append_only';
END;
$$;
CREATE TRIGGER events_are_never_changed BEFORE UPDATE OR DELETE OR TRUNCATE ON events
FOR EACH STATEMENT EXECUTE FUNCTION refuse_to_rewrite();

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
    position BIGINT NOT NULL,
    failing_since TIMESTAMP,
    version INTEGER NOT NULL,
    created_at TIMESTAMP NOT NULL,
    updated_at TIMESTAMP NOT NULL,
    CHECK ((former_secret IS NULL) = (former_until IS NULL))
);

CREATE TABLE webhook_deliveries (
    id TEXT NOT NULL PRIMARY KEY,
    webhook_id TEXT NOT NULL REFERENCES webhooks (id) ON DELETE CASCADE,
    position BIGINT,
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
