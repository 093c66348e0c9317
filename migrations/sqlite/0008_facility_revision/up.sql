-- A number that rises with every change of what is remembered between
-- transactions: the facility, its boxes and parts, people, windows and holds.
-- Whoever remembers compares it first. It rises by chance, so that a database that
-- is put back to an earlier state never comes to a number it has had since.
CREATE TABLE facility_revision (
    id INTEGER NOT NULL PRIMARY KEY CHECK (id = 1),
    revision INTEGER NOT NULL
);
INSERT INTO facility_revision (id, revision) VALUES (1, 1);

CREATE TRIGGER facility_revised_by_insert AFTER INSERT ON facility
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;
CREATE TRIGGER facility_revised_by_update AFTER UPDATE ON facility
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;
CREATE TRIGGER facility_revised_by_delete AFTER DELETE ON facility
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;

CREATE TRIGGER things_revised_by_insert AFTER INSERT ON things
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;
CREATE TRIGGER things_revised_by_update AFTER UPDATE ON things
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;
CREATE TRIGGER things_revised_by_delete AFTER DELETE ON things
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;

CREATE TRIGGER gloveboxes_revised_by_insert AFTER INSERT ON gloveboxes
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;
CREATE TRIGGER gloveboxes_revised_by_update AFTER UPDATE ON gloveboxes
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;
CREATE TRIGGER gloveboxes_revised_by_delete AFTER DELETE ON gloveboxes
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;

CREATE TRIGGER stations_revised_by_insert AFTER INSERT ON stations
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;
CREATE TRIGGER stations_revised_by_update AFTER UPDATE ON stations
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;
CREATE TRIGGER stations_revised_by_delete AFTER DELETE ON stations
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;

CREATE TRIGGER antechambers_revised_by_insert AFTER INSERT ON antechambers
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;
CREATE TRIGGER antechambers_revised_by_update AFTER UPDATE ON antechambers
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;
CREATE TRIGGER antechambers_revised_by_delete AFTER DELETE ON antechambers
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;

CREATE TRIGGER instruments_revised_by_insert AFTER INSERT ON instruments
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;
CREATE TRIGGER instruments_revised_by_update AFTER UPDATE ON instruments
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;
CREATE TRIGGER instruments_revised_by_delete AFTER DELETE ON instruments
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;

CREATE TRIGGER purifiers_revised_by_insert AFTER INSERT ON purifiers
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;
CREATE TRIGGER purifiers_revised_by_update AFTER UPDATE ON purifiers
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;
CREATE TRIGGER purifiers_revised_by_delete AFTER DELETE ON purifiers
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;

CREATE TRIGGER people_revised_by_insert AFTER INSERT ON people
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;
CREATE TRIGGER people_revised_by_update AFTER UPDATE ON people
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;
CREATE TRIGGER people_revised_by_delete AFTER DELETE ON people
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;

CREATE TRIGGER qualifications_revised_by_insert AFTER INSERT ON qualifications
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;
CREATE TRIGGER qualifications_revised_by_update AFTER UPDATE ON qualifications
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;
CREATE TRIGGER qualifications_revised_by_delete AFTER DELETE ON qualifications
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;

CREATE TRIGGER maintenance_windows_revised_by_insert AFTER INSERT ON maintenance_windows
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;
CREATE TRIGGER maintenance_windows_revised_by_update AFTER UPDATE ON maintenance_windows
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;
CREATE TRIGGER maintenance_windows_revised_by_delete AFTER DELETE ON maintenance_windows
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;

CREATE TRIGGER holds_revised_by_insert AFTER INSERT ON holds
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;
CREATE TRIGGER holds_revised_by_update AFTER UPDATE ON holds
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;
CREATE TRIGGER holds_revised_by_delete AFTER DELETE ON holds
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;

-- When people do upkeep; what is booked is not remembered.
CREATE TRIGGER claims_revised_by_insert AFTER INSERT ON claims WHEN NEW.visit_id IS NOT NULL
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;
CREATE TRIGGER claims_revised_by_update AFTER UPDATE ON claims WHEN NEW.visit_id IS NOT NULL
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;
CREATE TRIGGER claims_revised_by_delete AFTER DELETE ON claims WHEN OLD.visit_id IS NOT NULL
BEGIN UPDATE facility_revision SET revision = revision + 1 + abs(random() % 1000000); END;

-- Of what most bookings and claims do not have, an index need not tell.
DROP INDEX bookings_by_group;
CREATE INDEX bookings_by_group ON bookings (group_name, starts_at) WHERE group_name IS NOT NULL;
DROP INDEX bookings_by_series;
CREATE INDEX bookings_by_series ON bookings (series_id) WHERE series_id IS NOT NULL;
DROP INDEX claims_by_visit;
CREATE INDEX claims_by_visit ON claims (visit_id) WHERE visit_id IS NOT NULL;
