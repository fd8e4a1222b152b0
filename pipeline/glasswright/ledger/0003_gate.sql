-- What became of each attempt to measure a ticket, and which tickets in review a person released.

CREATE TABLE attempt ( -- the last one of a ticket counts: unless it ended, what was measured before no longer does
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    run INTEGER NOT NULL REFERENCES run (id),
    ticket TEXT NOT NULL,
    state TEXT NOT NULL CHECK (state IN ('begun', 'refused', 'stopped', 'ended')),
    folder TEXT NOT NULL,
    reason TEXT NOT NULL, -- of a refusal
    hash TEXT NOT NULL -- of all above but id and run
) STRICT;
CREATE INDEX attempt_by_ticket ON attempt (ticket, id);
CREATE INDEX attempt_by_run ON attempt (run);

CREATE TABLE decision ( -- a person released a ticket that was in review; the last one of a ticket counts
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    run INTEGER NOT NULL REFERENCES run (id),
    ticket TEXT NOT NULL,
    releases INTEGER NOT NULL CHECK (releases IN (0, 1)), -- 0 withdraws the one before
    person TEXT NOT NULL,
    why TEXT NOT NULL,
    manifest TEXT NOT NULL, -- manifest.content, as all that follows at the time of the decision
    judgement TEXT NOT NULL, -- what the judgement is called by all that it says: judgement.hash
    plan TEXT NOT NULL, -- document.sha256
    card TEXT NOT NULL, -- document.sha256
    stand TEXT NOT NULL, -- document.sha256: it names who may decide
    reasons TEXT NOT NULL, -- JSON: everything that was in review
    hash TEXT NOT NULL -- of all above but id and run
) STRICT;
CREATE INDEX decision_by_ticket ON decision (ticket, id);
CREATE INDEX decision_by_run ON decision (run);

CREATE TRIGGER attempt_no_update BEFORE UPDATE ON attempt BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER attempt_no_delete BEFORE DELETE ON attempt BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER decision_no_update BEFORE UPDATE ON decision BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER decision_no_delete BEFORE DELETE ON decision BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
