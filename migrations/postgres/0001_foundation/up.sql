-- The bookable facility. Instants are UTC.
CREATE EXTENSION IF NOT EXISTS btree_gist;

CREATE TABLE things (
    id TEXT NOT NULL PRIMARY KEY,
    kind TEXT NOT NULL,
    parent_id TEXT REFERENCES things (id),
    tag TEXT
);
CREATE UNIQUE INDEX things_tag ON things (COALESCE(parent_id, ''), tag);
CREATE INDEX things_by_tag ON things (tag);

CREATE TABLE facility (
    id TEXT NOT NULL PRIMARY KEY,
    name TEXT NOT NULL,
    timezone TEXT NOT NULL,
    contact TEXT NOT NULL,
    opening_hours TEXT NOT NULL,
    closures TEXT NOT NULL,
    policies TEXT NOT NULL,
    version INTEGER NOT NULL,
    created_at TIMESTAMP NOT NULL,
    updated_at TIMESTAMP NOT NULL
);

CREATE TABLE rooms (
    id TEXT NOT NULL PRIMARY KEY REFERENCES things (id),
    tag TEXT NOT NULL,
    name TEXT NOT NULL,
    volume_m3 DOUBLE PRECISION NOT NULL CHECK (volume_m3 > 0),
    air_changes_per_hour DOUBLE PRECISION CHECK (air_changes_per_hour >= 0),
    oxygen_monitor BOOLEAN NOT NULL,
    version INTEGER NOT NULL,
    created_at TIMESTAMP NOT NULL,
    updated_at TIMESTAMP NOT NULL
);

CREATE TABLE gas_supplies (
    id TEXT NOT NULL PRIMARY KEY REFERENCES things (id),
    tag TEXT NOT NULL,
    name TEXT NOT NULL,
    gas TEXT NOT NULL,
    changeover_bar DOUBLE PRECISION NOT NULL,
    temperature_c DOUBLE PRECISION NOT NULL,
    lead_time TEXT,
    version INTEGER NOT NULL,
    created_at TIMESTAMP NOT NULL,
    updated_at TIMESTAMP NOT NULL
);

CREATE TABLE cylinders (
    id TEXT NOT NULL PRIMARY KEY REFERENCES things (id),
    gas_supply_id TEXT NOT NULL REFERENCES gas_supplies (id),
    ordinal INTEGER NOT NULL,
    tag TEXT NOT NULL,
    water_volume_l DOUBLE PRECISION NOT NULL CHECK (water_volume_l > 0),
    fill_bar DOUBLE PRECISION NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('connected', 'standby', 'full', 'empty'))
);
CREATE INDEX cylinders_by_supply ON cylinders (gas_supply_id, ordinal);

CREATE TABLE gloveboxes (
    id TEXT NOT NULL PRIMARY KEY REFERENCES things (id),
    tag TEXT NOT NULL,
    name TEXT NOT NULL,
    room_id TEXT NOT NULL REFERENCES rooms (id),
    gas_supply_id TEXT REFERENCES gas_supplies (id),
    working_gas TEXT NOT NULL CHECK (working_gas IN ('argon', 'nitrogen', 'helium')),
    internal_volume_l DOUBLE PRECISION NOT NULL CHECK (internal_volume_l > 0),
    purge_flow_l_min DOUBLE PRECISION NOT NULL CHECK (purge_flow_l_min > 0),
    limits TEXT NOT NULL,
    version INTEGER NOT NULL,
    created_at TIMESTAMP NOT NULL,
    updated_at TIMESTAMP NOT NULL
);
CREATE INDEX gloveboxes_by_gas ON gloveboxes (working_gas);

CREATE TABLE stations (
    id TEXT NOT NULL PRIMARY KEY REFERENCES things (id),
    glovebox_id TEXT NOT NULL REFERENCES gloveboxes (id),
    ordinal INTEGER NOT NULL,
    tag TEXT NOT NULL,
    name TEXT NOT NULL,
    port_pairs INTEGER NOT NULL CHECK (port_pairs > 0)
);
CREATE INDEX stations_by_glovebox ON stations (glovebox_id, ordinal);

CREATE TABLE antechambers (
    id TEXT NOT NULL PRIMARY KEY REFERENCES things (id),
    glovebox_id TEXT NOT NULL REFERENCES gloveboxes (id),
    ordinal INTEGER NOT NULL,
    tag TEXT NOT NULL,
    name TEXT NOT NULL,
    volume_l DOUBLE PRECISION NOT NULL CHECK (volume_l > 0),
    pump_speed_m3_h DOUBLE PRECISION NOT NULL CHECK (pump_speed_m3_h > 0),
    ultimate_mbar DOUBLE PRECISION NOT NULL,
    evacuate_to_mbar DOUBLE PRECISION NOT NULL,
    cycles INTEGER NOT NULL CHECK (cycles > 0),
    refill_minutes DOUBLE PRECISION NOT NULL,
    hold_minutes DOUBLE PRECISION NOT NULL,
    measured_cycle_minutes DOUBLE PRECISION,
    CHECK (evacuate_to_mbar > ultimate_mbar)
);
CREATE INDEX antechambers_by_glovebox ON antechambers (glovebox_id, ordinal);

CREATE TABLE instruments (
    id TEXT NOT NULL PRIMARY KEY REFERENCES things (id),
    glovebox_id TEXT NOT NULL REFERENCES gloveboxes (id),
    ordinal INTEGER NOT NULL,
    tag TEXT NOT NULL,
    name TEXT NOT NULL
);
CREATE INDEX instruments_by_glovebox ON instruments (glovebox_id, ordinal);

CREATE TABLE purifiers (
    id TEXT NOT NULL PRIMARY KEY REFERENCES things (id),
    glovebox_id TEXT NOT NULL UNIQUE REFERENCES gloveboxes (id),
    circulation_m3_h DOUBLE PRECISION NOT NULL CHECK (circulation_m3_h > 0),
    column_count INTEGER NOT NULL CHECK (column_count > 0),
    oxygen_capacity_mol DOUBLE PRECISION,
    water_capacity_mol DOUBLE PRECISION,
    solvents TEXT NOT NULL
);

CREATE TABLE people (
    id TEXT NOT NULL PRIMARY KEY REFERENCES things (id),
    tag TEXT,
    name TEXT NOT NULL,
    subject TEXT,
    email TEXT,
    groups TEXT NOT NULL,
    active BOOLEAN NOT NULL,
    version INTEGER NOT NULL,
    created_at TIMESTAMP NOT NULL,
    updated_at TIMESTAMP NOT NULL
);
CREATE UNIQUE INDEX people_subject ON people (subject);

CREATE TABLE qualifications (
    id TEXT NOT NULL PRIMARY KEY,
    person_id TEXT NOT NULL REFERENCES people (id),
    glovebox_id TEXT REFERENCES gloveboxes (id),
    task TEXT,
    valid_until TIMESTAMP,
    version INTEGER NOT NULL,
    created_at TIMESTAMP NOT NULL,
    updated_at TIMESTAMP NOT NULL,
    CHECK ((glovebox_id IS NULL) <> (task IS NULL))
);
CREATE INDEX qualifications_by_person ON qualifications (person_id, glovebox_id);

CREATE TABLE holds (
    id TEXT NOT NULL PRIMARY KEY,
    glovebox_id TEXT NOT NULL REFERENCES gloveboxes (id),
    part_id TEXT REFERENCES things (id),
    source TEXT NOT NULL CHECK (source IN ('reading', 'leak_test', 'person')),
    reason TEXT NOT NULL,
    evidence TEXT NOT NULL,
    opened_by TEXT NOT NULL,
    opened_at TIMESTAMP NOT NULL,
    released_by TEXT,
    released_at TIMESTAMP,
    release_remark TEXT,
    version INTEGER NOT NULL,
    created_at TIMESTAMP NOT NULL,
    updated_at TIMESTAMP NOT NULL
);
CREATE INDEX holds_open ON holds (glovebox_id, released_at);

CREATE TABLE bookings (
    id TEXT NOT NULL PRIMARY KEY,
    glovebox_id TEXT NOT NULL REFERENCES gloveboxes (id),
    person_id TEXT NOT NULL REFERENCES people (id),
    booked_by TEXT NOT NULL,
    group_name TEXT,
    series_id TEXT,
    status TEXT NOT NULL CHECK (status IN ('tentative', 'confirmed', 'cancelled')),
    progress TEXT NOT NULL CHECK (progress IN ('booked', 'in_use', 'closed_out', 'no_show', 'cancelled')),
    starts_at TIMESTAMP NOT NULL,
    ends_at TIMESTAMP NOT NULL,
    work TEXT NOT NULL,
    gas_estimate_nl DOUBLE PRECISION NOT NULL,
    hold_id TEXT REFERENCES holds (id),
    started_at TIMESTAMP,
    closed_at TIMESTAMP,
    end_of_run TEXT,
    version INTEGER NOT NULL,
    created_at TIMESTAMP NOT NULL,
    updated_at TIMESTAMP NOT NULL,
    CHECK (starts_at < ends_at)
);
CREATE INDEX bookings_by_glovebox ON bookings (glovebox_id, starts_at);
CREATE INDEX bookings_by_person ON bookings (person_id, starts_at);
CREATE INDEX bookings_by_group ON bookings (group_name, starts_at);
CREATE INDEX bookings_by_series ON bookings (series_id);
CREATE INDEX bookings_by_progress ON bookings (progress, starts_at);

CREATE TABLE maintenance_windows (
    id TEXT NOT NULL PRIMARY KEY,
    name TEXT NOT NULL,
    dtstart TEXT NOT NULL,
    timezone TEXT NOT NULL,
    duration TEXT NOT NULL,
    rrule TEXT,
    rdates TEXT NOT NULL,
    exdates TEXT NOT NULL,
    gloveboxes TEXT,
    tasks TEXT NOT NULL,
    holds TEXT NOT NULL CHECK (holds IN ('always', 'when_needed')),
    notice TEXT,
    version INTEGER NOT NULL,
    created_at TIMESTAMP NOT NULL,
    updated_at TIMESTAMP NOT NULL
);

CREATE TABLE upkeep_rules (
    id TEXT NOT NULL PRIMARY KEY,
    task TEXT NOT NULL,
    body TEXT NOT NULL,
    version INTEGER NOT NULL,
    created_at TIMESTAMP NOT NULL,
    updated_at TIMESTAMP NOT NULL
);

CREATE TABLE services (
    id TEXT NOT NULL PRIMARY KEY,
    subject_id TEXT NOT NULL REFERENCES things (id),
    task TEXT NOT NULL,
    done_at TIMESTAMP NOT NULL,
    done_by TEXT NOT NULL,
    body TEXT NOT NULL,
    version INTEGER NOT NULL,
    created_at TIMESTAMP NOT NULL,
    updated_at TIMESTAMP NOT NULL
);
CREATE INDEX services_by_subject ON services (subject_id, task, done_at);

CREATE TABLE due_items (
    id TEXT NOT NULL PRIMARY KEY,
    rule_id TEXT NOT NULL REFERENCES upkeep_rules (id) ON DELETE CASCADE,
    subject_id TEXT NOT NULL REFERENCES things (id),
    glovebox_id TEXT REFERENCES gloveboxes (id),
    task TEXT NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('unknown', 'current', 'approaching', 'due', 'overdue')),
    likely_at TIMESTAMP,
    safety BOOLEAN NOT NULL,
    body TEXT NOT NULL,
    computed_at TIMESTAMP NOT NULL,
    version INTEGER NOT NULL
);
CREATE UNIQUE INDEX due_items_identity ON due_items (rule_id, subject_id);
CREATE INDEX due_items_by_date ON due_items (likely_at);

CREATE TABLE nightly_runs (
    id TEXT NOT NULL PRIMARY KEY,
    as_of TIMESTAMP NOT NULL UNIQUE,
    started_at TIMESTAMP NOT NULL,
    finished_at TIMESTAMP NOT NULL,
    safety_overdue BOOLEAN NOT NULL,
    report TEXT NOT NULL
);

CREATE TABLE idempotency_keys (
    actor TEXT NOT NULL,
    idempotency_key TEXT NOT NULL,
    request_hash TEXT NOT NULL,
    status INTEGER NOT NULL,
    body TEXT NOT NULL,
    location TEXT,
    etag TEXT,
    created_at TIMESTAMP NOT NULL,
    PRIMARY KEY (actor, idempotency_key)
);
CREATE INDEX idempotency_keys_by_age ON idempotency_keys (created_at);

CREATE TABLE claims (
    id TEXT NOT NULL PRIMARY KEY,
    resource_id TEXT NOT NULL REFERENCES things (id),
    booking_id TEXT REFERENCES bookings (id) ON DELETE CASCADE,
    starts_at TIMESTAMP NOT NULL,
    ends_at TIMESTAMP NOT NULL,
    why TEXT NOT NULL,
    CHECK (starts_at < ends_at),
    CONSTRAINT claims_never_overlap
        EXCLUDE USING gist (resource_id WITH =, tsrange(starts_at, ends_at, '[)') WITH &&)
);
CREATE INDEX claims_by_resource ON claims (resource_id, starts_at, ends_at);
CREATE INDEX claims_by_booking ON claims (booking_id);

CREATE TABLE reading_series (
    id BIGSERIAL PRIMARY KEY,
    subject_id TEXT NOT NULL REFERENCES things (id),
    quantity TEXT NOT NULL,
    sensor TEXT NOT NULL
);
CREATE UNIQUE INDEX reading_series_identity ON reading_series (subject_id, quantity, sensor);

CREATE TABLE readings (
    series_id BIGINT NOT NULL REFERENCES reading_series (id),
    at TIMESTAMP NOT NULL,
    value DOUBLE PRECISION NOT NULL,
    flag TEXT,
    received_at TIMESTAMP NOT NULL,
    PRIMARY KEY (series_id, at)
);

CREATE TABLE events (
    seq BIGSERIAL PRIMARY KEY,
    at TIMESTAMP NOT NULL,
    kind TEXT NOT NULL,
    subject_id TEXT NOT NULL,
    actor TEXT NOT NULL,
    body TEXT NOT NULL
);
