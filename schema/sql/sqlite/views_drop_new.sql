-- What a crash in the middle of folding left behind.
DROP TABLE IF EXISTS stream_new;
DROP TABLE IF EXISTS stream_key_new;
DROP TABLE IF EXISTS thing_count_new;
DROP TABLE IF EXISTS tile_new;
