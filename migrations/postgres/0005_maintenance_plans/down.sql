ALTER TABLE bookings DROP COLUMN displaced_by;
DROP INDEX claims_by_visit;
ALTER TABLE claims DROP COLUMN visit_id;
DROP TABLE maintenance_visits;
DROP TABLE maintenance_plans;
ALTER TABLE purifiers DROP COLUMN regeneration_supply_id;
ALTER TABLE people DROP COLUMN absences;
ALTER TABLE people DROP COLUMN working_hours;
