-- The first schema. Nothing here is ever changed or deleted: triggers refuse it. A later schema is a new numbered file.

CREATE TABLE document (
    sha256 TEXT NOT NULL PRIMARY KEY, -- of the text
    kind TEXT NOT NULL, -- plan, card, stand
    name TEXT NOT NULL,
    text TEXT NOT NULL,
    hash TEXT NOT NULL -- of sha256, kind and name
) STRICT, WITHOUT ROWID;

CREATE TABLE run (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    command TEXT NOT NULL,
    machine TEXT NOT NULL,
    started_at TEXT NOT NULL,
    versions TEXT NOT NULL, -- JSON: what -> version
    documents TEXT NOT NULL, -- JSON: list of document.sha256
    hash TEXT NOT NULL
) STRICT;

CREATE TABLE run_end ( -- a killed run has none until the next run begins
    run INTEGER PRIMARY KEY AUTOINCREMENT REFERENCES run (id), -- the database remembers the highest, should it vanish
    ended_at TEXT NOT NULL,
    completed INTEGER NOT NULL CHECK (completed IN (0, 1)),
    summary TEXT NOT NULL, -- JSON
    previous TEXT NOT NULL, -- digest of the run before, empty for the first
    digest TEXT NOT NULL -- of `previous`, the run's row, and the hashes of all that it added, in order
) STRICT;

CREATE TABLE outcome (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    run INTEGER NOT NULL REFERENCES run (id),
    address TEXT NOT NULL,
    step TEXT NOT NULL,
    stage TEXT NOT NULL,
    scope INTEGER NOT NULL,
    ticket TEXT NOT NULL, -- empty for the night
    setting TEXT NOT NULL, -- JSON: focal length, f-number, focus distance, exposure time; or null
    shot TEXT NOT NULL,
    status TEXT NOT NULL,
    reason TEXT NOT NULL,
    caveats TEXT NOT NULL, -- JSON
    notes TEXT NOT NULL, -- JSON
    artefact TEXT, -- SHA-256 of the artefact's file
    measured_count INTEGER NOT NULL,
    measured_hash TEXT NOT NULL, -- of the hashes of its measurements, by path
    seconds REAL NOT NULL,
    traceback TEXT NOT NULL,
    content TEXT NOT NULL, -- hash of all above but id, run, seconds and traceback
    hash TEXT NOT NULL -- of content, seconds and traceback
) STRICT;
CREATE INDEX outcome_by_address ON outcome (address);
CREATE INDEX outcome_by_run ON outcome (run);

CREATE TABLE field (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    path TEXT NOT NULL,
    unit TEXT NOT NULL,
    UNIQUE (path, unit)
) STRICT;

CREATE TABLE measurement ( -- only what a limit can speak of; all else is in the artefact's file
    outcome INTEGER NOT NULL REFERENCES outcome (id),
    field INTEGER NOT NULL REFERENCES field (id),
    kind TEXT NOT NULL CHECK (kind IN ('number', 'text', 'nan', 'none')), -- the database cannot keep a NaN
    value REAL,
    text TEXT,
    u REAL,
    hash BLOB NOT NULL, -- of the outcome's address and all of the measurement
    PRIMARY KEY (outcome, field)
) STRICT, WITHOUT ROWID;

CREATE TABLE manifest ( -- what describes a ticket now: the latest one of a ticket number
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    run INTEGER NOT NULL REFERENCES run (id),
    ticket TEXT NOT NULL, -- empty for the night
    folder TEXT NOT NULL,
    record TEXT NOT NULL, -- JSON: the ticket, its plan, stand, findings, settings and shots
    content TEXT NOT NULL, -- hash of the record and of the contents of its outcomes: names what was measured
    hash TEXT NOT NULL -- of ticket, content and folder
) STRICT;
CREATE INDEX manifest_by_ticket ON manifest (ticket, id);
CREATE INDEX manifest_by_run ON manifest (run);

CREATE TABLE manifest_outcome (
    manifest INTEGER NOT NULL REFERENCES manifest (id),
    outcome INTEGER NOT NULL REFERENCES outcome (id),
    PRIMARY KEY (manifest, outcome)
) STRICT, WITHOUT ROWID;

CREATE TABLE judgement (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    run INTEGER NOT NULL REFERENCES run (id),
    ticket TEXT NOT NULL,
    manifest TEXT NOT NULL, -- manifest.content
    card TEXT NOT NULL, -- document.sha256, empty where the model has no card
    stand TEXT NOT NULL, -- document.sha256
    judge_version INTEGER NOT NULL,
    verdict TEXT NOT NULL,
    reasons TEXT NOT NULL, -- JSON: what concerns the whole ticket
    verdicts TEXT NOT NULL, -- hash of its verdicts
    hash TEXT NOT NULL -- of all above but id and run
) STRICT;
CREATE INDEX judgement_by_ticket ON judgement (ticket, id);
CREATE INDEX judgement_by_run ON judgement (run);

CREATE TABLE verdict (
    judgement INTEGER NOT NULL REFERENCES judgement (id),
    place INTEGER NOT NULL, -- from 0
    measure TEXT NOT NULL,
    at TEXT NOT NULL, -- the setting or shot, as people say it
    verdict TEXT NOT NULL,
    reason TEXT NOT NULL,
    value REAL,
    u REAL,
    lower REAL,
    upper REAL,
    PRIMARY KEY (judgement, place)
) STRICT, WITHOUT ROWID;

CREATE TRIGGER document_no_update BEFORE UPDATE ON document BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER document_no_delete BEFORE DELETE ON document BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER run_no_update BEFORE UPDATE ON run BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER run_no_delete BEFORE DELETE ON run BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER run_end_no_update BEFORE UPDATE ON run_end BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER run_end_no_delete BEFORE DELETE ON run_end BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER outcome_no_update BEFORE UPDATE ON outcome BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER outcome_no_delete BEFORE DELETE ON outcome BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER field_no_update BEFORE UPDATE ON field BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER field_no_delete BEFORE DELETE ON field BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER measurement_no_update BEFORE UPDATE ON measurement BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER measurement_no_delete BEFORE DELETE ON measurement BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER manifest_no_update BEFORE UPDATE ON manifest BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER manifest_no_delete BEFORE DELETE ON manifest BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER manifest_outcome_no_update BEFORE UPDATE ON manifest_outcome BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER manifest_outcome_no_delete BEFORE DELETE ON manifest_outcome BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER judgement_no_update BEFORE UPDATE ON judgement BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER judgement_no_delete BEFORE DELETE ON judgement BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER verdict_no_update BEFORE UPDATE ON verdict BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER verdict_no_delete BEFORE DELETE ON verdict BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
