DROP TABLE stock_movements;
DROP TABLE stock_items;
DELETE FROM things WHERE kind = 'stock_item';
