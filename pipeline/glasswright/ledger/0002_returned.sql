-- Lenses that came back after they were released: known only later, so an event of its own beside the ticket.

CREATE TABLE returned (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    run INTEGER NOT NULL REFERENCES run (id),
    ticket TEXT NOT NULL,
    came_back INTEGER NOT NULL CHECK (came_back IN (0, 1)), -- 0 takes an earlier mark back; the last one counts
    why TEXT NOT NULL,
    hash TEXT NOT NULL -- of all above but id and run
) STRICT;
CREATE INDEX returned_by_ticket ON returned (ticket, id);
CREATE INDEX returned_by_run ON returned (run);

CREATE TRIGGER returned_no_update BEFORE UPDATE ON returned BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER returned_no_delete BEFORE DELETE ON returned BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
