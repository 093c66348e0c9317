ALTER TABLE gas_supplies DROP COLUMN room_id;
