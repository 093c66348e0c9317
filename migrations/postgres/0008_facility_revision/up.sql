-- A number that rises with every change of what is remembered between
-- transactions: the facility, its boxes and parts, people, windows and holds.
-- Whoever remembers compares it first. It rises by chance, so that a database that
-- is put back to an earlier state never comes to a number it has had since.
CREATE TABLE facility_revision (
    id INTEGER NOT NULL PRIMARY KEY CHECK (id = 1),
    revision BIGINT NOT NULL
);
INSERT INTO facility_revision (id, revision) VALUES (1, 1);

-- At the commit, so that the row is locked last and briefly; once a transaction.
CREATE FUNCTION facility_revised() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF current_setting('drykeep.revised', true) IS DISTINCT FROM pg_current_xact_id()::text THEN
        UPDATE facility_revision SET revision = revision + 1 + floor(random() * 1000000)::bigint;
        PERFORM set_config('drykeep.revised', pg_current_xact_id()::text, true);
    END IF;
    RETURN NULL;
END;
$$;
CREATE CONSTRAINT TRIGGER facility_revised AFTER INSERT OR UPDATE OR DELETE ON facility
DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION facility_revised();
CREATE CONSTRAINT TRIGGER things_revised AFTER INSERT OR UPDATE OR DELETE ON things
DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION facility_revised();
CREATE CONSTRAINT TRIGGER gloveboxes_revised AFTER INSERT OR UPDATE OR DELETE ON gloveboxes
DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION facility_revised();
CREATE CONSTRAINT TRIGGER stations_revised AFTER INSERT OR UPDATE OR DELETE ON stations
DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION facility_revised();
CREATE CONSTRAINT TRIGGER antechambers_revised AFTER INSERT OR UPDATE OR DELETE ON antechambers
DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION facility_revised();
CREATE CONSTRAINT TRIGGER instruments_revised AFTER INSERT OR UPDATE OR DELETE ON instruments
DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION facility_revised();
CREATE CONSTRAINT TRIGGER purifiers_revised AFTER INSERT OR UPDATE OR DELETE ON purifiers
DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION facility_revised();
CREATE CONSTRAINT TRIGGER people_revised AFTER INSERT OR UPDATE OR DELETE ON people
DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION facility_revised();
CREATE CONSTRAINT TRIGGER qualifications_revised AFTER INSERT OR UPDATE OR DELETE ON qualifications
DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION facility_revised();
CREATE CONSTRAINT TRIGGER maintenance_windows_revised AFTER INSERT OR UPDATE OR DELETE ON maintenance_windows
DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION facility_revised();
CREATE CONSTRAINT TRIGGER holds_revised AFTER INSERT OR UPDATE OR DELETE ON holds
DEFERRABLE INITIALLY DEFERRED FOR EACH ROW EXECUTE FUNCTION facility_revised();

-- When people do upkeep; what is booked is not remembered.
CREATE CONSTRAINT TRIGGER claims_revised AFTER INSERT OR UPDATE ON claims
DEFERRABLE INITIALLY DEFERRED FOR EACH ROW WHEN (NEW.visit_id IS NOT NULL) EXECUTE FUNCTION facility_revised();
CREATE CONSTRAINT TRIGGER claims_revised_by_delete AFTER DELETE ON claims
DEFERRABLE INITIALLY DEFERRED FOR EACH ROW WHEN (OLD.visit_id IS NOT NULL) EXECUTE FUNCTION facility_revised();

-- Of what most bookings and claims do not have, an index need not tell.
DROP INDEX bookings_by_group;
CREATE INDEX bookings_by_group ON bookings (group_name, starts_at) WHERE group_name IS NOT NULL;
DROP INDEX bookings_by_series;
CREATE INDEX bookings_by_series ON bookings (series_id) WHERE series_id IS NOT NULL;
DROP INDEX claims_by_visit;
CREATE INDEX claims_by_visit ON claims (visit_id) WHERE visit_id IS NOT NULL;
