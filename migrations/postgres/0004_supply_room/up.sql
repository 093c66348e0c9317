-- Where a supply's cylinders stand; unknown for those kept before.
ALTER TABLE gas_supplies ADD COLUMN room_id TEXT REFERENCES rooms (id);
