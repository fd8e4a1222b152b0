-- Who did it: a lens that came back is marked by somebody, and so is a stand that is another than before.

CREATE TABLE new_returned (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    run INTEGER NOT NULL REFERENCES run (id),
    ticket TEXT NOT NULL,
    came_back INTEGER NOT NULL CHECK (came_back IN (0, 1)), -- 0 takes an earlier mark back; the last one counts
    marked_by TEXT NOT NULL, -- empty for marks of before
    why TEXT NOT NULL,
    hash TEXT NOT NULL -- of all above but id and run
) STRICT;
INSERT INTO new_returned SELECT id, run, ticket, came_back, '', why, row_hash(ticket, came_back, '', why) FROM returned ORDER BY id;
DROP TABLE returned;
ALTER TABLE new_returned RENAME TO returned;
CREATE INDEX returned_by_ticket ON returned (ticket, id);
CREATE INDEX returned_by_run ON returned (run);

CREATE TRIGGER returned_no_update BEFORE UPDATE ON returned BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER returned_no_delete BEFORE DELETE ON returned BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;

CREATE TABLE stand_adoption ( -- the last one of a stand up to some run says which constants it had then
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    run INTEGER NOT NULL REFERENCES run (id),
    stand TEXT NOT NULL, -- its name
    document TEXT NOT NULL, -- document.sha256
    adopted_by TEXT NOT NULL, -- empty where it is what the first run with the stand found
    why TEXT NOT NULL,
    hash TEXT NOT NULL -- of all above but id and run
) STRICT;
CREATE INDEX stand_adoption_by_stand ON stand_adoption (stand, id);
CREATE INDEX stand_adoption_by_run ON stand_adoption (run);

CREATE TRIGGER stand_adoption_no_update BEFORE UPDATE ON stand_adoption BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER stand_adoption_no_delete BEFORE DELETE ON stand_adoption BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
