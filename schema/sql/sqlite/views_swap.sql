-- The new views take the place of the old ones; run inside one transaction with the new version.
DROP TABLE IF EXISTS stream;
ALTER TABLE stream_new RENAME TO stream;
DROP TABLE IF EXISTS stream_key;
ALTER TABLE stream_key_new RENAME TO stream_key;
DROP TABLE IF EXISTS thing_count;
ALTER TABLE thing_count_new RENAME TO thing_count;
DROP TABLE IF EXISTS tile;
ALTER TABLE tile_new RENAME TO tile;
