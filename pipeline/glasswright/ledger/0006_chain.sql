-- The chain has a link for each commit, not only for each run that ended: what a killed run kept is covered at once.

CREATE TABLE link (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    made_at TEXT NOT NULL,
    counts TEXT NOT NULL, -- JSON: table -> how many rows it has with this commit
    previous TEXT NOT NULL, -- digest of the link before; of the first link, a random name of the ledger
    digest TEXT NOT NULL -- of all above but id, and of the hashes of all rows that the commit added, in order
) STRICT;

CREATE TRIGGER link_no_update BEFORE UPDATE ON link BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER link_no_delete BEFORE DELETE ON link BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;

-- A run's end is a row like any other: the chain itself is in the links.

CREATE TABLE new_run_end ( -- a killed run has none until the next run begins
    run INTEGER PRIMARY KEY AUTOINCREMENT REFERENCES run (id),
    ended_at TEXT NOT NULL,
    completed INTEGER NOT NULL CHECK (completed IN (0, 1)),
    summary TEXT NOT NULL, -- JSON
    hash TEXT NOT NULL -- of all above but run
) STRICT;
INSERT INTO new_run_end SELECT run, ended_at, completed, summary, row_hash(ended_at, completed, summary) FROM run_end ORDER BY run;
DROP TABLE run_end;
ALTER TABLE new_run_end RENAME TO run_end;

CREATE TRIGGER run_end_no_update BEFORE UPDATE ON run_end BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER run_end_no_delete BEFORE DELETE ON run_end BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;

-- Documents are numbered, so that a link can say which ones its commit added.

CREATE TABLE new_document (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    sha256 TEXT NOT NULL UNIQUE, -- of the text
    kind TEXT NOT NULL, -- plan, card, stand
    name TEXT NOT NULL,
    text TEXT NOT NULL,
    hash TEXT NOT NULL -- of sha256, kind and name
) STRICT;
INSERT INTO new_document (sha256, kind, name, text, hash) SELECT sha256, kind, name, text, hash FROM document ORDER BY sha256;
DROP TABLE document;
ALTER TABLE new_document RENAME TO document;

CREATE TRIGGER document_no_update BEFORE UPDATE ON document BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER document_no_delete BEFORE DELETE ON document BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;

-- That a named person accepted a ledger whose end is missing.

CREATE TABLE restored (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    run INTEGER NOT NULL REFERENCES run (id),
    accepted_by TEXT NOT NULL,
    why TEXT NOT NULL,
    finding TEXT NOT NULL, -- what was wrong: how the ledger and its head differed
    hash TEXT NOT NULL -- of all above but id and run
) STRICT;

CREATE TRIGGER restored_no_update BEFORE UPDATE ON restored BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER restored_no_delete BEFORE DELETE ON restored BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
