-- When people do upkeep, and when they are away; JSON, null for the facility's hours.
ALTER TABLE people ADD COLUMN working_hours TEXT;
ALTER TABLE people ADD COLUMN absences TEXT NOT NULL DEFAULT '[]';

-- What a purifier is regenerated with.
ALTER TABLE purifiers ADD COLUMN regeneration_supply_id TEXT REFERENCES gas_supplies (id);

CREATE TABLE maintenance_plans (
    id TEXT NOT NULL PRIMARY KEY,
    proposed_by TEXT NOT NULL,
    starts_at TIMESTAMP NOT NULL,
    ends_at TIMESTAMP NOT NULL,
    adopted_at TIMESTAMP,
    adopted_by TEXT,
    body TEXT NOT NULL,
    version INTEGER NOT NULL,
    created_at TIMESTAMP NOT NULL,
    updated_at TIMESTAMP NOT NULL,
    CHECK (starts_at < ends_at),
    CHECK ((adopted_at IS NULL) = (adopted_by IS NULL))
);

CREATE TABLE maintenance_visits (
    id TEXT NOT NULL PRIMARY KEY,
    plan_id TEXT NOT NULL REFERENCES maintenance_plans (id),
    place_id TEXT NOT NULL REFERENCES things (id),
    starts_at TIMESTAMP NOT NULL,
    ends_at TIMESTAMP NOT NULL,
    status TEXT NOT NULL CHECK (status IN ('confirmed', 'completed', 'cancelled')),
    body TEXT NOT NULL,
    version INTEGER NOT NULL,
    created_at TIMESTAMP NOT NULL,
    updated_at TIMESTAMP NOT NULL,
    CHECK (starts_at < ends_at)
);
CREATE INDEX maintenance_visits_by_time ON maintenance_visits (starts_at);
CREATE INDEX maintenance_visits_by_plan ON maintenance_visits (plan_id);

-- A claim belongs to a booking or to a visit.
ALTER TABLE claims ADD COLUMN visit_id TEXT REFERENCES maintenance_visits (id) ON DELETE CASCADE;
CREATE INDEX claims_by_visit ON claims (visit_id);

-- The visit that a booking gave way to.
ALTER TABLE bookings ADD COLUMN displaced_by TEXT REFERENCES maintenance_visits (id);
