-- What is remembered of the entries, so that nobody has to read them all. Made under these names, filled, and put in
-- place by views_swap.sql in one transaction, also when a book is new: so the stored text of the tables is always
-- the same. All of it can be dropped and made again.

-- Each stream: its last entry, the tree over its leaf hashes, its state as JSON.
CREATE TABLE stream_new (
    stream   TEXT    PRIMARY KEY NOT NULL,
    rev      INTEGER NOT NULL,
    n        INTEGER NOT NULL,
    frontier BLOB    NOT NULL,
    record   TEXT    NOT NULL
) STRICT;

-- Under which keys each stream is found.
CREATE TABLE stream_key_new (
    key    TEXT NOT NULL,
    stream TEXT NOT NULL,
    PRIMARY KEY (key, stream)
) STRICT, WITHOUT ROWID;

-- How many streams of each thing there are.
CREATE TABLE thing_count_new (
    thing TEXT    PRIMARY KEY,
    count INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

-- The tree: 256 hashes each. Level 0 holds leaf hashes; a hash of level L is the root over one full tile of level L-1.
CREATE TABLE tile_new (
    level  INTEGER NOT NULL,
    idx    INTEGER NOT NULL,
    hashes BLOB    NOT NULL CHECK (length(hashes) = 8192),
    PRIMARY KEY (level, idx)
) STRICT;
