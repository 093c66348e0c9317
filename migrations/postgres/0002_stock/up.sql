-- Consumables that the boxes share. What there is and what is on order follow
-- from the movements and are kept nowhere else.

CREATE TABLE stock_items (
    id TEXT NOT NULL PRIMARY KEY REFERENCES things (id),
    tag TEXT NOT NULL,
    name TEXT NOT NULL,
    unit TEXT NOT NULL,
    lead_time TEXT,
    minimum DOUBLE PRECISION CHECK (minimum >= 0),
    service_level DOUBLE PRECISION CHECK (service_level > 0 AND service_level < 1),
    shelf_life TEXT,
    version INTEGER NOT NULL,
    created_at TIMESTAMP NOT NULL,
    updated_at TIMESTAMP NOT NULL,
    CHECK ((minimum IS NULL) <> (service_level IS NULL))
);

-- A service may be taken off the record; what was moved because of it stays,
-- so service_id refers to no row.
CREATE TABLE stock_movements (
    id TEXT NOT NULL PRIMARY KEY,
    stock_item_id TEXT NOT NULL REFERENCES stock_items (id),
    kind TEXT NOT NULL CHECK (kind IN ('received', 'used', 'ordered', 'order_withdrawn', 'counted', 'discarded',
        'reversed')),
    quantity DOUBLE PRECISION CHECK (quantity >= 0),
    at TIMESTAMP NOT NULL,
    expires_at TIMESTAMP,
    expected_at TIMESTAMP,
    number TEXT,
    order_id TEXT REFERENCES stock_movements (id),
    reverses_id TEXT REFERENCES stock_movements (id),
    service_id TEXT,
    remark TEXT NOT NULL,
    recorded_by TEXT NOT NULL,
    recorded_at TIMESTAMP NOT NULL,
    CHECK ((kind = 'reversed') = (reverses_id IS NOT NULL)),
    CHECK ((kind = 'reversed') = (quantity IS NULL)),
    CHECK (kind <> 'order_withdrawn' OR order_id IS NOT NULL)
);
CREATE INDEX stock_movements_by_item ON stock_movements (stock_item_id, id);
CREATE INDEX stock_movements_by_service ON stock_movements (service_id);
CREATE UNIQUE INDEX stock_movements_reversed_once ON stock_movements (reverses_id);
