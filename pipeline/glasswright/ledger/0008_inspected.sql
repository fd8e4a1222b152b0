-- What a person found who looked at the lens of a ticket again: an event of its own beside the ticket.

CREATE TABLE inspected (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    run INTEGER NOT NULL REFERENCES run (id),
    ticket TEXT NOT NULL,
    content TEXT NOT NULL, -- hash that names what was measured of the ticket when the person looked
    finding TEXT NOT NULL CHECK (finding IN ('sound', 'faulty', 'withdrawn')), -- the last one of a ticket counts
    person TEXT NOT NULL,
    why TEXT NOT NULL,
    hash TEXT NOT NULL -- of all above but id and run
) STRICT;
CREATE INDEX inspected_by_ticket ON inspected (ticket, id);
CREATE INDEX inspected_by_run ON inspected (run);

CREATE TRIGGER inspected_no_update BEFORE UPDATE ON inspected BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
CREATE TRIGGER inspected_no_delete BEFORE DELETE ON inspected BEGIN SELECT RAISE(ABORT, 'the ledger is append-only'); END;
