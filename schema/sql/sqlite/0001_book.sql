-- What is recorded, and what a record leans on. Nothing here can be made again from something else, but for
-- `capture` and `capture_file`.

-- The entries. `bytes` are the record and are hashed as stored; `stream` and `rev` repeat what they say, so that one
-- stream can be read by itself.
CREATE TABLE entry (
    n      INTEGER PRIMARY KEY,
    stream TEXT    NOT NULL,
    rev    INTEGER NOT NULL,
    bytes  BLOB    NOT NULL,
    UNIQUE (stream, rev)
) STRICT;

-- A bare trigger on UPDATE and DELETE would not stop INSERT OR REPLACE on a connection without recursive triggers:
-- so an insert is refused before it could replace anything.
CREATE TRIGGER entry_insert BEFORE INSERT ON entry
BEGIN
    SELECT RAISE(ABORT, 'an entry is added at the next n and nowhere else')
     WHERE NEW.n IS NOT (SELECT coalesce(max(n) + 1, 0) FROM entry);
    SELECT RAISE(ABORT, 'an entry is added at the next rev of its stream and nowhere else')
     WHERE NEW.rev IS NOT (SELECT coalesce(max(rev) + 1, 1) FROM entry WHERE stream = NEW.stream);
END;

CREATE TRIGGER entry_update BEFORE UPDATE ON entry
BEGIN
    SELECT RAISE(ABORT, 'an entry is never changed');
END;

CREATE TRIGGER entry_delete BEFORE DELETE ON entry
BEGIN
    SELECT RAISE(ABORT, 'an entry is never deleted');
END;

-- Where the book ends: the last entry, its leaf hash, and the right edge of the tree over all leaf hashes.
CREATE TABLE head (
    id       INTEGER PRIMARY KEY CHECK (id = 1),
    n        INTEGER NOT NULL,
    leaf     BLOB    NOT NULL CHECK (length(leaf) = 32),
    frontier BLOB    NOT NULL
) STRICT;

-- Acts that were answered: entries `first` to `n`. `request` is the hash of what the client sent; `refusal` the
-- answer where a rule forbade it.
CREATE TABLE act (
    act     BLOB    PRIMARY KEY CHECK (length(act) = 16),
    request BLOB    NOT NULL CHECK (length(request) = 32),
    first   INTEGER NOT NULL,
    n       INTEGER NOT NULL CHECK (n >= first),
    refusal TEXT
) STRICT, WITHOUT ROWID;

CREATE TRIGGER act_insert BEFORE INSERT ON act
BEGIN
    SELECT RAISE(ABORT, 'an act is answered once') WHERE EXISTS (SELECT 1 FROM act WHERE act = NEW.act);
END;

CREATE TRIGGER act_update BEFORE UPDATE ON act
BEGIN
    SELECT RAISE(ABORT, 'an answer is never changed');
END;

CREATE TRIGGER act_delete BEFORE DELETE ON act
BEGIN
    SELECT RAISE(ABORT, 'an answer is never deleted');
END;

-- Bytes that entries name by their SHA-256: the files of plugins.
CREATE TABLE file (
    sha256 BLOB PRIMARY KEY NOT NULL CHECK (length(sha256) = 32),
    bytes  BLOB NOT NULL
) STRICT;

CREATE TRIGGER file_insert BEFORE INSERT ON file
BEGIN
    SELECT RAISE(ABORT, 'a file is stored once') WHERE EXISTS (SELECT 1 FROM file WHERE sha256 = NEW.sha256);
END;

CREATE TRIGGER file_update BEFORE UPDATE ON file
BEGIN
    SELECT RAISE(ABORT, 'a file is never changed');
END;

CREATE TRIGGER file_delete BEFORE DELETE ON file
BEGIN
    SELECT RAISE(ABORT, 'a file is never deleted');
END;

-- What a person's password opens. Never in an entry, never in an export.
CREATE TABLE account_secret (
    account    TEXT PRIMARY KEY NOT NULL,
    kdf        TEXT NOT NULL,
    verifier   BLOB NOT NULL,
    one_time   INTEGER NOT NULL CHECK (one_time IN (0, 1)),
    key        BLOB CHECK (length(key) = 32),
    nonce      BLOB,
    ciphertext BLOB,
    CHECK ((key IS NULL) = (nonce IS NULL) AND (key IS NULL) = (ciphertext IS NULL))
) STRICT;

-- Where in the day files under captures/ the bytes of a machine stand. Made again by scanning those files.
CREATE TABLE capture (
    sha256   BLOB    PRIMARY KEY CHECK (length(sha256) = 32),
    file     TEXT    NOT NULL,
    position INTEGER NOT NULL,
    length   INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

-- How far each day file is known to be whole. Unit: bytes. Made again with `capture`.
CREATE TABLE capture_file (
    file   TEXT    PRIMARY KEY,
    length INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

-- Of which version the views are; no row: there are none.
CREATE TABLE view (
    id      INTEGER PRIMARY KEY CHECK (id = 1),
    version TEXT NOT NULL
) STRICT;
