-- The ledger is one list of entries. An entry supersedes earlier ones of the same kind and key;
-- nothing is ever changed or taken out. Each entry carries the hash of the one before.
CREATE TABLE entries (
    seq      INTEGER PRIMARY KEY,
    at       TEXT NOT NULL,
    by       TEXT NOT NULL,
    kind     TEXT NOT NULL,
    key      TEXT NOT NULL,
    body     TEXT NOT NULL,
    previous TEXT NOT NULL,
    hash     TEXT NOT NULL
) STRICT;

CREATE INDEX entries_by_key ON entries (kind, key, seq);

CREATE TRIGGER entries_are_never_changed BEFORE UPDATE ON entries
BEGIN
    SELECT RAISE(ABORT, 'the ledger is append-only');
END;

CREATE TRIGGER entries_are_never_removed BEFORE DELETE ON entries
BEGIN
    SELECT RAISE(ABORT, 'the ledger is append-only');
END;

-- the entry in force for each kind and key
CREATE VIEW standing AS
SELECT entries.* FROM entries
JOIN (SELECT kind, key, max(seq) AS seq FROM entries GROUP BY kind, key) AS newest
USING (seq);
